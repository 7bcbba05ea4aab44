"""``drawdown match``: does the batch match the kept original, and which ink to add."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as book_opt
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import say_saved, unfit_in_json
from drawdown.pipeline.roles import refuse_itself, same_photo, which_strips

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement

EXIT_CODES = {"match": 0, "no match": 3, "too close to call": 4, None: 5}


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
    card: opt.CardFile = None,
    card_corners: Annotated[
        list[str] | None,
        typer.Option(
            metavar="POINTS",
            help='The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright '
            "photo, clockwise from the card's upper left; once more for OLD.",
        ),
    ] = None,
    shelf: opt.ShelfInUse = None,
    mix: Annotated[
        list[str] | None,
        typer.Option(
            metavar="INK=PARTS",
            autocompletion=opt.inks,
            help="The recipe of the batch: one ink and its parts; repeat for each ink.",
        ),
    ] = None,
    batch_grams: opt.BatchGrams = None,
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
    strip: opt.StripPlaces = None,
    picture: opt.AnswerPicture = None,
    kept: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            autocompletion=book_opt.originals,
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
            autocompletion=book_opt.batches,
            help="Log the answer to this batch in the book.",
        ),
    ] = None,
    book: book_opt.BookFolder = None,
    json: opt.AsJson = False,
) -> int:
    """Does the batch match the kept original? If not, what to add."""
    elsewhere = original_photo is not None
    check_kept(kept, apart, log, original, elsewhere)
    opt.check_strip_numbers(original=original, batch=batch)
    opt.check_tolerance(tolerance)
    opt.check_batch_grams(batch_grams)
    step = check_scale_step(scale_step, batch_grams, slab)
    more = check_added(added or [], slab)
    lone = apart or (kept is not None and original is None and len(strip or []) == 1)
    which = which_strips(original, batch, elsewhere or lone)
    strips = opt.check_strips(strip or [], 1 if elsewhere else which.original, which.batch)
    corners = opt.check_corners(card_corners or [], elsewhere)
    parts = opt.read_mix(mix or [])
    wet_strips = check_wet(wet or [])
    if picture is not None:
        opt.check_picture(picture, photo)
    if original_photo is not None:
        refuse_itself(photo, original_photo, which)
        if same_photo(photo, original_photo):
            original_photo, corners = None, corners[:1]  # both strips share one light after all
    source = None
    if kept is not None or log is not None:
        from drawdown.commands.book.matching import from_book
        from drawdown.commands.support.slab import is_new

        source = from_book(
            kept, log, book, said=parts, grams=batch_grams,
            apart=True if apart else False if original is not None else None,
            batch_number=batch, added=more, shelf=shelf,
        )  # fmt: skip
        if slab is None or is_new(slab, shelf):  # else the batch's own memory knows both
            parts = parts or source.parts(shelf)
            batch_grams = source.grams

    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options

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
    with unfit_in_json("match", photo, json), ProgressLine() as progress:
        judgement = match_photo(photo, options, progress)
    code = deliver(judgement, as_json=json, picture=picture)
    if source is not None and log is not None:
        from drawdown.commands.book.matching import log_match

        log_match(source, photo, judgement)
    if slab is not None:
        from drawdown.commands.support.slab import keep

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

    from drawdown.report.text import terminal

    if as_json:  # each way loads only what it needs: this command must be quick
        from drawdown.report.json.match import match_text

        terminal.write_result(match_text(judgement))
    else:
        from drawdown.report.text.match import match_screen

        terminal.write_result(match_screen(judgement, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.pictures.answer import save_picture

        save_picture(judgement, picture)
        say_saved(picture)
    verdict = judgement.comparison.verdict if judgement.comparison is not None else None
    return EXIT_CODES[verdict]


def check_added(pairs: list[str], slab: str | None) -> dict[str, float]:
    """What ``--added`` says; raises ``WrongUsage``."""
    if pairs and slab is None:
        raise WrongUsage(
            "--added is given without --slab",
            "what was added only says something of a batch whose earlier photos are known",
            "name the batch with --slab, or give its whole mix as it is now with --mix",
        )
    return opt.read_amounts(
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
