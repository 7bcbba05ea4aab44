"""``drawdown match``: does the batch match the kept original, and which ink to add."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as book_opt
from drawdown.commands.support import options as opt
from drawdown.commands.support.exit_codes import OF_VERDICT, ExitCode
from drawdown.commands.support.output import say_saved, unfit_in_json
from drawdown.commands.support.parse import read_all_corners, read_amounts, read_mix
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.options import Options

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement


# Long by its options, one parameter each.
def match(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            help="Photo of both strips and card; several of one pair are one reading.",
        ),
    ],
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
    ] = TOLERANCE_DE00,
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
    lamp: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LAMP",
            help="How the pair looks under this lamp too: a CIE name such as FL11 or LED-B1, or "
            "a spectral file of it; repeat for each.",
        ),
    ] = None,
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
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> ExitCode:
    """Does the batch match the kept original? If not, what to add."""
    photo = photos[0]
    check_kept(kept, apart, log, original, original_photo is not None)
    parts = read_mix(mix or [])
    opt.check_picture(picture, photo)
    options = Options(
        original=original,
        batch=batch,
        original_photo=original_photo,
        card=card,
        card_corners=read_all_corners(card_corners or [], original_photo is not None),
        strips=tuple(strip or ()),
        shelf=shelf,
        mix=parts,
        batch_grams=batch_grams,
        scale_step=scale_step,
        slab=slab,
        added=read_added(added or []),
        tolerance=tolerance,
        other_inks=other_inks,
        pulled_alike=pulled_alike,
        wet=wet or (),
        lamps=tuple(lamp or ()),
    )
    source = None
    if kept is not None or log is not None:
        from drawdown.commands.book.matching import from_book
        from drawdown.commands.support.slab import is_new

        source = from_book(
            kept, log, book, said=parts, grams=batch_grams,
            apart=True if apart else False if original is not None else None,
            batch_number=batch, added=options.added, shelf=shelf,
        )  # fmt: skip
        options = replace(options, kept=source.kept)
        if slab is None or is_new(slab, shelf):  # else the batch's own memory knows both
            options = replace(options, mix=parts or source.parts(shelf), batch_grams=source.grams)
    options.strips_to_compare()

    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.match import match_photo

    with unfit_in_json("match", photo, json, picture=picture), ProgressLine() as progress:
        judgement = match_photo(photos if photos[1:] else photo, options, progress)
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


def deliver(judgement: Judgement, *, as_json: bool, picture: Path | None) -> ExitCode:
    """Print the answer, save the picture if wanted, return the exit code.

    In this order, so that a picture which cannot be saved never costs the answer."""
    import sys

    from drawdown.report.text import terminal

    if as_json:  # each way loads only what it needs: this command must be quick
        from drawdown.report.json.match import match_json

        terminal.write_result(match_json(judgement))
    else:
        from drawdown.report.text.match import match_screen

        terminal.write_result(match_screen(judgement, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.pictures.answer import save_picture

        save_picture(judgement, picture)
        say_saved(picture)
    verdict = judgement.comparison.verdict if judgement.comparison is not None else None
    return OF_VERDICT[verdict]


def read_added(pairs: list[str]) -> dict[str, float]:
    """What ``--added`` says; raises ``WrongUsage``."""
    return read_amounts(
        "--added",
        pairs,
        "an ink, an equals sign and an amount",
        "the amounts say how the batch answered what went in",
        "write for example: --added phthalo-blue=1.2",
    )
