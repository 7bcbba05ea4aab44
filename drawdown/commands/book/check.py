"""``drawdown book check``: is the book whole, and mending it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from drawdown.book.repair.check import Report
from drawdown.book.repair.check import check as check_book
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import agreed
from drawdown.report.text.book import paragraph
from drawdown.report.text.terminal import Screen, is_tty, wrap, write_aside
from drawdown.wording import figures as words


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
