"""``drawdown book run``: an edition's prints held to its first good pull."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import WrongUsage
from drawdown.book.shapes import clean_date, clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.book.lists import list_
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import (
    photo_options,
    read_photo,
    save_report,
)
from drawdown.commands.support.parse import read_strips
from drawdown.defaults import TOLERANCE_DE00
from drawdown.report.json.book import run_data
from drawdown.report.text.book import UNDO

if TYPE_CHECKING:
    from drawdown.book.columns import Pull


# Long by its options, one parameter each.
def run(  # long: one parameter a line
    edition: Annotated[
        str | None,
        shared.argument("[EDITION]", "The edition; else a list of them.", complete=opt.editions),
    ] = None,
    photo: Annotated[
        Path | None,
        shared.argument("[PHOTO]", "Note this pull: a photo of the print and the card."),
    ] = None,
    readings: shared.Readings = None,
    instrument: shared.Instrument = None,
    number: Annotated[int | None, shared.option("N", "Which pull it is; else the next.")] = None,
    good: Annotated[
        bool, shared.flag("This is the first good pull, to hold the run to.", "--good")
    ] = False,
    spot: Annotated[
        str | None, shared.option("TEXT", "Which part of the print, if there are several.")
    ] = None,
    strip: shared.Strip = "1",
    beside: Annotated[
        str | None,
        shared.option("STRIP", "This strip of the photo is the first good pull, lying beside."),
    ] = None,
    date: opt.OnDate = None,
    note: opt.Note = "",
    tolerance: opt.Tolerance = TOLERANCE_DE00,
    baseline: Annotated[
        int, shared.option("N", "The control limits rest on the first N pulls.")
    ] = 10,
    picture: Annotated[
        Path | None, shared.option("OUT.png", "Also save the control chart.")
    ] = None,
    report: shared.ReportFile = None,
    replace: shared.Replace = False,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Follow an edition: note a pull (PHOTO), or chart the run."""
    shared.check_tolerance(tolerance)
    shared.check_outputs(picture, report, replace)
    if edition is None:
        return list_("runs", book=book, json=json)
    if photo is not None or readings is not None:
        photo = shared.one_source(photo, readings)
    if photo is None:
        _refuse_without_photo(number=number, good=good, beside=beside, note=note, date=date)
        return _chart(edition, spot, tolerance, baseline, (picture, report), book, json)
    for option, out in (("--picture", picture), ("--report", report)):
        if out is not None:
            raise WrongUsage(
                f"{option} was given with a pull to note",
                "it shows the whole run",
                f"note it first, then: drawdown book run {shlex.quote(edition)} {option} {out}",
            )
    edition, spot = clean_name(edition, "EDITION"), clean_name(spot, "--spot") if spot else ""
    day, remark = clean_date(date, "--date"), clean_text(note, "--note")
    mine, lies = _check_strips(number, strip, beside, good)
    from drawdown.book.edition import drift_of, known_spelling, note_pull, run_of
    from drawdown.pipeline.read import strip_to_trust
    from drawdown.report.text.edition import run_screen

    with frame.opened(book, create=True) as opened:
        edition = known_spelling(opened, edition)
        here = [p for p in run_of(opened, edition) if p.spot == spot]
        number = _number(here, number, edition)
        first = not any(p.good for p in here)
        if first and beside is not None:
            raise WrongUsage(
                f'the first good pull of "{edition}" is not in the book yet',
                "the run is held to it",
                "note it first, from this same photo, with --good and its --strip",
            )
        options = photo_options(card, card_corners, lies, readings=readings, instrument=instrument)
        seen = read_photo(photo, options)
        colour = strip_to_trust(seen, mine[0])
        other = strip_to_trust(seen, mine[1]) if len(mine) > 1 else None
        note_pull(
            opened, seen, colour, photo, edition=edition, number=number, date=day, spot=spot,
            good=good or first, note=remark, beside=other,
        )  # fmt: skip
        (now,) = drift_of(opened, edition, tolerance=tolerance, spot=spot)
    return frame.tell(
        json, "pull", {"number": number, **run_data(now, number)},
        lambda screen: run_screen(now, screen, only=number),
        "It is the first one noted, so the run is held to it. Another that is noted with --good "
        "takes its place." if first and not good else "",
        UNDO,
    )  # fmt: skip


def _refuse_without_photo(**options: object) -> None:
    for name, value in options.items():
        if value:
            raise WrongUsage(
                f"--{name} was given without a photo or --readings",
                "it belongs to a pull that is noted",
                "write for example: drawdown book run EDITION print.jpg",
            )


def _check_strips(
    number: int | None, strip: str, beside: str | None, good: bool
) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """The numbers of this pull's strip and of the one beside it, with their places by hand."""
    if number is not None and not 0 <= number <= 10**9:
        raise WrongUsage(f"--number is {number}", "pulls are counted from 1",
                         "give the number of this pull, or leave it out")  # fmt: skip
    found = read_strips([strip] if beside is None else [strip, beside])
    if beside is not None and (good or len(set(found[0])) < 2):
        raise WrongUsage(
            f"--beside is {beside}, and strip {strip} is this pull"
            + (", said to be the first good one" if good else ""),
            "the first good pull lies beside another pull",
            "count the strips from the left; give --strip for this pull and --beside for the "
            "first good one",
        )
    return found


def _number(here: list[Pull], number: int | None, edition: str) -> int:
    """The number of the pull; told that it is taken before the measuring, not after."""
    taken = [p.number for p in here]
    if number is None:
        return max(taken, default=0) + 1
    if number in taken:
        raise WrongUsage(
            f'pull {number} of "{edition}" is already in the book',
            "nothing in the book is ever overwritten",
            f"the next is {max(taken) + 1}; strike the other one out with drawdown book remove "
            "if it was wrong",
        )
    return number


def _chart(
    edition: str,
    spot: str | None,
    tolerance: float,
    baseline: int,
    outputs: tuple[Path | None, Path | None],
    book: Path | None,
    json: bool,
) -> int:
    """The run so far, as a control chart."""
    from drawdown.printing.control_chart import LEAST_BASELINE

    if baseline < LEAST_BASELINE:
        raise WrongUsage(
            f"--baseline is {baseline}", f"fewer than {LEAST_BASELINE} pulls give no limits worth "
            "the name", f"give {LEAST_BASELINE} or more",
        )  # fmt: skip
    from drawdown.book.edition import drift_of, find_edition
    from drawdown.report.text.edition import run_screen

    with frame.opened(book) as opened:
        found = find_edition(opened, edition)
        runs = drift_of(opened, found, tolerance=tolerance, baseline=baseline, spot=spot)
    picture, report = outputs
    if picture is not None:
        from drawdown.report.pictures.edition import save_chart

        save_chart(picture, runs)
    data = {"edition": found, "tolerance": tolerance, "runs": [run_data(r) for r in runs]}
    frame.tell(
        json, "drift", data, lambda screen: "\n\n".join(run_screen(run, screen) for run in runs),
        "" if picture is None else f"The chart is in {picture}.",
    )  # fmt: skip
    if report is not None:
        from drawdown.report.html.book import edition_report

        save_report(report, edition_report(runs))
    return 0
