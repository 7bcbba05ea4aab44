"""Reading a book's database and diary as far as they can be read, and making the database anew
from them."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calibration.errors import BadFile
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import Diary, Row, pack, sync_folder
from drawdown.book.opening import connect, open_book
from drawdown.book.store import DIARY, FILE, now, put_row, read_row

Key = tuple[str, int]


@dataclass
class Source:
    """A database or a diary as far as it can be read. ``rows`` holds whole rows, or a digest
    of each; ``number`` the last change it knows of; ``book_id`` None when not even that can
    be read; ``bad_lines`` and ``torn_end`` are the diary's."""

    rows: dict[Key, Any] = field(default_factory=dict)
    number: int = 0
    book_id: str | None = None
    version: int = 0
    faults: list[str] = field(default_factory=list)
    bad_lines: int = 0
    torn_end: bool = False

    @property
    def whole(self) -> bool:
        return (
            self.book_id is not None and not self.faults and (not self.bad_lines or self.torn_end)
        )


def digest(row: Row) -> bytes:
    """16 bytes that tell one row from another."""
    text = json.dumps(pack(row), sort_keys=True, ensure_ascii=True)
    return hashlib.blake2b(text.encode(), digest_size=16).digest()


def _same(row: Row) -> Row:
    return row


@contextmanager
def nobody_writing(folder: Path) -> Iterator[None]:
    """Within it no other program changes the book, so that database and diary are read at the
    same change. A database too damaged to be locked is not."""
    file = folder / FILE
    db = None
    if file.exists() and os.access(folder, os.W_OK) and os.access(file, os.W_OK):
        db = connect(file, True)
        try:
            db.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            db.close()
            db = None
            name = str(getattr(error, "sqlite_errorname", ""))
            if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                raise
    try:
        yield
    finally:
        if db is not None:
            with suppress(sqlite3.Error):
                db.execute("ROLLBACK")
            db.close()


# Reading -----------------------------------------------------------------------------------


def read_diary(folder: Path, *, whole_rows: bool) -> Source:
    """The diary; a line that cannot be read is counted."""
    diary = Diary(folder / DIARY)
    keep = _same if whole_rows else digest
    header = diary.header()
    source = Source(number=diary.last_number() or 0)
    if header is not None:
        source.version, source.book_id = header
    for told in diary.replay():
        if told is None:
            source.bad_lines += 1
            continue
        table, row_id, row = told
        if row is None:
            source.rows.pop((table, row_id), None)
        else:
            source.rows[table, row_id] = keep(row)
    if source.bad_lines == 1:
        with open(diary.path, "rb") as stream:
            stream.seek(-1, os.SEEK_END)
            source.torn_end = stream.read(1) != b"\n"
    return source


def read_database(folder: Path, *, whole_rows: bool) -> Source:
    """The database, row by row where need be. Raises ``BadFile`` for one that is too new."""
    file = folder / FILE
    source = Source()
    if not file.exists():
        source.faults.append(f"{FILE} is missing")
        return source
    keep = _same if whole_rows else digest
    db = connect(file, os.access(folder, os.W_OK) and os.access(file, os.W_OK))
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    try:
        source.version = schema.version_of(db)
        if source.version > schema.VERSION:
            raise problems.newer(folder, source.version, schema.VERSION)
        db.execute("BEGIN")
        for table in schema.TABLES:
            if schema.columns(db, table):
                source.faults += _read_table(db, table, source, keep)
            elif source.version == schema.VERSION:
                source.faults.append(f"the table {table} is missing")
        found = [row[0] for row in db.execute("PRAGMA integrity_check(20)")]
        source.faults += [f"the database says: {text}" for text in found if text != "ok"]
        if source.version == 0:
            source.faults.append("its tables are gone")
        broken = len(db.execute("PRAGMA foreign_key_check").fetchall())
        if broken:
            source.faults.append(f"{broken} rows point to something that is not there")
        db.execute("ROLLBACK")
    except sqlite3.Error as error:
        name = str(getattr(error, "sqlite_errorname", ""))
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise
        source.faults.append(f"the database cannot be read ({error})")
    finally:
        db.close()
    return source


def _read_table(db: sqlite3.Connection, table: str, source: Source, keep) -> list[str]:
    """Rows of one table; when a page is bad, from both ends and then each by its number."""

    def take(row: Row) -> None:
        source.rows[table, int(row["id"])] = keep(row)
        if table == "setting" and row.get("name") == "changes":
            with suppress(ValueError):
                source.number = int(row["value"])
        if table == "setting" and row.get("name") == "book":
            source.book_id = row["value"]

    try:
        for row in db.execute(f'SELECT * FROM "{table}"'):
            take(dict(row))
        return []
    except (sqlite3.DatabaseError, ValueError, TypeError) as error:
        detail = str(error)
    for order in ("ASC", "DESC"):
        with suppress(sqlite3.DatabaseError, ValueError, TypeError):
            for row in db.execute(f'SELECT * FROM "{table}" ORDER BY id {order}'):
                take(dict(row))
    top = max((row_id for name, row_id in source.rows if name == table), default=0)
    for row_id in range(1, top):
        if (table, row_id) not in source.rows:
            with suppress(sqlite3.DatabaseError, ValueError, TypeError):
                found = read_row(db, table, row_id)
                if found is not None:
                    take(found)
    return [f"part of the table {table} cannot be read ({detail})"]


# Making it anew ------------------------------------------------------------------------------


def rebuild(folder: Path, *, use_diary: bool) -> tuple[list[str], list[str]]:
    """A new database in the old one's place; what was done and what was lost, in words.

    A whole diary is believed; what it does not know comes from the database. Raises
    ``BadFile`` and OSError; then everything is as it was."""
    with nobody_writing(folder):
        found = read_database(folder, whole_rows=True)
        told = read_diary(folder, whole_rows=True) if use_diary else Source()
    if not told.whole:
        rows = told.rows | found.rows
    elif told.number < found.number:
        rows = found.rows | told.rows
    else:
        rows = told.rows
    if not rows:
        return [], ["neither database nor diary can be read: put back a copy of yours"]
    temporary = folder / "rebuilt.part"
    remove_database(temporary)
    try:
        book_id = told.book_id or found.book_id
        skipped = _fill(temporary, rows, max(found.number, told.number), book_id)
    except BaseException:
        remove_database(temporary)
        raise
    aside = set_aside(folder, [FILE, FILE + "-wal", FILE + "-shm", DIARY], copy=True)
    # Frames of the old log must never be taken for the new database's.
    for ending in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            (folder / (FILE + ending)).unlink()
    os.replace(temporary, folder / FILE)
    sync_folder(folder)
    if not use_diary:
        with suppress(FileNotFoundError):
            (folder / DIARY).unlink()
    # A whole diary stays: what another program wrote in it meanwhile is rolled forward.
    stays = told.whole and not told.torn_end and told.number >= found.number
    with open_book(folder, write=True) as book:
        if not stays:
            book.renew_diary()
    kept = sum(1 for table, _ in rows if table not in ("change", "change_row", "setting"))
    source = "diary" if told.whole else "diary and what the old one still held"
    done = (
        f"the database was made anew from the {source} ({kept} records); what was there before "
        f"lies in {aside}"
    )
    return [done], [f"{skipped} records could not be brought back whole"] if skipped else []


def _fill(file: Path, rows: dict[Key, Row], number: int, book_id: str | None) -> int:
    """Write the rows into a new database; returns how many would not go in."""
    db = sqlite3.connect(file, isolation_level=None)
    db.row_factory = sqlite3.Row
    skipped = 0
    try:
        db.execute("PRAGMA synchronous = FULL")
        db.execute("BEGIN IMMEDIATE")
        schema.migrate(db)
        order = {table: place for place, table in enumerate(schema.TABLES)}
        for table, row_id in sorted(rows, key=lambda key: (order.get(key[0], 99), key[1])):
            try:
                put_row(db, table, row_id, rows[table, row_id])
            except (sqlite3.Error, KeyError) as error:
                name = str(getattr(error, "sqlite_errorname", ""))
                if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
                    raise
                skipped += 1
        skipped += _drop_dangling(db)
        schema.fill_colours(db)
        for name, value in (
            ("book", book_id or uuid.uuid4().hex),
            ("made", now()),
            ("changes", str(number)),
        ):
            db.execute(
                "INSERT INTO setting (name, value) VALUES (?, ?) ON CONFLICT (name) "
                + ("DO UPDATE SET value = excluded.value" if name == "changes" else "DO NOTHING"),
                (name, value),
            )
        db.execute("COMMIT")
        said = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if said != "ok":
            raise BadFile(
                f"the book made anew is not whole either ({said})",
                "so the old files were left as they are",
                "see that the disk is well, then try again",
            )
    finally:
        db.close()
    return skipped


def _drop_dangling(db: sqlite3.Connection) -> int:
    """Rows that point to a row that is gone: the pointer is emptied where that is allowed,
    else the row is left out. Returns how many were left out."""
    left_out = 0
    while True:
        broken = db.execute("PRAGMA foreign_key_check").fetchall()
        if not broken:
            return left_out
        for table, row_id, _, key in (tuple(row)[:4] for row in broken):
            column = next(
                r[3] for r in db.execute(f'PRAGMA foreign_key_list("{table}")') if r[0] == key
            )
            try:
                db.execute(f'UPDATE "{table}" SET "{column}" = NULL WHERE id = ?', (row_id,))
            except sqlite3.IntegrityError:
                gone = read_row(db, table, row_id)
                db.execute(f'DELETE FROM "{table}" WHERE id = ?', (row_id,))
                left_out += gone is not None and table not in ("change", "change_row")


def remove_database(file: Path) -> None:
    """Take a database away with its log and journal."""
    for ending in ("", "-wal", "-shm", "-journal"):
        with suppress(FileNotFoundError):
            file.with_name(file.name + ending).unlink()


def set_aside(folder: Path, names: list[str], *, copy: bool = False) -> Path:
    """Move, or copy, files of the book into a new folder under ``damaged/``."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    aside = folder / "damaged" / stamp
    aside.mkdir(parents=True)
    for name in names:
        if (folder / name).exists():
            if copy:
                shutil.copy2(folder / name, aside / name)
            else:
                os.replace(folder / name, aside / name)
    sync_folder(aside)
    return aside
