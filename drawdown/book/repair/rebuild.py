"""Reading a book's database and diary as far as they can be read, and making the database anew
from them."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.errors import BadFile
from calibration.files import sync_folder
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import EARLIER, Diary, Row, earlier_rows
from drawdown.book.opening import connect, open_book
from drawdown.book.store import DIARY, aside_folder, now, put_row, read_row
from drawdown.studio.locations import BOOK_FILE

Key = tuple[str, int]
Rows = dict[Key, Any]
INNER = ("setting", "change", "change_row", "mark")  # what is no record of the studio's
LOG, DIARIES = (BOOK_FILE + "-wal", BOOK_FILE + "-shm"), (DIARY, EARLIER)


@dataclass
class Source:
    """A database or a diary as far as it can be read. ``rows`` holds whole rows, or a digest of
    each; ``marks`` those of the changes that it knows of, the last one last; ``book`` None
    when not even the book's id can be read."""

    rows: Rows = field(default_factory=dict)
    marks: list[str] = field(default_factory=list)
    book: str | None = None
    faults: list[str] = field(default_factory=list)

    def knows(self, other: Source) -> bool:
        """True when the other holds no change that this one does not know."""
        return bool(other.marks) and other.marks[-1] in self.marks


def digest(row: Row) -> bytes:
    """16 bytes that tell one row from another."""
    return hashlib.blake2b(repr(sorted(row.items())).encode(), digest_size=16).digest()


def read_both(folder: Path, keep: Callable[[Row], Any] = digest) -> tuple[Source, Source]:
    """The database and the diary at one moment; of each row what ``keep`` makes of it. Raises
    ``BadFile`` for what a newer version wrote."""
    with _locked(folder) as db:
        found, told = _read_database(folder, db, keep), _read_diary(folder, keep)
    if None not in (found.book, told.book) and found.book != told.book:
        told = Source(faults=["the diary belongs to another book"])
    return found, told


@contextmanager
def _locked(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """The database, with no other program writing in it, unless it is too damaged to be locked;
    None where there is none."""
    file = folder / BOOK_FILE
    if not file.exists():
        yield None
        return
    writable = os.access(folder, os.W_OK) and os.access(file, os.W_OK)
    db = connect(file, writable)
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    try:
        with _unless_busy([]):
            db.execute("BEGIN IMMEDIATE" if writable else "BEGIN")
        yield db
    finally:
        with suppress(sqlite3.Error):
            db.execute("ROLLBACK")
        db.close()


@contextmanager
def _unless_busy(faults: list[str]) -> Iterator[None]:
    """A database that cannot be read is a fault; one that is in use is reported as such."""
    try:
        yield
    except (sqlite3.Error, ValueError, TypeError) as error:
        if problems.is_busy(error):
            raise
        faults.append(f"the database cannot be read ({error})")


def _read_diary(folder: Path, keep: Callable[[Row], Any]) -> Source:
    diary = Diary(folder / DIARY)
    index = diary.index()
    if index.version > schema.VERSION:
        raise problems.newer(folder, index.version, schema.VERSION)
    found = Source(book=index.book)
    # Half a change at the end was never promised to anyone.
    told = diary.rows(0, index.changes[-1].end if index.whole else None)
    if not diary.path.exists():
        told = (row for _, row in earlier_rows(folder / EARLIER))
        earlier = (folder / EARLIER).exists()
        found.faults.append(f"the diary is {'of an earlier version' if earlier else 'missing'}")
    elif not index.whole:
        found.faults.append("parts of the diary are missing or cannot be read")
    for one in told:
        if one is None:
            continue
        table, row_id, row = one
        if row is None:
            found.rows.pop((table, row_id), None)
        elif table == "mark":
            found.marks.append(str(row.get("mark")))
        else:
            found.rows[table, row_id] = keep(row)
            if table == "setting" and row.get("name") == "book":
                found.book = row["value"]
    found.marks += [change.mark for change in index.changes]
    return found


def _read_database(
    folder: Path, db: sqlite3.Connection | None, keep: Callable[[Row], Any]
) -> Source:
    found = Source()
    if db is None:
        found.faults.append(f"{BOOK_FILE} is missing")
        return found
    with _unless_busy(found.faults):
        version = schema.version_of(db)
        if version > schema.VERSION:
            raise problems.newer(folder, version, schema.VERSION)
        for table in schema.TABLES:
            if schema.columns(db, table):
                found.faults += _read_table(db, table, found, keep)
            elif version == schema.VERSION or table == "original":
                found.faults.append(f"the table {table} is missing")
        said = [row[0] for row in db.execute("PRAGMA integrity_check(20)")]
        found.faults += [f"the database says: {text}" for text in said if text != "ok"]
        broken = len(db.execute("PRAGMA foreign_key_check").fetchall())
        if broken:
            found.faults.append(f"{broken} rows point to something that is not there")
    return found


def _read_table(
    db: sqlite3.Connection, table: str, found: Source, keep: Callable[[Row], Any]
) -> list[str]:
    """Rows of one table; when a page is bad, from both ends and then each by its number."""
    marks: dict[int, str] = {}

    def take(row: Row) -> None:
        found.rows[table, int(row["id"])] = keep(row)
        if table == "mark":
            marks[int(row["id"])] = row["mark"]
        if table == "setting" and row.get("name") == "book":
            found.book = row["value"]

    faults: list[str] = []
    for order in ("ASC", "DESC"):
        with _unless_busy(faults):
            for row in db.execute(f'SELECT * FROM "{table}" ORDER BY id {order}'):
                take(dict(row))
        if not faults:
            break
    if faults:
        top = max((row_id for name, row_id in found.rows if name == table), default=0)
        for row_id in range(1, top):
            if (table, row_id) not in found.rows:
                with _unless_busy([]):
                    row = read_row(db, table, row_id)
                    if row is not None:
                        take(row)
    found.marks += [marks[number] for number in sorted(marks)]
    for number in marks:
        del found.rows["mark", number]
    return faults[:1]


# Making it anew ------------------------------------------------------------------------------


def together(found: Source, told: Source, *, healthy: bool) -> tuple[Rows, list[Source]]:
    """The rows that database (``found``) and diary (``told``) make together, and which of the two
    may hold what is not among them. Two histories are not mixed: a ``healthy`` database stays,
    else a whole diary counts; of two damaged ones each gives what it still holds."""
    level = found.marks[-1:] == told.marks[-1:]
    diary_older = found.knows(told) and not level
    diary_newer = told.knows(found) and not level
    if healthy:
        rows = found.rows
    elif not told.faults and not diary_older:
        rows = told.rows
    elif diary_newer:
        rows = found.rows | told.rows
    else:  # of a damaged diary a row's last line may be missing
        rows = told.rows | found.rows
    sources = [] if diary_newer and not told.faults else [found]
    return rows, sources if diary_older or (healthy and level) else [*sources, told]


def build(file: Path, rows: Rows, marks: Iterable[str], book: str | None) -> dict[Key, Row]:
    """Write a new database of these rows; returns those that would not go in so, and ``rows`` has
    them as they did. Raises ``BadFile`` and OSError."""
    for ending in ("", "-wal", "-shm", "-journal"):
        file.with_name(file.name + ending).unlink(missing_ok=True)
    os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
    left: dict[Key, Row] = {}
    order = {table: place for place, table in enumerate(schema.TABLES)}
    with closing(sqlite3.connect(file, isolation_level=None)) as db:
        db.row_factory = sqlite3.Row
        db.execute("PRAGMA synchronous = FULL")
        db.execute("BEGIN IMMEDIATE")
        schema.bring_up_to_date(db)
        for key in sorted(rows, key=lambda key: (order.get(key[0], 99), key[1])):
            try:
                put_row(db, *key, rows[key])
            except (sqlite3.Error, KeyError) as error:
                name = str(getattr(error, "sqlite_errorname", ""))
                if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
                    raise
                left[key] = rows[key]
        for key in _drop_dangling(db):
            left.setdefault(key, rows[key])
        for key in left:
            rows[key] = read_row(db, *key) if key[0] in schema.TABLES else None
        schema.fill_colours(db)
        db.execute("DELETE FROM setting WHERE name = 'changes'")
        for name, value in (("book", book or uuid.uuid4().hex), ("made", now())):
            db.execute("INSERT OR IGNORE INTO setting (name, value) VALUES (?, ?)", (name, value))
        for mark in dict.fromkeys((*marks, uuid.uuid4().hex)):
            db.execute("INSERT INTO mark (mark) VALUES (?)", (mark,))
        db.execute("COMMIT")
        said = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if said != "ok":
        raise BadFile(
            f"the book made anew is not whole either ({said})",
            "so the old files were left as they are",
            "see that the disk is well, then try again",
        )
    return left


def _drop_dangling(db: sqlite3.Connection) -> list[Key]:
    """Rows that point to a row that is gone: the pointer is emptied where that is allowed,
    else the row is left out. Returns which."""
    left: list[Key] = []
    while broken := db.execute("PRAGMA foreign_key_check").fetchall():
        for table, row_id, _, key in (tuple(row)[:4] for row in broken):
            keys = db.execute(f'PRAGMA foreign_key_list("{table}")')
            column = next(row[3] for row in keys if row[0] == key)
            try:
                db.execute(f'UPDATE "{table}" SET "{column}" = NULL WHERE id = ?', (row_id,))
            except sqlite3.IntegrityError:
                db.execute(f'DELETE FROM "{table}" WHERE id = ?', (row_id,))
            left.append((table, row_id))
    return left


def put_in_place(folder: Path, file: Path) -> Path:
    """The new database in the old one's place; returns the folder where copies of the old files
    lie."""
    aside = aside_folder(folder)
    for name in (BOOK_FILE, *LOG, *DIARIES):
        if (folder / name).exists():
            shutil.copy2(folder / name, aside / name)
    sync_folder(aside)
    for name in LOG:  # frames of the old log must never be taken for the new database's
        (folder / name).unlink(missing_ok=True)
    os.replace(file, folder / BOOK_FILE)
    sync_folder(folder)
    for name in DIARIES:
        (folder / name).unlink(missing_ok=True)
    open_book(folder, write=True).close()  # writes the diary afresh
    return aside


def second_book(folder: Path, told: Source) -> Path:
    """What the diary alone tells, as a book of its own; returns its folder."""
    other = aside_folder(folder, "histories")
    build(other / BOOK_FILE, dict(told.rows), told.marks, told.book)
    if (folder / "photos").is_dir():
        shutil.copytree(folder / "photos", other / "photos", copy_function=_link)
    open_book(other, write=True).close()
    return other


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:  # some file systems cannot
        shutil.copy2(source, target)
