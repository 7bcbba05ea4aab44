"""``drawdown book pull`` and ``drift``: an edition's prints held to the first good pull."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.book.shapes import clean_date, clean_name, clean_text, name_key
from drawdown.book.store import Book
from drawdown.commands.book import frame
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.options import refuse_too_few
from drawdown.report.json.book import run_data
from drawdown.report.text.book import UNDO, count_words

if TYPE_CHECKING:
    from drawdown.book.columns import Pull


def pull(  # long: one parameter a line
    photo: Annotated[
        Path, typer.Argument(metavar="PHOTO", help="Photo of the print and the card.")
    ],
    edition: Annotated[
        str, typer.Option(metavar="TEXT", help="The edition.", autocompletion=opt.editions)
    ],
    number: Annotated[
        int | None, typer.Option(metavar="N", help="Which pull it is; else the next.")
    ] = None,
    good: Annotated[
        bool, typer.Option("--good", help="This is the first good pull, to hold the run to.")
    ] = False,
    spot: Annotated[
        str, typer.Option(metavar="TEXT", help="Which part of the print, if there are several.")
    ] = "",
    strip_number: shared.StripNumber = 1,
    strip: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,W,H",
            help="Place the inked area by hand: mm from the card's upper left corner, or photo "
            "pixels with px at the end; repeat, in order.",
        ),
    ] = None,
    beside: Annotated[
        int | None,
        typer.Option(
            metavar="K", help="Strip K of this photo is the first good pull, lying beside."
        ),
    ] = None,
    date: opt.OnDate = None,
    note: opt.Note = "",
    tolerance: opt.Tolerance = TOLERANCE_DE00,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """Note a pulled print of an edition, and say whether to go on."""
    edition = clean_name(edition, "--edition")
    spot = clean_name(spot, "--spot") if spot.strip() else ""
    day, remark = clean_date(date, "--date"), clean_text(note, "--note")
    shared.check_tolerance(tolerance)
    _check_numbers(number, strip_number, beside, good)
    by_hand = shared.check_strips(strip or [])
    refuse_too_few(by_hand, strip_number, beside or 1)
    from drawdown.book.edition import add_pull, drift_of, run_of
    from drawdown.book.readings import insert_reading
    from drawdown.report.text.edition import run_screen

    with frame.opened(book, create=True) as opened:
        edition = _known_spelling(opened, edition)
        here = [p for p in run_of(opened, edition) if p.spot == spot]
        number = _number(here, number, edition)
        first = not any(p.good for p in here)
        if first and beside is not None:
            raise WrongUsage(
                f'the first good pull of "{edition}" is not in the book yet',
                "the run is held to it",
                "note it first, from this same photo, with --good and its --strip-number",
            )
        own = frame.strip_to_keep(opened, photo, strip_number, card, card_corners, by_hand)
        other = None if beside is None else frame.strip_of(own.seen, beside, photo, keep=True)
        with opened.change(f'noted pull {number} of "{edition}"') as change:
            reading = own.note(change)
            lain = None
            if other is not None:
                lain = insert_reading(change, own.seen, other, own.stored, None)
            add_pull(
                opened, change, edition=edition, number=number, date=day, reading=reading,
                spot=spot, good=good or first, note=remark, beside=lain,
            )  # fmt: skip
        (run,) = drift_of(opened, edition, tolerance=tolerance, spot=spot)
    return frame.tell(
        json, "pull", {"number": number, **run_data(run, number)},
        lambda screen: run_screen(run, screen, only=number),
        "It is the first one noted, so the run is held to it. Another that is noted with --good "
        "takes its place." if first and not good else "",
        UNDO,
    )  # fmt: skip


def _check_numbers(number: int | None, strip_number: int, beside: int | None, good: bool) -> None:
    if number is not None and not 0 <= number <= 10**9:
        raise WrongUsage(f"--number is {number}", "pulls are counted from 1",
                         "give the number of this pull, or leave it out")  # fmt: skip
    if beside is not None and (good or beside == strip_number or beside < 1):
        raise WrongUsage(
            f"--beside is {beside}, and strip {strip_number} is this pull" +
            (", said to be the first good one" if good else ""),
            "the first good pull lies beside another pull",
            "count the strips from the left; give --strip-number for this pull and --beside for "
            "the first good one",
        )  # fmt: skip


def _known_spelling(book: Book, edition: str) -> str:
    """The edition as it is spelt in the book already."""
    from drawdown.book.edition import editions

    same = [known for known, _ in editions(book) if name_key(known) == name_key(edition)]
    return same[0] if same else edition


def _number(here: list[Pull], number: int | None, edition: str) -> int:
    """The number of the pull; told that it is taken before the measuring, not after."""
    taken = [p.number for p in here]
    if number is None:
        return max(taken, default=0) + 1
    if number in taken:
        raise WrongUsage(
            f'pull {number} of "{edition}" is already in the book',
            "nothing in the book is ever written over",
            f"the next is {max(taken) + 1}; strike the other one out with drawdown book remove "
            "if it was wrong",
        )
    return number


def drift(
    edition: Annotated[
        str | None,
        typer.Argument(
            metavar="[EDITION]", help="The edition; else a list of them.", autocompletion=opt.pulled
        ),
    ] = None,
    spot: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Only this part of the print.")
    ] = None,
    tolerance: opt.Tolerance = TOLERANCE_DE00,
    baseline: Annotated[
        int, typer.Option(metavar="N", help="The control limits rest on the first N pulls.")
    ] = 10,
    picture: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Also save the control chart.")
    ] = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Follow an edition from pull to pull: a control chart, and when to stop and adjust."""
    from drawdown.printing.control_chart import LEAST_BASELINE

    shared.check_tolerance(tolerance)
    shared.check_picture(picture)
    if baseline < LEAST_BASELINE:
        raise WrongUsage(
            f"--baseline is {baseline}", f"fewer than {LEAST_BASELINE} pulls give no limits worth "
            "the name", f"give {LEAST_BASELINE} or more",
        )  # fmt: skip
    if edition is None:
        if picture is not None:
            raise WrongUsage("--picture was given without an edition", "a chart shows one run",
                             "say which: drawdown book drift EDITION --picture OUT.png"
                             )  # fmt: skip
        return _list_editions(book, json)
    from drawdown.book.edition import drift_of, find_edition
    from drawdown.report.text.edition import run_screen

    with frame.opened(book) as opened:
        found = find_edition(opened, edition)
        runs = drift_of(opened, found, tolerance=tolerance, baseline=baseline, spot=spot)
    if picture is not None:
        from drawdown.report.pictures.edition import save_chart

        save_chart(picture, runs)
    data = {"edition": found, "tolerance": tolerance, "runs": [run_data(r) for r in runs]}
    return frame.tell(
        json, "drift", data, lambda screen: "\n\n".join(run_screen(run, screen) for run in runs),
        "" if picture is None else f"The chart is in {picture}.",
    )  # fmt: skip


def _list_editions(book: Path | None, json: bool) -> int:
    from drawdown.book.edition import editions

    with frame.opened(book) as opened:
        found = editions(opened)
    lines = [f" {edition}  {count_words(count, 'pull')}" for edition, count in found]
    return frame.tell(
        json, "editions",
        {"editions": [{"edition": edition, "pulls": count} for edition, count in found]},
        lambda _: "\n".join(lines) or " No pulled print is in the book.",
    )  # fmt: skip
