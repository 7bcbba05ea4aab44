"""The open book: changing it in one piece, undoing, and its changes as a list.

    with open_book(folder, create=True) as book, book.change("kept tide blue") as change:
        row_id = change.insert("original", {"name": ...})

Leaving the block commits: on the disk when it returns, or not at all. Two programs may hold the
same book: one writes at a time, the other waits.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from calibration.files import private_folder, recorded
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import EARLIER, Diary, Row, RowTold, data_of, text_of
from drawdown.book.photos import PhotoStore, Stored
from drawdown.studio.locations import BOOK_FILE

DIARY = "diary.jsonl.gz"
BEFORE = "before"  # the folder of what an earlier version left


def now() -> str:
    """The time, UTC, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Change:
    """One change of the book, in the making: what is inserted and updated here is committed
    together, can be undone together, and goes into the diary as one line."""

    def __init__(self, db: sqlite3.Connection, change_id: int | None) -> None:
        self._db = db
        self._id = change_id
        self.touched: dict[tuple[str, int], None] = {}

    def insert(self, table: str, row: Row, *, undoable: bool = True) -> int:
        """Add a row; returns its id."""
        return self.put(table, None, row, undoable=undoable)

    def update(self, table: str, row_id: int, values: Row) -> None:
        """Set some columns of one row."""
        was = read_row(self._db, table, row_id)
        if was is None:
            raise KeyError(f"{table} {row_id}")
        self.put(table, row_id, was | values, was)

    def put(
        self, table: str, row_id: int | None, row: Row | None, was: Row | None = None, *,
        undoable: bool = True,
    ) -> int:  # fmt: skip
        """Make one row what it is said to be, a new one without an id; None takes it away.
        Returns its id."""
        strange = (row or {}).keys() - set(schema.TABLES[table].names)
        if strange:
            raise KeyError(f"{table} has no {min(strange)}")
        row_id = put_row(self._db, table, row_id, row)
        self.touched[table, row_id] = None
        if undoable and self._id is not None:
            text = None if was is None else text_of(was)
            note = {"change": self._id, "tab": table, "row": row_id, "was": text}
            self.touched["change_row", put_row(self._db, "change_row", None, note)] = None
        return row_id

    def photo(self, stored: Stored) -> int:
        """The id of a stored photo's row. Undoing a change leaves the photo in the book."""
        found = self._db.execute(
            "SELECT id FROM photo WHERE sha256 = ?", (stored.sha256,)
        ).fetchone()
        if found is not None:
            return int(found[0])
        return self.insert("photo", vars(stored) | {"added_at": now()}, undoable=False)


def _known(table: str) -> str:
    if table not in schema.TABLES:
        raise KeyError(table)
    return table


def read_row(db: sqlite3.Connection, table: str, row_id: int) -> Row | None:
    """One row as a dictionary, or None."""
    found = db.execute(f'SELECT * FROM "{_known(table)}" WHERE id = ?', (row_id,)).fetchone()
    return None if found is None else dict(found)


def put_row(db: sqlite3.Connection, table: str, row_id: int | None, row: Row | None) -> int:
    """Insert or replace one row, without columns that the table does not know; None takes it
    away. Returns its id, a new one where none is given."""
    if row is None:
        db.execute(f'DELETE FROM "{_known(table)}" WHERE id = ?', (row_id,))
        return row_id or 0
    known = schema.TABLES[_known(table)].names
    row = {name: row[name] for name in known if name in row} | {"id": row_id}
    names = ", ".join(f'"{name}"' for name in row)
    pairs = ", ".join(f'"{name}" = excluded."{name}"' for name in row)
    marks = ", ".join("?" * len(row))
    cursor = db.execute(
        f'INSERT INTO "{table}" ({names}) VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET {pairs}',
        tuple(row.values()),
    )
    return int(cursor.lastrowid or 0) if row_id is None else row_id


def every_row(db: sqlite3.Connection) -> Iterator[RowTold]:
    for table in schema.TABLES:
        for row in db.execute(f'SELECT * FROM "{table}"'):
            yield table, int(row["id"]), dict(row)


def last_change(db: sqlite3.Connection) -> tuple[int, str]:
    """The number of the last change and its mark."""
    found = db.execute("SELECT id, mark FROM mark ORDER BY id DESC LIMIT 1").fetchone()
    return int(found[0]), str(found[1])


def aside_folder(folder: Path, kind: str = "damaged") -> Path:
    """A new folder for what is taken out of use."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    return private_folder(private_folder(folder / kind) / stamp)


def _identity(file: Path) -> tuple[int, int]:
    """What tells a file from another that took its name."""
    found = os.stat(file)
    return found.st_dev, found.st_ino


class Book:
    """An open book. Use ``open_book``; close it, or use it in a ``with``."""

    def __init__(self, folder: Path, db: sqlite3.Connection, writable: bool) -> None:
        self.folder = folder
        self.db = db
        self.writable = writable
        self._file = _identity(folder / BOOK_FILE)
        self.photos = PhotoStore(folder)
        self.diary = Diary(folder / DIARY)
        self.healed: list[str] = []  # what a stopped program left undone, and opening mended

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        with suppress(sqlite3.Error):
            self.db.close()

    def rows(self, sql: str, parameters: tuple = ()) -> list[sqlite3.Row]:
        """The rows of a query; errors come out explained."""
        with problems.explaining(self.folder):
            return self.db.execute(sql, parameters).fetchall()

    def setting(self, name: str) -> str | None:
        found = self.rows("SELECT value FROM setting WHERE name = ?", (name,))
        return found[0]["value"] if found else None

    # Changing ----------------------------------------------------------------------------

    @contextmanager
    def change(self, what: str) -> Iterator[Change]:
        """One change, called ``what`` in the log. Nothing is changed when the block raises.
        Raises ``BadFile`` when the book cannot be written."""
        with self._writing():
            dropped = self.db.execute("SELECT id FROM change WHERE state = 'undone'").fetchall()
            self.db.execute("UPDATE change SET state = 'dropped' WHERE state = 'undone'")
            number = put_row(self.db, "change", None, {"at": now(), "what": what, "state": "done"})
            change = Change(self.db, number)
            change.touched |= {("change", row[0]): None for row in [(number,), *dropped]}
            yield change
            self._write_down(what, change)
        recorded.append(what)

    def undo(self, only: int | None = None) -> str | None:
        """Take back the last change; returns what it was, None when there is none. ``only``: where
        that is the last one, else nothing is taken back."""
        return self._swap("done", "undone", "DESC", "undone: ", only)

    def redo(self) -> str | None:
        """Do again what was undone last; None when there is nothing."""
        return self._swap("undone", "done", "ASC", "done again: ")

    def _swap(
        self, state: str, new_state: str, order: str, prefix: str, only: int | None = None
    ) -> str | None:
        with self._writing():
            found = self.db.execute(
                f"SELECT * FROM change WHERE state = ? ORDER BY id {order} LIMIT 1", (state,)
            ).fetchone()
            if found is None or only not in (None, found["id"]):
                return None
            change = Change(self.db, None)
            steps = self.db.execute(
                f"SELECT * FROM change_row WHERE change = ? ORDER BY id {order}", (found["id"],)
            ).fetchall()
            for step in steps:
                current = read_row(self.db, step["tab"], step["row"])
                was = None if step["was"] is None else data_of(step["was"])
                change.put(step["tab"], step["row"], was)
                text = None if current is None else text_of(current)
                self.db.execute("UPDATE change_row SET was = ? WHERE id = ?", (text, step["id"]))
                change.touched["change_row", step["id"]] = None
            self.db.execute("UPDATE change SET state = ? WHERE id = ?", (new_state, found["id"]))
            change.touched["change", found["id"]] = None
            self._write_down(prefix + found["what"], change)
        recorded.append(prefix + found["what"])
        return found["what"]

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """The writing lock, diary and database held together. Commits at the end."""
        if not self.writable:
            raise problems.no_permission(self.folder)
        length: int | None = None
        with problems.explaining(self.folder):
            self.db.execute("BEGIN IMMEDIATE")
            try:
                self.db.execute("PRAGMA defer_foreign_keys = ON")
                if _identity(self.folder / BOOK_FILE) != self._file:
                    raise problems.replaced(self.folder)
                self._catch_up()
                length = self.diary.path.stat().st_size
                yield
                self.db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.db.execute("ROLLBACK")
                if length is not None:
                    self.diary.cut(length)
                raise

    def _write_down(self, what: str, change: Change) -> None:
        rows = ((t, i, read_row(self.db, t, i)) for t, i in change.touched)
        number, after = last_change(self.db)
        self._note_mark(self.diary.append(number + 1, now(), what, after, rows))

    def _note_mark(self, mark: str) -> None:
        self.db.execute("INSERT INTO mark (mark) VALUES (?)", (mark,))

    # Diary and database held together ------------------------------------------------------

    def behind(self) -> bool:
        """True when diary and database are not at the same change. A writer at work in
        another program looks so for a moment; under the writing lock it is certain."""
        with problems.explaining(self.folder):
            return self.diary.last_mark() != last_change(self.db)[1]

    def catch_up(self) -> None:
        """Bring diary and database together; raises ``BadFile``."""
        with self._writing():
            pass

    def _catch_up(self) -> None:
        """Under the writing lock: roll the database forward to the diary where the diary goes on
        from its last change; write the diary afresh where it is missing or tells nothing that
        the database does not know; else refuse, for there are two histories."""
        number, mark = last_change(self.db)
        if self.diary.last_mark() == mark:
            return
        told = self.diary.index()
        if told.book is not None and told.book != self.setting("book"):
            raise problems.foreign_diary(self.folder)
        for change in told.changes:
            if change.after == mark:
                for away in (True, False):  # first away with them all: names may have changed hands
                    for table, row_id, row in filter(
                        None, self.diary.rows(change.start, change.end)
                    ):
                        put_row(self.db, table, row_id, None if away else row)
                self._note_mark(change.mark)
                number, mark = number + 1, change.mark
                self.healed.append(f'the diary knew of "{change.what}", and now the book does too')
        last = told.changes[-1] if told.changes else None
        if last is not None and last.mark == mark:
            self.diary.cut(last.end)
            self.healed = self.healed or [
                "half a change was taken out of the diary: a program was stopped while writing it, "
                "before it said that anything was kept"
            ]
            return
        known = {row[0] for row in self.db.execute("SELECT mark FROM mark")}
        if last is not None and last.mark not in known:
            raise problems.two_histories(self.folder)
        self._begin_diary(number, mark, set_aside=last is None)
        if number:
            self.healed.append("the diary was written afresh from the database")

    def _begin_diary(self, number: int, mark: str, *, set_aside: bool) -> None:
        """The diary afresh: one more change, of every row, that changes nothing."""
        path, book = self.diary.path, self.setting("book") or ""
        if set_aside and path.exists():  # it tells nothing as it is, and may yet help someone
            shutil.copy2(path, aside_folder(self.folder))
        mark = self.diary.begin(schema.VERSION, book, number + 1, now(), mark, every_row(self.db))
        self._note_mark(mark)
        if (self.folder / EARLIER).exists():
            os.replace(self.folder / EARLIER, private_folder(self.folder / BEFORE) / EARLIER)


@dataclass(frozen=True)
class Done:
    """One change: ``state`` is "done", "undone" (can be done again), "dropped" (undone, and
    other changes came after) or "settled" (from before the book was brought up to date)."""

    id: int
    at: str
    what: str
    state: str


def list_changes(
    book: Book, *, text: str = "", since: str | None = None, limit: int | None = None
) -> list[Done]:
    """The changes, newest first."""
    rows = book.rows("SELECT * FROM change ORDER BY id DESC")
    kept = [
        Done(row["id"], row["at"], row["what"], row["state"])
        for row in rows
        if text.casefold() in row["what"].casefold() and row["at"][:10] >= (since or "")
    ]
    return kept if limit is None else kept[:limit]


def strike_out(change: Change, table: str, row_id: int) -> None:
    """Mark as removed: it leaves the lists and frees its name, and stays in the book."""
    change.update(table, row_id, {"removed": now()})
