"""``drawdown match``: does the batch match the kept original, and which ink to add."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from drawdown.card_corners import Corners, check_card_corners
from drawdown.commands import book_options as opt
from drawdown.which_strips import refuse_itself, same_photo, which_strips

if TYPE_CHECKING:
    from drawdown.judge import Judgement

EXIT_CODES = {"match": 0, "no match": 3, "too close to call": 4, None: 5}
LOOSEST_TOLERANCE = 20.0
_NUMBER = r"\s*-?\d+(?:\.\d+)?\s*"
_STRIP = re.compile(rf"{_NUMBER},{_NUMBER},{_NUMBER},{_NUMBER}(?:mm|px)?\s*")


def match(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo of both strips and card.")],
    original: Annotated[
        int | None, typer.Option(metavar="N", help="Number of the kept original's strip.")
    ] = None,
    batch: Annotated[
        int | None, typer.Option(metavar="N", help="Number of the new batch's strip.")
    ] = None,
    original_photo: Annotated[
        Path | None,
        typer.Option(metavar="OLD", help="The kept original is in this other photo."),
    ] = None,
    card: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Definition of the card in the photo, if not ours."),
    ] = None,
    card_corners: Annotated[
        list[str] | None,
        typer.Option(
            metavar="POINTS",
            help='The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright '
            "photo, clockwise from the card's upper left; once more for OLD.",
        ),
    ] = None,
    shelf: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The inks you own; without it, the studio's shelf, or else starter pigments.",
        ),
    ] = None,
    mix: Annotated[
        list[str] | None,
        typer.Option(
            metavar="INK=PARTS",
            autocompletion=opt.inks,
            help="One ink of the batch and its parts; repeat for each ink.",
        ),
    ] = None,
    batch_grams: Annotated[
        float | None,
        typer.Option(metavar="G", help="Weight of the batch, to be told grams to add."),
    ] = None,
    scale_step: Annotated[
        float | None,
        typer.Option(metavar="G", help="Smallest step your scale shows in grams; usually 0.1."),
    ] = None,
    slab: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Remember this batch under NAME and learn from it; begin with --mix, go on "
            "with --added.",
        ),
    ] = None,
    added: Annotated[
        list[str] | None,
        typer.Option(
            metavar="INK=AMOUNT",
            help="What went into the batch of --slab since its last photo: grams, or parts per "
            "100 if its weight is not known; repeat for each ink.",
        ),
    ] = None,
    tolerance: Annotated[
        float,
        typer.Option(metavar="T", help="Largest Delta E 2000 that still counts as a match."),
    ] = 2.0,
    other_inks: Annotated[
        bool,
        typer.Option("--other-inks", help="The batch comes from other tubes than the original."),
    ] = False,
    wet: Annotated[
        list[str] | None,
        typer.Option(
            metavar="STRIP",
            help="batch or original: that strip is still wet; without it, both are dry. Repeat "
            "for both.",
        ),
    ] = None,
    pulled_alike: Annotated[
        bool,
        typer.Option(
            "--pulled-alike",
            help="Both strips were pulled with care as thick as each other: blame the ink, "
            "not the film.",
        ),
    ] = False,
    strip: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,W,H",
            help="Place a strip by hand: mm from the card's upper left corner, or photo "
            "pixels with px at the end; repeat, in order.",
        ),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Also save the answer as a picture.")
    ] = None,
    kept: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            autocompletion=opt.originals,
            help="The kept original's name in the book: its mix, and its colour where the photo "
            "does not show it.",
        ),
    ] = None,
    apart: Annotated[
        bool,
        typer.Option("--apart", help="The photo does not show the kept original; with --kept."),
    ] = False,
    log: Annotated[
        str | None,
        typer.Option(
            metavar="BATCH",
            autocompletion=opt.batches,
            help="Log the answer to this batch in the book.",
        ),
    ] = None,
    book: opt.BookFolder = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """Does the batch match the kept original? If not, what to add."""
    elsewhere = original_photo is not None
    check_kept(kept, apart, log, original, elsewhere)
    check_numbers(original, batch, tolerance, batch_grams)
    step = check_scale_step(scale_step, batch_grams, slab)
    more = check_added(added or [], slab)
    lone = apart or (kept is not None and original is None and len(strip or []) == 1)
    which = which_strips(original, batch, elsewhere or lone)
    strips = check_strips(strip or [], 1 if elsewhere else which.original, which.batch)
    corners = check_corners(card_corners or [], elsewhere)
    parts = read_mix(mix or [])
    wet_strips = check_wet(wet or [])
    if picture is not None:
        check_picture(picture, photo)
    if original_photo is not None:
        refuse_itself(photo, original_photo, which)
        if same_photo(photo, original_photo):
            original_photo, corners = None, corners[:1]  # both strips share one light after all
    source = None
    if kept is not None or log is not None:
        from drawdown.commands.match_book import from_book
        from drawdown.commands.slab_keep import is_new

        source = from_book(
            kept, log, book, said=parts, grams=batch_grams,
            apart=True if apart else False if original is not None else None,
            batch_number=batch, added=more, shelf=shelf,
        )  # fmt: skip
        if slab is None or is_new(slab, shelf):  # else the batch's own memory knows both
            parts = parts or source.parts(shelf)
            batch_grams = source.grams

    from drawdown.judge import Options, judge
    from drawdown.progress import ProgressLine

    options = Options(
        original=which.original,
        batch=which.batch,
        assumed=which.assumed,
        card_path=card,
        shelf_path=shelf,
        mix=parts,
        batch_grams=batch_grams,
        scale_step=step,
        slab=slab,
        added=more,
        tolerance=tolerance,
        other_inks=other_inks,
        pulled_alike=pulled_alike,
        wet=wet_strips,
        strips_by_hand=strips,
        original_photo=original_photo,
        card_corners=corners,
        kept=None if source is None else source.kept,
    )
    try:
        with ProgressLine() as progress:
            judgement = judge(photo, options, progress)
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text
            from drawdown.report.terminal import write_result

            write_result(unfit_text("match", photo, unfit))
        raise
    code = deliver(judgement, as_json=json, picture=picture)
    if source is not None and log is not None:
        from drawdown.commands.match_book import log_match

        log_match(source, photo, judgement)
    if slab is not None:
        from drawdown.commands.slab_keep import keep

        keep(judgement, photo, shelf)
    return code


def check_kept(
    kept: str | None, apart: bool, log: str | None, original: int | None, elsewhere: bool
) -> None:
    """Refuse options of the book that contradict each other; raises ``WrongUsage``."""
    if apart and kept is None and log is None:
        raise WrongUsage(
            "--apart was given without --kept",
            "without a name it is not clear which kept original is meant",
            "add --kept NAME",
        )
    if apart and (original is not None or elsewhere):
        raise WrongUsage(
            f"--apart was given with {'--original-photo' if elsewhere else '--original'}",
            "either the book's reading of the original is compared, or a strip of a photo",
            "leave one of the two out",
        )


def deliver(judgement: Judgement, *, as_json: bool, picture: Path | None) -> int:
    """Print the answer, save the picture if wanted, return the exit code.

    In this order, so that a picture which cannot be saved never costs the answer."""
    import sys

    from drawdown.report import terminal

    if as_json:
        from drawdown.report.json import match_text

        terminal.write_result(match_text(judgement))
    else:
        from drawdown.report.text import match_screen

        terminal.write_result(match_screen(judgement, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.picture import save_picture

        save_picture(judgement, picture)
        if terminal.is_tty(sys.stderr):
            terminal.write_aside(f"Picture saved: {picture}")
    verdict = judgement.comparison.verdict if judgement.comparison is not None else None
    return EXIT_CODES[verdict]


def check_numbers(
    original: int | None, batch: int | None, tolerance: float, grams: float | None
) -> None:
    """Refuse numbers that make no sense; raises ``WrongUsage``."""
    for option, number in (("--original", original), ("--batch", batch)):
        if number is not None and number < 1:
            raise WrongUsage(
                f"{option} is {number}, and strips are numbered from 1",
                "the number says which strip is meant",
                "count the strips from left to right with the card upright",
            )
    if not 0 < tolerance <= LOOSEST_TOLERANCE:  # also refuses nan
        raise WrongUsage(
            f"--tolerance is {tolerance:g}, and must lie above 0 and not above "
            f"{LOOSEST_TOLERANCE:g}",
            "it is the largest Delta E 2000 that still counts as a match",
            "2 is usual, 1 is strict, 3.5 is loose",
        )
    if grams is not None and not (grams > 0 and math.isfinite(grams)):
        raise WrongUsage(
            f"--batch-grams is {grams:g}, and must be above 0",
            "the ink to add is weighed out against it",
            "weigh the batch on the slab or in its tin, less the tin",
        )


def check_added(pairs: list[str], slab: str | None) -> dict[str, float]:
    """What ``--added`` says; raises ``WrongUsage``."""
    if pairs and slab is None:
        raise WrongUsage(
            "--added is given without --slab",
            "what was added only says something of a batch whose earlier photos are known",
            "name the batch with --slab, or give its whole mix as it is now with --mix",
        )
    return _amounts(
        "--added",
        pairs,
        "an ink, an equals sign and an amount",
        "the amounts say how the batch answered what went in",
        "write for example: --added phthalo-blue=1.2",
    )


def check_scale_step(step: float | None, grams: float | None, slab: str | None) -> float:
    """The scale's step in grams, 0.1 when nothing is said; raises ``WrongUsage``."""
    if step is None:
        return 0.1
    if not (step > 0 and math.isfinite(step)):
        raise WrongUsage(
            f"--scale-step is {step:g}, and must be above 0",
            "amounts are rounded to what the scale can show",
            "kitchen scales show 1 g, letter scales 0.1 g, pocket scales 0.01 g",
        )
    if grams is not None and step > grams:
        raise WrongUsage(
            f"--scale-step is {step:g} g, more than the batch weighs ({grams:g} g)",
            "no ink could be weighed out for it on such a scale",
            "give the smallest step the scale shows, in grams, such as 0.1",
        )
    if grams is None and slab is None:
        raise WrongUsage(
            "--scale-step is given without --batch-grams",
            "without the batch's weight there are parts but no grams to round",
            "weigh the batch and give --batch-grams as well",
        )
    return step


def check_wet(roles: list[str]) -> frozenset[str]:
    """``--wet batch``, ``--wet original``; raises ``WrongUsage`` for any other word."""
    found = {role.strip().lower(): role for role in roles}
    for known, given in found.items():
        if known not in ("batch", "original"):
            raise WrongUsage(
                f'--wet "{given}" is neither batch nor original',
                "it says which of the two strips is still wet",
                "write --wet batch, or --wet original, or both",
            )
    return frozenset(found)


def read_mix(pairs: list[str]) -> dict[str, float] | None:
    """``["PB15:3=2", "white=10"]`` -> parts by ink; None when none are given."""
    parts = _amounts(
        "--mix",
        pairs,
        "an ink, an equals sign and its parts",
        "the parts say what the batch was mixed from",
        "write for example: --mix PB15:3=2 --mix PW6=10",
    )
    return parts or None


def _amounts(option: str, pairs: list[str], what: str, why: str, todo: str) -> dict[str, float]:
    """INK=NUMBER pairs; raises ``WrongUsage``."""
    parts: dict[str, float] = {}
    for pair in pairs:
        ink, sign, amount = pair.rpartition("=")
        ink = ink.strip()
        try:
            number = float(amount)
        except ValueError:
            number = math.nan
        if not sign or not ink or not (number > 0 and math.isfinite(number)):
            raise WrongUsage(f"{option} {pair} is not {what}", why, todo)
        if ink in parts:
            raise WrongUsage(
                f"{option} names {ink} twice",
                "it is not clear which of the two amounts is meant",
                "give each ink once, with all of it",
            )
        parts[ink] = number
    return parts


def check_strips(strips: list[str], original: int, batch: int) -> tuple[str, ...]:
    """Check the wording of ``--strip X,Y,W,H[px]``; raises ``WrongUsage``."""
    for text in strips:
        sides = re.split(r",|mm|px", text)[2:4] if _STRIP.fullmatch(text) else ()
        if not sides or any(float(side) <= 0 for side in sides):
            raise WrongUsage(
                f"--strip {text} is not x,y,width,height",
                "these four numbers place a strip by hand",
                "write for example --strip 10,-60,20,50 (mm from the card's upper left corner; "
                "x to the right, y down, so what lies above the card is negative) or "
                "--strip 300,200,240,600px (pixels of the photo)",
            )
    if strips and len(strips) < max(original, batch):
        raise WrongUsage(
            f"--strip was given {len(strips)} time{'s' if len(strips) > 1 else ''}, and strip "
            f"{max(original, batch)} is to be compared",
            "when strips are placed by hand, no others are looked for",
            "give --strip once for each, in order: the first is strip 1",
        )
    return tuple("".join(text.split()).removesuffix("mm") for text in strips)


def check_corners(texts: list[str], apart: bool) -> tuple[Corners, ...]:
    """The corners for the photo and, if the strips are in two, for the original's photo."""
    most = 2 if apart else 1
    if len(texts) > most:
        raise WrongUsage(
            f"--card-corners is given {len(texts)} times",
            "each time it places the card in one photo: first in PHOTO"
            + (", then in the one of --original-photo" if apart else ""),
            "give all four corners in one pair of quotes",
        )
    return tuple(check_card_corners(text) for text in texts)


def check_picture(picture: Path, photo: Path | None = None) -> None:
    """Find out before the measuring, not after, that the picture cannot be saved."""
    if picture.suffix.lower() != ".png":
        raise WrongUsage(
            f"--picture {picture} does not end in .png",
            "PNG keeps the colours of the swatches exactly",
            "give a name that ends in .png",
        )
    if photo is not None and picture.exists() and photo.exists() and picture.samefile(photo):
        raise WrongUsage(
            f"--picture {picture} is the photo itself",
            "the photo would be overwritten",
            "give the picture another name",
        )
    if picture.is_dir() or not picture.absolute().parent.is_dir():
        raise BadFile(
            f"the picture {picture} cannot be saved: "
            + ("that is a folder" if picture.is_dir() else "its folder does not exist"),
            "better to hear of it now than after the measuring",
            "give the name of a file in a folder that exists",
        )
