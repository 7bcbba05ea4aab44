"""Opening a book: making it, bringing its tables up to date, refusing what is no book."""

from __future__ import annotations

import os
import sqlite3
import time
import uuid
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from calibration.errors import BadFile, WrongUsage
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import sync_folder
from drawdown.book.photos import network_kind
from drawdown.book.store import DIARY, FILE, Book, now

PATIENCE_S = 15.0


def open_book(folder: Path, *, create: bool = False, write: bool = False) -> Book:
    """Open the book in ``folder``.

    ``create`` makes one where there is none (and implies ``write``). A book that cannot be
    written is still opened for reading when ``write`` is False. Raises ``BadFile``, with
    what to do, for anything that stands in the way; ``problems.Damaged`` when the file is
    not whole.
    """
    folder = Path(folder)
    file = folder / FILE
    with problems.explaining(folder):
        if not _is_there(file):
            if (folder / DIARY).is_file() and not _is_there(file):
                raise problems.damaged(folder, f"{FILE} is missing or empty")
            if not create:
                raise problems.no_book(folder)
            _make_folder(folder)
        kind = network_kind(folder)
        if kind is not None:
            raise BadFile(
                f"the book's folder {folder} lies on a network drive ({kind})",
                "a database that two computers write there at once can be spoiled",
                "keep the book on this computer's own disk, and pass it on as an exported file",
            )
        writable = os.access(folder, os.W_OK) and (not file.exists() or os.access(file, os.W_OK))
        if (write or create) and not writable:
            raise problems.no_permission(folder)
        db = connect(file, writable)
        try:
            _prepare(db, folder, writable)
            book = Book(folder, db, writable)
            if writable and book.behind():
                book.catch_up()
        except BaseException:
            db.close()
            raise
    return book


def _is_there(file: Path) -> bool:
    if "\0" in str(file):
        raise WrongUsage(
            f"{str(file.parent)!r} is not a folder's name", "a book is a folder", "check the name"
        )
    if file.parent.exists() and not file.parent.is_dir():
        raise WrongUsage(
            f"{file.parent} is a file, not a folder",
            "a book is a folder with a database and photos in it",
            "give a folder with `book`",
        )
    return file.exists() and file.stat().st_size > 0


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except PermissionError as error:
        raise problems.no_permission(folder) from error
    sync_folder(folder.parent)


def connect(file: Path, writable: bool) -> sqlite3.Connection:
    """A connection to the database, whatever it holds; raises ``sqlite3.Error``."""
    uri = file.absolute().as_uri()
    log = file.with_name(file.name + "-wal")
    if writable:
        mode = "rwc"
    elif log.exists() and log.stat().st_size > 0:
        mode = "ro"
    else:  # nothing is being written, and the folder takes no lock file
        mode = "ro&immutable=1"
    db = sqlite3.connect(f"{uri}?mode={mode}", uri=True, timeout=PATIENCE_S, isolation_level=None)
    db.row_factory = sqlite3.Row
    return db


def _prepare(db: sqlite3.Connection, folder: Path, writable: bool) -> None:
    """Settings of the connection; tables made or migrated; what is no book refused."""
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA trusted_schema = OFF")
    version = schema.version_of(db)
    application = int(db.execute("PRAGMA application_id").fetchone()[0])
    tables = int(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if tables and application != schema.APPLICATION_ID:
        raise BadFile(
            f"{folder / FILE} is a database, but not a studio book",
            "writing in it could spoil what it is",
            "give another folder with `book`",
        )
    if version > schema.VERSION:
        raise problems.newer(folder, version, schema.VERSION)
    if not writable:
        if version < schema.VERSION:
            raise BadFile(
                f"the book in {folder} is of an older version and cannot be written here",
                "it must be brought up to date before it can be read",
                "copy it to a folder that can be written",
            )
        return
    _use_log(db)
    db.execute("PRAGMA synchronous = FULL")
    if version == schema.VERSION:
        return
    db.execute("BEGIN IMMEDIATE")  # another program may be just as far: look again
    version = schema.version_of(db)
    if version < schema.VERSION:
        if version:
            db.execute("ROLLBACK")
            _copy_aside(db, folder, version)
            db.execute("BEGIN IMMEDIATE")
        try:
            if not version and (folder / DIARY).is_file():
                raise problems.damaged(folder, "its tables are gone")
            schema.migrate(db)
            if not version:
                for name, value in (("book", uuid.uuid4().hex), ("made", now()), ("changes", "0")):
                    db.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, value))
        except BaseException:
            db.execute("ROLLBACK")
            raise
    db.execute("COMMIT")


def _use_log(db: sqlite3.Connection) -> None:
    """Write-ahead log; another program that is just opening the book can be in the way."""
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            if db.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                return
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            busy = str(getattr(error, "sqlite_errorname", "")).startswith("SQLITE_BUSY")
            if not busy or time.monotonic() > end:
                raise
            time.sleep(0.02)


def _copy_aside(db: sqlite3.Connection, folder: Path, version: int) -> Path:
    """A copy of the database as it was before a migration."""
    backups = folder / "before"
    backups.mkdir(exist_ok=True)
    target = backups / f"book-v{version}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite"
    temporary = target.with_suffix(".part")
    with suppress(FileNotFoundError):
        temporary.unlink()
    copy = sqlite3.connect(temporary)
    try:
        db.backup(copy)
    finally:
        copy.close()
    os.replace(temporary, target)
    sync_folder(backups)
    return target
