"""``drawdown book pull`` and ``drift``: an edition's prints held to the first good pull."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.options import refuse_too_few

if TYPE_CHECKING:
    from drawdown.book import Book
    from drawdown.book.columns import Pull
    from drawdown.book.edition import Run


def _pulled(ctx: typer.Context, incomplete: str) -> list[str]:
    sql = "SELECT DISTINCT edition FROM pull WHERE removed IS NULL ORDER BY edition_key"
    return opt._names(ctx, sql, incomplete)


def pull(
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
    note: Annotated[str, typer.Option(metavar="TEXT", help="Anything else.")] = "",
    tolerance: Annotated[
        float, typer.Option(metavar="T", help="Largest Delta E 2000 that counts as the same.")
    ] = TOLERANCE_DE00,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """Note a pulled print of an edition, and say whether to go on."""
    from drawdown.book.shapes import clean_date, clean_name, clean_text

    edition = clean_name(edition, "--edition")
    spot = clean_name(spot, "--spot") if spot.strip() else ""
    day, remark = clean_date(date), clean_text(note, "--note")
    shared.check_tolerance(tolerance)
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
    by_hand = shared.check_strips(strip or [])
    refuse_too_few(by_hand, strip_number, beside or 1)
    from drawdown.book import open_book
    from drawdown.book.edition import add_pull, drift_of, run_of
    from drawdown.book.readings import insert_reading
    from drawdown.commands.book.options import read_strip, strip_of
    from drawdown.report.json.book import dump_book
    from drawdown.report.text import terminal
    from drawdown.report.text.book import UNDO
    from drawdown.report.text.edition import run_screen

    with open_book(opt.folder_of(book), create=True) as opened:
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
        seen, colour = read_strip(photo, strip_number, card, card_corners, keep=True,
                                  by_hand=by_hand)  # fmt: skip
        other = None if beside is None else strip_of(seen, beside, photo, keep=True)
        stored, crop = opt.store(opened, photo, seen, colour)
        with opened.change(f'noted pull {number} of "{edition}"') as change:
            reading = insert_reading(change, seen, colour, stored, crop)
            lain = None if other is None else insert_reading(change, seen, other, stored, None)
            add_pull(
                opened, change, edition=edition, number=number, date=day, reading=reading,
                spot=spot, good=good or first, note=remark, beside=lain,
            )  # fmt: skip
        (run,) = drift_of(opened, edition, tolerance=tolerance, spot=spot)
    if json:
        terminal.write_result(dump_book("pull", {"number": number, **run_data(run, number)}))
        return 0
    terminal.write_result(run_screen(run, terminal.screen(sys.stdout), only=number))
    if first and not good:
        terminal.write_aside("It is the first one noted, so the run is held to it. Another that "
                             "is noted with --good takes its place.")  # fmt: skip
    terminal.write_aside(UNDO)
    return 0


def _known_spelling(book: Book, edition: str) -> str:
    """The edition as it is spelt in the book already."""
    from drawdown.book.edition import editions
    from drawdown.book.shapes import name_key

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
            metavar="[EDITION]", help="The edition; else a list of them.", autocompletion=_pulled
        ),
    ] = None,
    spot: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Only this part of the print.")
    ] = None,
    tolerance: Annotated[
        float, typer.Option(metavar="T", help="Largest Delta E 2000 that counts as the same.")
    ] = TOLERANCE_DE00,
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
    if picture is not None:
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
    from drawdown.book import open_book
    from drawdown.book.edition import drift_of, find_edition
    from drawdown.report.json.book import dump_book
    from drawdown.report.text import terminal
    from drawdown.report.text.edition import run_screen

    with open_book(opt.folder_of(book)) as opened:
        found = find_edition(opened, edition)
        runs = drift_of(opened, found, tolerance=tolerance, baseline=baseline, spot=spot)
    if picture is not None:
        from drawdown.report.pictures.edition import save_chart

        save_chart(picture, runs)
    if json:
        data = {"edition": found, "tolerance": tolerance, "runs": [run_data(r) for r in runs]}
        terminal.write_result(dump_book("drift", data))
        return 0
    screen = terminal.screen(sys.stdout)
    terminal.write_result("\n\n".join(run_screen(run, screen) for run in runs))
    if picture is not None:
        terminal.write_aside(f"The chart is in {picture}.")
    return 0


def _list_editions(book: Path | None, json: bool) -> int:
    from drawdown.book import open_book
    from drawdown.book.edition import editions
    from drawdown.report.json.book import dump_book
    from drawdown.report.text import terminal
    from drawdown.report.text.book import count_words

    with open_book(opt.folder_of(book)) as opened:
        found = editions(opened)
    if json:
        rows = [{"edition": edition, "pulls": count} for edition, count in found]
        terminal.write_result(dump_book("editions", {"editions": rows}))
        return 0
    lines = [f" {edition}  {count_words(count, 'pull')}" for edition, count in found]
    terminal.write_result("\n".join(lines) or " No pulled print is in the book.")
    return 0


def run_data(run: Run, only: int | None = None) -> dict[str, Any]:
    """A run as JSON; ``only`` one pull of it."""

    def limits(found):
        return None if found is None else {
            "centre": round(found.centre, 4), "lower": round(found.lower, 4),
            "upper": round(found.upper, 4), "sigma": round(found.sigma, 4), "pulls": found.count,
        }  # fmt: skip

    return {
        "edition": run.edition,
        "spot": run.spot or None,
        "first_good": run.good.number,
        "tolerance": run.tolerance,
        "advice": run.advice,
        "why": list(run.why),
        "earlier_signs": list(run.earlier),
        "limits_de00": limits(run.limits_de),
        "limits_l": limits(run.limits_l),
        "pulls": [
            {
                "number": p.pull.number, "date": p.pull.date, "good": p.pull.good,
                "note": p.pull.note or None,
                "lab_d50": [round(v, 2) for v in p.pull.reading.lab_d50],
                "de00": round(p.de00, 3), "de00_low95": round(p.de00_low95, 3),
                "de00_high95": round(p.de00_high95, 3), "l": round(p.l, 3),
                "l_u95": round(p.l_u95, 3), "across_photos": p.across_photos,
                "verdict": p.comparison.verdict if p.comparison else None,
                "words": p.comparison.words if p.comparison else None,
                "signs": list(p.signs),
            }
            for p in run.points if only in (None, p.pull.number)
        ],
    }  # fmt: skip
