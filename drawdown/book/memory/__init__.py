"""What is known of the inks when a photo is read: from the batches in the book."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import BadFile
from drawdown.flags import LEARNT_UNREADABLE, Flag
from drawdown.studio.locations import BOOK_FILE, own_shelf

if TYPE_CHECKING:
    from drawdown.ink.prior import Knowledge
    from drawdown.studio.shelf_file import ShelfInUse


def knowledge_at(folder: Path, used: ShelfInUse) -> tuple[Knowledge | None, tuple[Flag, ...], str]:
    """What the batches of the book in ``folder``, if there is one, have taught of a shelf's inks;
    a remark where it cannot be read; and what was taken over of an earlier memory, in words."""
    earlier = earlier_memory(used)
    if not earlier.exists() and not (folder / BOOK_FILE).exists():
        return None, (), ""  # the ordinary first day: the book's rooms need not be loaded
    from drawdown.book.memory.earlier import take_over
    from drawdown.book.memory.learning import learnt, stories
    from drawdown.book.opening import open_book

    try:
        told = ""
        if earlier.exists():
            with open_book(folder, create=True) as book:
                count = take_over(book, earlier, used.shelf)
            told = f"What {count} batch{'es' if count != 1 else ''} taught is in the book now."
        with open_book(folder) as book:
            found = [story for _, story in stories(book, used.shelf)]
        return learnt(found, used.shelf, folder), (), told
    except BadFile as problem:
        return None, (LEARNT_UNREADABLE(problem.seen),), ""


def earlier_memory(used: ShelfInUse) -> Path:
    """Where versions before kept the batches of a shelf."""
    if used.path is None:
        return own_shelf().with_name("starter.learnt.json")
    return Path(used.path).with_name(f"{Path(used.path).stem}.learnt.json")
