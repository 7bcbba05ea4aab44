"""``drawdown book undo``, ``redo``, ``remove`` and ``check``: keeping the book in order."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.book.originals import find_by_name
from drawdown.book.repair.check import Report
from drawdown.book.repair.check import check as check_book
from drawdown.book.store import strike_out
from drawdown.commands.book import frame
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.report.text.book import UNDO, count_words, paragraph
from drawdown.report.text.terminal import Screen, is_tty, wrap, write_aside


def undo(book: opt.BookFolder = None, json: shared.AsJson = False) -> int:
    """Take back the last change of the book."""
    return _swap("undo", book, json)


def redo(book: opt.BookFolder = None, json: shared.AsJson = False) -> int:
    """Do again what was undone last."""
    return _swap("redo", book, json)


def _swap(way: str, book: Path | None, json: bool) -> int:
    with frame.opened(book, write=True) as opened:
        what = opened.undo() if way == "undo" else opened.redo()
    done, nothing, other = {
        "undo": ("Taken back", "There is nothing to take back.", "redo"),
        "redo": ("Done again", "There is nothing to do again.", "undo"),
    }[way]
    return frame.tell(
        json, way, {"what": what}, lambda _: f" {done}: {what}." if what else f" {nothing}",
        f"`drawdown book {other}` turns that round." if what else "",
    )  # fmt: skip


def _all_names(ctx: typer.Context, incomplete: str) -> list[str]:
    found: list[str] = []
    for complete in (opt.originals, opt.batches, opt.packets):
        found += complete(ctx, incomplete)
    return found


def remove(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="What to strike out.", autocompletion=_all_names)
    ],
    packet: Annotated[bool, typer.Option("--packet", help="NAME is a packet.")] = False,
    batch: Annotated[bool, typer.Option("--batch", help="NAME is a batch.")] = False,
    pull: Annotated[
        int | None, typer.Option(metavar="N", help="NAME is an edition: its pull N.")
    ] = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Strike something out; it leaves the lists, not the book."""
    if packet + batch + (pull is not None) > 1:
        raise WrongUsage(
            "more than one of --packet, --batch and --pull was given",
            "a name is struck out in one list at a time",
            "give one of them, or neither for a kept original",
        )
    if pull is not None:
        return _remove_pull(name, pull, book, json)
    table = "packet" if packet else "batch" if batch else "original"
    with frame.opened(book, write=True) as opened:
        row = find_by_name(opened, table, name)
        whole = opened.rows(f"SELECT name FROM {table} WHERE id = ?", (row,))[0]["name"]
        with opened.change(f'struck out the {table} "{whole}"') as change:
            strike_out(change, table, row)
    return frame.tell(
        json, "removed", {"kind": table, "name": whole},
        lambda _: f' The {table} "{whole}" is struck out.',
        f"The lists show it with --removed. {UNDO}",
    )  # fmt: skip


def _remove_pull(name: str, number: int, book: Path | None, json: bool) -> int:
    """Strike a pull out, at each spot that was read of it."""
    from drawdown.book.edition import find_edition, run_of

    with frame.opened(book, write=True) as opened:
        edition = find_edition(opened, name)
        found = [p.id for p in run_of(opened, edition) if p.number == number]
        if not found:
            raise WrongUsage(
                f'there is no pull {number} of "{edition}" in the book',
                "nothing was struck out",
                "see them with: drawdown book drift EDITION",
            )
        with opened.change(f'struck out pull {number} of "{edition}"') as change:
            for row in found:
                strike_out(change, "pull", row)
    return frame.tell(
        json, "removed", {"kind": "pull", "name": edition, "number": number},
        lambda _: f' Pull {number} of "{edition}" is struck out.', UNDO,
    )  # fmt: skip


def check(
    repair: Annotated[bool, typer.Option("--repair", help="Mend what can be mended.")] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Do not read every photo.")] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Mend it even where something would be lacking.")
    ] = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """See that the book is whole; mend it with --repair."""
    folder = opt.folder_of(book)

    def agree(lacking: list[str]) -> bool:
        if yes or not (is_tty(sys.stdin) and is_tty(sys.stderr)):
            return yes
        listed = ["The mended book would lack, or not have so:", *(f"  {text}" for text in lacking)]
        write_aside("\n".join(listed))
        sys.stderr.write("Mend it (y), or leave everything as it is (n)? ")
        sys.stderr.flush()
        return sys.stdin.readline().strip().lower()[:1] == "y"

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
        count_words(report.counts.get(table, 0), *forms)
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
        ("Held by the old files, and not so in the mended book", report.lacking),
        ("Worth knowing", report.remarks),
    )  # fmt: skip
    for title, texts in parts:
        if texts:
            lines += ["", f" {title}"]
        for text in texts:
            lines += wrap(text, screen.columns - 1, "  · ", "    ")
    if report.lacking and not report.mended:
        again = "Nothing was changed. To mend it all the same: drawdown book check --repair --yes"
        lines += ["", *paragraph(again, screen)]
    elif report.faults and not repair:
        lines += ["", *paragraph("Mend it with: drawdown book check --repair", screen)]
    return "\n".join(lines)
