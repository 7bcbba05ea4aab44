"""``drawdown undo``: the last change is taken back, whichever it was."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated

from drawdown.commands.support import book_options as book_opt
from drawdown.commands.support import options as opt

Step = tuple[float, str, Callable[[], str]]  # when the change was made, of what, how to step


def undo(
    redo: Annotated[bool, opt.flag("Redo what undo took back last.", "--redo")] = False,
    shelf: opt.ShelfKept = None,
    book: book_opt.BookFolder = None,
    json: opt.AsJson = False,
) -> int:
    """Take back the last change: of the book, the shelf or drying pairs."""
    from drawdown.commands.book.frame import tell

    steps = [] if shelf is not None else _of_book(book, redo)
    steps += [] if book is not None else _of_files(shelf, redo)
    if not steps:
        said = f" There is nothing to {'make again' if redo else 'take back'}."
        return tell(json, "undo", {"what": None, "of": None, "redo": redo}, lambda _: said)
    _, place, step = max(steps, key=lambda one: one[0])
    what = step()
    back = "drawdown undo" if redo else "drawdown undo --redo"
    return tell(
        json, "undo", {"what": what, "of": place, "redo": redo},
        lambda _: f" {'Made again' if redo else 'Taken back'}: {what}.",
        f"`{back}` turns that round.",
    )  # fmt: skip


def _of_book(said: Path | None, redo: bool) -> list[Step]:
    """The book's own last change, if there is a book and a change."""
    folder = book_opt.folder_of(said)
    from drawdown.book import open_book
    from drawdown.book.store import list_changes
    from drawdown.studio.locations import BOOK_FILE

    if said is None and not (folder / BOOK_FILE).exists():
        return []
    with open_book(folder) as book:
        wanted = "undone" if redo else "done"
        found = next((c for c in list_changes(book) if c.state == wanted), None)
    if found is None:
        return []

    def step() -> str:
        with open_book(folder, write=True) as book:
            return str(book.redo() if redo else book.undo())

    at = datetime.fromisoformat(found.at).timestamp()
    written = (folder / BOOK_FILE).stat().st_mtime  # finer than the second that the change notes
    return [(written if redo or int(written) == int(at) else at, "book", step)]


def _of_files(shelf: Path | None, redo: bool) -> list[Step]:
    """The last change of the shelf and that of the pairs of drying."""
    from drawdown.studio.drying_file import own_drying, step_pairs
    from drawdown.studio.last_change import changed_at
    from drawdown.studio.shelf_file import shelf_to_change, step_shelf

    def pairs() -> str:
        step_pairs(redo=redo)
        return "a change of the pairs of wet and dry"

    path = Path(os.path.realpath(shelf_to_change(shelf)))
    files = (
        (path, "shelf", lambda: step_shelf(path, redo=redo)),
        (own_drying(), "drying", pairs),
    )
    found = [(changed_at(file, redo=redo), place, step) for file, place, step in files]
    return [(at, place, step) for at, place, step in found if at is not None]
