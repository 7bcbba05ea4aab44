"""``drawdown ink list``: what is on the shelf in use, where its figures come from, and what
batches have taught of the inks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from drawdown.commands.support import options as opt
from drawdown.commands.support.book_options import BookFolder, folder_of
from drawdown.commands.support.output import deliver
from drawdown.report.text.terminal import write_aside


def list_inks(
    full: Annotated[bool, opt.flag("With other names and all cautions.", "--full")] = False,
    learnt: Annotated[
        bool, opt.flag("What batches in the book have taught about your inks.", "--learnt")
    ] = False,
    write: Annotated[
        Path | None, opt.option("OUT.toml", "Also write the shelf to a file to edit.")
    ] = None,
    replace: opt.Replace = False,
    shelf: opt.ShelfInUse = None,
    book: BookFolder = None,
    json: opt.AsJson = False,
) -> int:
    """List the inks on the shelf, and what their figures rest on."""
    opt.check_out(write, (".toml",), replace)
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    if write is not None:
        from drawdown.ink.shelf_writing import write_shelf

        write_shelf(used.shelf, write)
        write_aside(f"Written to {write}: keep the inks you own, and use it with --shelf.")
    if learnt:
        from drawdown.book import open_book
        from drawdown.book.memory import knowledge_at
        from drawdown.book.memory.learning import stories
        from drawdown.matching.learn import turned_out
        from drawdown.report.json.studio import learnt_json
        from drawdown.report.text.learnt import learnt_screen
        from drawdown.studio.locations import BOOK_FILE

        folder = folder_of(book)
        knowledge, remarks, told = knowledge_at(folder, used)
        taught = ()
        if (folder / BOOK_FILE).exists() and not remarks:
            with open_book(folder) as opened:
                taught = tuple(story for _, story in stories(opened, used.shelf))
        if told or remarks:
            write_aside(told or remarks[0].text)
        inks = turned_out(used.shelf, knowledge)
        return deliver(json, (taught, inks, folder), learnt_json, learnt_screen)
    from drawdown.report.json.ink import shelf_json
    from drawdown.report.text.ink import catalogue_screen, shelf_screen

    return deliver(json, (used,), shelf_json, catalogue_screen if full else shelf_screen)
