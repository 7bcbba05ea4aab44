"""The open book: changing it in one piece, undoing, and its changes as a list.

    with open_book(folder, create=True) as book, book.change("kept tide blue") as change:
        row_id = change.insert("original", {"name": ...})

Leaving the block commits: on the disk when it returns, or not at all. Two programs may hold the
same book: one writes at a time, the other waits.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calibration.errors import BadFile
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import Diary, change_line, pack, unpack
from drawdown.book.photos import PhotoStore, Stored

FILE = "book.sqlite"
DIARY = "diary.jsonl"

Row = dict[str, Any]


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
        names = ", ".join(f'"{name}"' for name in row)
        marks = ", ".join("?" * len(row))
        cursor = self._db.execute(
            f'INSERT INTO "{_known(table)}" ({names}) VALUES ({marks})', tuple(row.values())
        )
        row_id = int(cursor.lastrowid or 0)
        self._note(table, row_id, None, undoable)
        return row_id

    def update(self, table: str, row_id: int, values: Row) -> None:
        """Set some columns of one row."""
        was = read_row(self._db, table, row_id)
        if was is None:
            raise KeyError(f"{table} {row_id}")
        pairs = ", ".join(f'"{name}" = ?' for name in values)
        self._db.execute(
            f'UPDATE "{_known(table)}" SET {pairs} WHERE id = ?', (*values.values(), row_id)
        )
        self._note(table, row_id, was, True)

    def photo(self, stored: Stored) -> int:
        """The id of a stored photo's row. Undoing a change leaves the photo in the book."""
        found = self._db.execute(
            "SELECT id FROM photo WHERE sha256 = ?", (stored.sha256,)
        ).fetchone()
        if found is not None:
            return int(found[0])
        row = {
            "sha256": stored.sha256,
            "ending": stored.ending,
            "size_bytes": stored.size_bytes,
            "added_at": now(),
        }
        return self.insert("photo", row, undoable=False)

    def put(self, table: str, row_id: int, row: Row | None) -> None:
        """Make one row what it is said to be; None takes it away. For undo and repair."""
        if row is None:
            self._db.execute(f'DELETE FROM "{_known(table)}" WHERE id = ?', (row_id,))
        else:
            put_row(self._db, table, row_id, row)
        self.touched[table, row_id] = None

    def _note(self, table: str, row_id: int, was: Row | None, undoable: bool) -> None:
        self.touched[table, row_id] = None
        if not undoable or self._id is None:
            return
        text = None if was is None else json.dumps(pack(was), separators=(",", ":"))
        cursor = self._db.execute(
            "INSERT INTO change_row (change, tab, row, was) VALUES (?, ?, ?, ?)",
            (self._id, table, row_id, text),
        )
        self.touched["change_row", int(cursor.lastrowid or 0)] = None


def _known(table: str) -> str:
    if table not in schema.TABLES:
        raise KeyError(table)
    return table


def read_row(db: sqlite3.Connection, table: str, row_id: int) -> Row | None:
    """One row as a dictionary, or None."""
    found = db.execute(f'SELECT * FROM "{_known(table)}" WHERE id = ?', (row_id,)).fetchone()
    return None if found is None else dict(found)


def put_row(db: sqlite3.Connection, table: str, row_id: int, row: Row) -> None:
    """Insert or replace one row; columns that the table does not know are left out."""
    known = schema.columns(db, _known(table))
    row = {name: value for name, value in row.items() if name in known} | {"id": row_id}
    names = ", ".join(f'"{name}"' for name in row)
    pairs = ", ".join(f'"{name}" = excluded."{name}"' for name in row)
    marks = ", ".join("?" * len(row))
    db.execute(
        f'INSERT INTO "{table}" ({names}) VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET {pairs}',
        tuple(row.values()),
    )


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
        self._file = _identity(folder / FILE)
        self.photos = PhotoStore(folder)
        self.diary = Diary(folder / DIARY)

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
        with self._writing() as number:
            dropped = [
                int(row[0]) for row in
                self.db.execute("SELECT id FROM change WHERE state = 'undone'")
            ]  # fmt: skip
            self.db.execute("UPDATE change SET state = 'dropped' WHERE state = 'undone'")
            cursor = self.db.execute(
                "INSERT INTO change (at, what, state) VALUES (?, ?, 'done')", (now(), what)
            )
            change = Change(self.db, int(cursor.lastrowid or 0))
            change.touched |= {("change", int(cursor.lastrowid or 0)): None}
            change.touched |= {("change", row_id): None for row_id in dropped}
            yield change
            self._write_down(number, what, change)

    def undo(self) -> str | None:
        """Take back the last change; returns what it was, None when there is none."""
        return self._swap("done", "undone", "DESC", "undone: ")

    def redo(self) -> str | None:
        """Do again what was undone last; None when there is nothing."""
        return self._swap("undone", "done", "ASC", "done again: ")

    def _swap(self, state: str, new_state: str, order: str, prefix: str) -> str | None:
        with self._writing() as number:
            found = self.db.execute(
                f"SELECT * FROM change WHERE state = ? ORDER BY id {order} LIMIT 1", (state,)
            ).fetchone()
            if found is None:
                return None
            change = Change(self.db, None)
            steps = self.db.execute(
                f"SELECT * FROM change_row WHERE change = ? ORDER BY id {order}", (found["id"],)
            ).fetchall()
            for step in steps:
                current = read_row(self.db, step["tab"], step["row"])
                was = None if step["was"] is None else unpack(json.loads(step["was"]))
                change.put(step["tab"], step["row"], was)
                text = None if current is None else json.dumps(pack(current))
                self.db.execute("UPDATE change_row SET was = ? WHERE id = ?", (text, step["id"]))
                change.touched["change_row", step["id"]] = None
            self.db.execute("UPDATE change SET state = ? WHERE id = ?", (new_state, found["id"]))
            change.touched["change", found["id"]] = None
            self._write_down(number, prefix + found["what"], change)
            return found["what"]

    @contextmanager
    def _writing(self) -> Iterator[int]:
        """The writing lock; gives the number of the change to come. Commits at the end."""
        if not self.writable:
            raise problems.no_permission(self.folder)
        self._appended: int | None = None
        with problems.explaining(self.folder):
            self.db.execute("BEGIN IMMEDIATE")
            try:
                self.db.execute("PRAGMA defer_foreign_keys = ON")
                if _identity(self.folder / FILE) != self._file:
                    raise problems.replaced(self.folder)
                self._catch_up()
                yield self._number() + 1
                self.db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.db.execute("ROLLBACK")
                if self._appended is not None:
                    self.diary.cut(self._appended)
                raise

    def _number(self) -> int:
        found = self.db.execute("SELECT value FROM setting WHERE name = 'changes'").fetchone()
        return int(found[0])

    def _write_down(self, number: int, what: str, change: Change) -> None:
        self._set_number(number, change)
        rows = [(t, i, read_row(self.db, t, i)) for t, i in change.touched]
        self._appended = self.diary.append(change_line(number, now(), what, rows))

    def _set_number(self, number: int, change: Change | None = None) -> None:
        self.db.execute("UPDATE setting SET value = ? WHERE name = 'changes'", (str(number),))
        if change is not None:
            row = self.db.execute("SELECT id FROM setting WHERE name = 'changes'").fetchone()
            change.touched["setting", int(row[0])] = None

    # Diary and database held together ------------------------------------------------------

    def behind(self) -> bool:
        """True when diary and database are not at the same change. A writer at work in
        another program looks so for a moment; under the writing lock it is certain."""
        with problems.explaining(self.folder):
            return self.diary.last_number() != self._number()

    def _catch_up(self) -> None:
        """Under the writing lock: roll the database forward to the diary, or write the
        diary afresh when that is missing, behind or older."""
        number, last = self._number(), self.diary.last_number()
        header = self.diary.header() if last is not None else None
        book_id = self.db.execute("SELECT value FROM setting WHERE name = 'book'").fetchone()[0]
        if header is not None and header[1] != book_id:
            raise BadFile(
                f"the diary in {self.folder} belongs to another book",
                "diary and book must agree, or neither could mend the other",
                "put the right diary.jsonl back, or set it aside with: `repair_book`",
            )
        if header is not None and last is not None and last > number:
            self._roll_forward(number)
            schema.fill_colours(self.db)
        if header is None or header[0] != schema.VERSION or last is None or last < number:
            self.write_diary()

    def _roll_forward(self, number: int) -> None:
        for data in self.diary.changes_after(number):
            for table, row_id, row in data["rows"]:
                if table not in schema.TABLES:
                    raise problems.damaged(self.folder, f"the diary speaks of {table!r}")
                if row is None:
                    self.db.execute(f'DELETE FROM "{table}" WHERE id = ?', (row_id,))
                else:
                    put_row(self.db, table, row_id, unpack(row) or {})
            self._set_number(int(data["n"]))

    def write_diary(self) -> None:
        """The diary afresh from the database; under the writing lock."""
        rows = (
            (table, int(row["id"]), dict(row))
            for table in schema.TABLES
            for row in self.db.execute(f'SELECT * FROM "{table}"')
        )
        book_id = self.db.execute("SELECT value FROM setting WHERE name = 'book'").fetchone()[0]
        self.diary.rewrite(schema.VERSION, book_id, self._number(), now(), rows)

    def renew_diary(self) -> None:
        """The diary afresh, whatever the one there is like; raises ``BadFile``."""
        with problems.explaining(self.folder):
            self.db.execute("BEGIN IMMEDIATE")
            try:
                self.write_diary()
            finally:
                self.db.execute("ROLLBACK")

    def catch_up(self) -> None:
        """Bring diary and database together; raises ``BadFile``."""
        with self._writing():
            pass


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
