"""``drawdown book remove`` and ``check``: keeping the book in order."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.book.repair.check import Report
from drawdown.book.repair.check import check as check_book
from drawdown.book.store import Book, strike_out
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import agreed
from drawdown.report.text.book import UNDO, paragraph
from drawdown.report.text.terminal import Screen, is_tty, wrap, write_aside
from drawdown.wording import figures as words


def _all_names(ctx: typer.Context, incomplete: str) -> list[str]:
    found: list[str] = []
    for complete in (opt.originals, opt.batches, opt.packets):
        found += complete(ctx, incomplete)
    return found


def remove(
    name: Annotated[str, shared.argument("NAME", "What to remove.", complete=_all_names)],
    kind: opt.Kind = None,
    pull: Annotated[int | None, shared.option("N", "NAME is an edition: its pull N.")] = None,
    yes: shared.Yes = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Remove something; it leaves the lists, not the book."""
    with frame.opened(book, write=True) as opened:
        if pull is not None:
            table, (whole, rows) = "pull", _pulls(opened, name, pull)
            what = f'pull {pull} of "{whole}"'
        else:
            table, row, whole = frame.find_anything(opened, name, kind, tuple(opt.TABLES))
            rows, what = [row], f'the {table} "{whole}"'
        if not agreed(f"Remove {what} from the book?", yes):
            return 0
        with opened.change(f"removed {what}") as change:
            for one in rows:
                strike_out(change, table, one)
    data = {"kind": table, "name": whole, **({} if pull is None else {"number": pull})}
    return frame.tell(
        json, "removed", data, lambda _: f" {what[0].upper()}{what[1:]} is removed.", UNDO
    )


def _pulls(opened: Book, name: str, number: int) -> tuple[str, list[int]]:
    """The edition, and the rows of one pull of it at each spot that was read."""
    from drawdown.book.edition import find_edition, run_of

    edition = find_edition(opened, name)
    found = [p.id for p in run_of(opened, edition) if p.number == number]
    if not found:
        raise WrongUsage(
            f'there is no pull {number} of "{edition}" in the book',
            "nothing was removed",
            f'see them with: drawdown book run "{edition}"',
        )
    return edition, found


def check(
    repair: Annotated[bool, shared.flag("Repair what can be repaired.", "--repair")] = False,
    quick: Annotated[bool, shared.flag("Do not read every photo.", "--quick")] = False,
    yes: Annotated[
        bool, shared.flag("Repair it even where something would be lost.", "--yes")
    ] = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Check that the book is whole; mend it with --repair."""
    folder = opt.folder_of(book)

    def agree(lacking: list[str]) -> bool:
        if yes or not (is_tty(sys.stdin) and is_tty(sys.stderr)):
            return yes
        listed = [
            "The repaired book would lack these, or have them differently:",
            *(f"  {text}" for text in lacking),
        ]
        write_aside("\n".join(listed))
        return agreed("Mend it?", yes)

    report = check_book(folder, repair=repair, hashes=not quick, agree=agree)
    data = {
        "whole": report.whole, "faults": report.faults, "lost": report.lost,
        "mended": report.mended, "remarks": report.remarks, "lacking": report.lacking,
        "counts": report.counts,
    }  # fmt: skip
    frame.tell(json, "check", data, lambda screen: _check_screen(folder, report, repair, screen))
    return 0 if report.whole else 6


def _check_screen(folder: Path, report: Report, repair: bool, screen: Screen) -> str:
    kept = ", ".join(
        words.count(report.counts.get(table, 0), *forms)
        for table, forms in (
            ("original", ("kept original",)), ("recipe", ("recipe",)),
            ("batch", ("batch", "batches")), ("packet", ("packet",)), ("pull", ("pull",)),
            ("photo", ("photo",)),
        )
    )  # fmt: skip
    state = "is whole" if report.whole else "is not whole"
    lines = paragraph(f"The book in {folder} {state}: {kept}.", screen)
    parts = (
        ("Needs mending", report.faults), ("Mended", report.mended), ("Lost", report.lost),
        ("In the old files, and different in the repaired book", report.lacking),
        ("Worth knowing", report.remarks),
    )  # fmt: skip
    for title, texts in parts:
        if texts:
            lines += ["", f" {title}"]
        for text in texts:
            lines += wrap(text, screen.columns - 1, "  · ", "    ")
    if report.lacking and not report.mended:
        again = "Nothing was changed. To repair it all the same: drawdown book check --repair --yes"
        lines += ["", *paragraph(again, screen)]
    elif report.faults and not repair:
        lines += ["", *paragraph("Repair it with: drawdown book check --repair", screen)]
    return "\n".join(lines)
