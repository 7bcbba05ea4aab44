"""What can go wrong with the book's file, explained (exit code 6)."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from calibration.errors import BadFile

REPAIR = "run: `repair_book` (with `book` if the book is not in its usual place)"
_UNCHANGED = "nothing in the book was changed"


class Damaged(BadFile):
    """The book's file is not whole; repairing can mend it."""


def damaged(folder: Path, detail: str) -> Damaged:
    return Damaged(
        f"the book in {folder} is damaged ({detail})",
        "what is read from it could be wrong, so nothing was read; the diary beside it holds "
        "everything a second time",
        REPAIR,
    )


def nonsense(table: str, column: str) -> Damaged:
    return Damaged(
        f"the book is damaged: the {column} of a {table} in it makes no sense",
        "what is read from it could be wrong, so nothing was read",
        REPAIR,
    )


def foreign_diary(folder: Path) -> Damaged:
    return Damaged(
        f"the diary in {folder} belongs to another book",
        "diary and book must agree, or neither could mend the other",
        f"put the right diary back, or {REPAIR}",
    )


def two_histories(folder: Path) -> Damaged:
    return Damaged(
        f"the book in {folder} has two histories: its database and its diary each hold changes "
        "that the other does not know",
        "the folder was copied or synchronized and both copies were written in, or files of two "
        "copies were mixed; nothing was changed, so that neither history is lost",
        f"{REPAIR}: it keeps the database and makes a second book of the diary, which you can "
        "open, export and take in with `import_book`",
    )


# What a database error of these kinds means: what is seen ({} is the folder), why it matters and
# what to do.
_ERRORS = (
    (("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_PROTOCOL"),
     "the book in {} is being written by another program, and it did not finish",
     f"two writers at once would spoil it; {_UNCHANGED}",
     "wait until the other program is done, then try again"),
    (("SQLITE_FULL",),
     "the disk that holds the book in {} is full",
     f"{_UNCHANGED}, and all that was kept before is safe",
     "make room on the disk, then try again"),
    (("SQLITE_CANTOPEN",),
     "the book in {} cannot be opened",
     "the folder is closed to you, is not on this disk any more, or holds no book",
     "check the folder and its permissions, or give another with `book`"),
    (("SQLITE_IOERR",),
     "the disk failed while the book in {} was read or written",
     f"the disk may be full, failing or on a network; {_UNCHANGED}",
     "make room, see that the disk is well, then run: `check_book`"),
    (("",), "the book in {} could not be used", _UNCHANGED, "run: `check_book`"),
)  # fmt: skip
_DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_CONSTRAINT_D")


def explained(error: sqlite3.Error, folder: Path) -> BadFile:
    """A database error as one that a person can act on."""
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_AUTH")):
        return no_permission(folder)
    gone = isinstance(error, sqlite3.OperationalError) and "no such" in str(error)
    if name.startswith(_DAMAGE) or gone:
        return damaged(folder, str(error))
    seen, why, todo = next(words for kinds, *words in _ERRORS if name.startswith(kinds))
    return BadFile(f"{seen.format(folder)} ({error})", why, todo)


def is_busy(error: Exception) -> bool:
    """True when another program holds the database."""
    return str(getattr(error, "sqlite_errorname", "")).startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))


def no_permission(folder: Path) -> BadFile:
    return BadFile(
        f"there is no permission to write in the book's folder {folder}",
        _UNCHANGED,
        "use an account that may write there, or give another folder with `book`",
    )


def replaced(folder: Path) -> BadFile:
    return BadFile(
        f"the book in {folder} was mended or replaced by another program",
        f"this program still had the old one open; {_UNCHANGED}",
        "give the command again",
    )


def newer(folder: Path, version: int, ours: int) -> BadFile:
    return BadFile(
        f"the book in {folder} was written by a newer drawdown (book version {version}; this "
        f"one knows up to {ours})",
        "writing it with this version could lose what the newer one keeps",
        "bring drawdown up to date on this computer",
    )


def no_book(folder: Path) -> BadFile:
    return BadFile(
        f"there is no book in {folder}",
        "so there is nothing to show",
        "say where the book is with `book`, or keep a first original: `keep_in_book` photo.jpg "
        '`name` "Tide blue"',
    )


@contextmanager
def explaining(folder: Path) -> Iterator[None]:
    """Within it, errors of the database and of the disk come out explained."""
    try:
        yield
    except sqlite3.Error as error:
        raise explained(error, folder) from error
    except PermissionError as error:
        raise no_permission(folder) from error
    except OSError as error:
        raise BadFile(
            f"the book in {folder} could not be read or written ({error.strerror or error})",
            _UNCHANGED,
            "see that the disk has room and the folder can be written, then try again",
        ) from error
