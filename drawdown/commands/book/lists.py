"""``drawdown book list``, ``show``, ``batches``, ``packets`` and ``log``: what is there."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared

ORIGINAL_SORTS = ("name", "date", "edition", "paper", "lightness", "chroma", "hue")
BATCH_SORTS = ("name", "date", "grams")
PACKET_SORTS = ("name", "date", "grams", "place")


def list_(
    text: opt.SearchText = "",
    edition: Annotated[
        str,
        typer.Option(metavar="TEXT", autocompletion=opt.editions, help="Only of this edition."),
    ] = "",
    paper: Annotated[str, typer.Option(metavar="TEXT", help="Only on this paper.")] = "",
    ink: Annotated[
        str,
        typer.Option(metavar="INK", autocompletion=shared.plain_inks, help="Only with this ink."),
    ] = "",
    wet: Annotated[bool, typer.Option("--wet", help="Only those read wet.")] = False,
    dry: Annotated[bool, typer.Option("--dry", help="Only those read dry.")] = False,
    since: opt.Since = None,
    until: opt.Until = None,
    sort: Annotated[
        str,
        typer.Option(metavar="BY", help=f"By {', '.join(ORIGINAL_SORTS)}.",
                     autocompletion=lambda: list(ORIGINAL_SORTS)),
    ] = "name",
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    removed: opt.Removed = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """List the kept originals."""
    opt.check_sort(sort, ORIGINAL_SORTS)
    opt.check_most(most)
    first, last = opt.check_days(since, until)
    from drawdown.book import open_book
    from drawdown.book.originals import Wanted, list_originals
    from drawdown.report.json.book import dump_book, original_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import originals_screen

    state = None if wet == dry else "wet" if wet else "dry"
    wanted = Wanted(text, edition, paper, ink, state, first, last, removed)
    with open_book(opt.folder_of(book)) as opened:
        found = list_originals(opened, wanted, sort, reverse)
    shown = len(found) if most is None else most
    if json:
        rows = [original_data(o) for o in found[:shown]]
        terminal.write_result(dump_book("originals", {"found": len(found), "originals": rows}))
    else:
        terminal.write_result(originals_screen(found, shown, terminal.screen(sys.stdout)))
    return 0


def show(name: opt.Kept, book: opt.BookFolder = None, json: shared.AsJson = False) -> int:
    """Show one kept original with its recipes."""
    from drawdown.book import open_book
    from drawdown.book.originals import find_original, recipes_of
    from drawdown.report.json.book import dump_book, original_data, photo_path
    from drawdown.report.text import terminal
    from drawdown.report.text.book import original_screen

    with open_book(opt.folder_of(book)) as opened:
        found = find_original(opened, name)
        recipes = recipes_of(opened, found.id)
        if json:
            terminal.write_result(dump_book("original", original_data(found, opened, recipes)))
            return 0
        path = photo_path(opened, found.reading.photo) if found.reading else None
    terminal.write_result(original_screen(found, recipes, path, terminal.screen(sys.stdout)))
    return 0


def batches(
    text: opt.SearchText = "",
    kept: Annotated[
        str | None,
        typer.Option(
            "--kept", metavar="NAME", autocompletion=opt.originals,
            help="Only those mixed towards this original.",
        ),
    ] = None,
    since: opt.Since = None,
    until: opt.Until = None,
    sort: Annotated[
        str,
        typer.Option(metavar="BY", help=f"By {', '.join(BATCH_SORTS)}.",
                     autocompletion=lambda: list(BATCH_SORTS)),
    ] = "date",
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    removed: opt.Removed = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """List the batches that were logged."""
    opt.check_sort(sort, BATCH_SORTS)
    opt.check_most(most)
    first, last = opt.check_days(since, until)
    from drawdown.book import open_book
    from drawdown.book.batches import list_batches
    from drawdown.book.originals import find_original
    from drawdown.report.json.book import batch_data, dump_book, original_names
    from drawdown.report.text import terminal
    from drawdown.report.text.book import batches_screen

    with open_book(opt.folder_of(book)) as opened:
        found = list_batches(
            opened, text=text, since=first, until=last, removed=removed, sort=sort,
            original=find_original(opened, kept).id if kept else None, reverse=reverse,
        )  # fmt: skip
        names = original_names(opened)
    shown = len(found) if most is None else most
    if json:
        rows = [batch_data(b, names) for b in found[:shown]]
        terminal.write_result(dump_book("batches", {"found": len(found), "batches": rows}))
    else:
        terminal.write_result(batches_screen(found, names, shown, terminal.screen(sys.stdout)))
    return 0


def packets(
    text: opt.SearchText = "",
    where: Annotated[str, typer.Option(metavar="TEXT", help="Only those kept there.")] = "",
    ink: Annotated[
        str,
        typer.Option(metavar="INK", autocompletion=shared.plain_inks, help="Only with this ink."),
    ] = "",
    since: opt.Since = None,
    until: opt.Until = None,
    used_up: Annotated[
        bool, typer.Option("--used-up", help="Those that are used up, too.")
    ] = False,
    sort: Annotated[
        str,
        typer.Option(metavar="BY", help=f"By {', '.join(PACKET_SORTS)}.",
                     autocompletion=lambda: list(PACKET_SORTS)),
    ] = "date",
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    removed: opt.Removed = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """List the packets of ink put by, the oldest first."""
    opt.check_sort(sort, PACKET_SORTS)
    opt.check_most(most)
    first, last = opt.check_days(since, until)
    from drawdown.book import open_book
    from drawdown.book.packets import list_packets
    from drawdown.report.json.book import dump_book, original_names, packet_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import packets_screen

    with open_book(opt.folder_of(book)) as opened:
        found = list_packets(
            opened, text=text, place=where, ink=ink, since=first, until=last, used_up=used_up,
            removed=removed, sort=sort, reverse=reverse,
        )  # fmt: skip
        names = original_names(opened)
    shown = len(found) if most is None else most
    if json:
        rows = [packet_data(p, names) for p in found[:shown]]
        terminal.write_result(dump_book("packets", {"found": len(found), "packets": rows}))
    else:
        terminal.write_result(packets_screen(found, names, shown, terminal.screen(sys.stdout)))
    return 0


def log(
    text: opt.SearchText = "",
    since: opt.Since = None,
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """List what was changed in the book, the newest first."""
    opt.check_most(most)
    first, _ = opt.check_days(since)
    from drawdown.book import open_book
    from drawdown.book.store import list_changes
    from drawdown.report.json.book import change_data, dump_book
    from drawdown.report.text import terminal
    from drawdown.report.text.book import changes_screen

    with open_book(opt.folder_of(book)) as opened:
        found = list_changes(opened, text=text, since=first, limit=most)
    found = found[::-1] if reverse else found
    if json:
        terminal.write_result(dump_book("changes", {"changes": [change_data(d) for d in found]}))
    else:
        terminal.write_result(changes_screen(found, terminal.screen(sys.stdout)))
    return 0
