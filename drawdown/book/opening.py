"""Opening a book: making it, bringing its tables up to date, refusing what is no book."""

from __future__ import annotations

import os
import sqlite3
import time
import uuid
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from calibration.errors import BadFile, WrongUsage
from calibration.files import private_folder, sync_folder
from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.diary import EARLIER, earlier_rows
from drawdown.book.photos import network_kind
from drawdown.book.store import BEFORE, DIARY, Book, now, put_row
from drawdown.studio.locations import BOOK_FILE

BUSY_S = 15.0
PAGE_BYTES = 8192  # of a new database: five readings a page, where 4096 would hold two


def open_book(folder: Path, *, create: bool = False, write: bool = False) -> Book:
    """Open the book in ``folder``.

    ``create`` makes one where there is none (and implies ``write``). A book that cannot be
    written is still opened for reading when ``write`` is False. Raises ``BadFile``, with
    what to do, for anything that stands in the way; ``problems.Damaged`` when the file is
    not whole.
    """
    folder = Path(folder)
    file = folder / BOOK_FILE
    with problems.explaining(folder):
        there = is_there(folder)
        if not there and not create:
            raise problems.no_book(folder)
        if not file.exists() and any((folder / name).is_file() for name in (DIARY, EARLIER)):
            raise problems.damaged(folder, f"{BOOK_FILE} is missing")
        if not there:
            private_folder(folder)
            sync_folder(folder.parent)
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
        if not there:  # the log beside it gets the same permissions
            os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
        db = connect(file, writable)
        try:
            _prepare(db, folder, writable)
            book = Book(folder, db, writable)
            if writable and book.behind():
                book.catch_up()
        except (ValueError, TypeError, LookupError) as error:
            db.close()
            raise problems.damaged(folder, f"a value in it makes no sense: {error}") from error
        except BaseException:
            db.close()
            raise
    return book


def is_there(folder: Path) -> bool:
    """True when a book was begun in the folder, whatever became of it: there is a diary, or a
    database that is more than the empty file of a program stopped at the first moment. Raises
    ``WrongUsage`` for what cannot be a folder."""
    if "\0" in str(folder):
        raise WrongUsage(
            f"{str(folder)!r} is not a folder's name", "a book is a folder", "check the name"
        )
    if folder.exists() and not folder.is_dir():
        raise WrongUsage(
            f"{folder} is a file, not a folder",
            "a book is a folder with a database and photos in it",
            "give a folder with `book`",
        )
    if any((folder / name).is_file() for name in (DIARY, EARLIER)):
        return True
    file = folder / BOOK_FILE
    size = file.stat().st_size if file.is_file() else 0
    if size == 0 or size > PAGE_BYTES:
        return size > 0
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as db:
            return bool(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    except sqlite3.Error:
        return True


def connect(file: Path, writable: bool) -> sqlite3.Connection:
    """A connection to the database, whatever it holds; raises ``sqlite3.Error``."""
    uri = file.absolute().as_uri()
    log = file.with_name(file.name + "-wal")
    if writable:
        mode = "rw"
    elif log.exists() and log.stat().st_size > 0:
        mode = "ro"
    else:  # nothing is being written, and the folder takes no lock file
        mode = "ro&immutable=1"
    db = sqlite3.connect(f"{uri}?mode={mode}", uri=True, timeout=BUSY_S, isolation_level=None)
    db.row_factory = sqlite3.Row
    return db


def _prepare(db: sqlite3.Connection, folder: Path, writable: bool) -> None:
    """Settings of the connection; tables made or brought up to date; what is no book refused."""
    db.execute("PRAGMA trusted_schema = OFF")
    version = schema.version_of(db)
    application = int(db.execute("PRAGMA application_id").fetchone()[0])
    tables = int(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if tables and application != schema.APPLICATION_ID:
        raise BadFile(
            f"{folder / BOOK_FILE} is a database, but not a studio book",
            "writing in it could spoil what it is",
            "give another folder with `book`",
        )
    if version > schema.VERSION:
        raise problems.newer(folder, version, schema.VERSION)
    if writable:
        if not tables:
            db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        _use_log(db)
        db.execute("PRAGMA synchronous = FULL")
        if version < schema.VERSION:
            _bring_up_to_date(db, folder)
    elif version < schema.VERSION:
        raise BadFile(
            f"the book in {folder} is of an older version and cannot be written here",
            "it must be brought up to date before it can be read",
            "copy it to a folder that can be written",
        )
    db.execute("PRAGMA foreign_keys = ON")


def _bring_up_to_date(db: sqlite3.Connection, folder: Path) -> None:
    """Make the tables, or take over those of an older version; a copy of them is kept. What the
    older diary knew and the database did not comes along."""
    version = schema.version_of(db)
    if version:
        _copy_aside(db, folder, version)
        os.chmod(folder, 0o700)
        os.chmod(folder / BOOK_FILE, 0o600)
    db.execute("BEGIN IMMEDIATE")
    try:
        if schema.version_of(db) == version:  # else another program was just as far
            if not version and any((folder / name).is_file() for name in (DIARY, EARLIER)):
                raise problems.damaged(folder, "its tables are gone")
            schema.bring_up_to_date(db)
            settings = {row["name"]: row["value"] for row in db.execute("SELECT * FROM setting")}
            number = int(settings.get("changes", 0))
            for change, told in earlier_rows(folder / EARLIER) if version else ():
                if change > number:
                    put_row(db, *told)
            fresh = {"book": uuid.uuid4().hex, "made": now()} | settings
            db.execute("DELETE FROM setting")
            for name in ("book", "made"):
                db.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, fresh[name]))
            if not db.execute("SELECT count(*) FROM mark").fetchone()[0]:
                db.execute("INSERT INTO mark (id, mark) VALUES (?, ?)", (number, uuid.uuid4().hex))
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise


def _use_log(db: sqlite3.Connection) -> None:
    """Write-ahead log; another program that is just opening the book can be in the way."""
    end = time.monotonic() + BUSY_S
    while True:
        try:
            if db.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                return
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if not problems.is_busy(error) or time.monotonic() > end:
                raise
            time.sleep(0.02)


def _copy_aside(db: sqlite3.Connection, folder: Path, version: int) -> None:
    """A copy of the database as it was before a migration."""
    backups = private_folder(folder / BEFORE)
    target = backups / f"book-v{version}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite"
    temporary = target.with_suffix(".part")
    temporary.unlink(missing_ok=True)
    db.execute("VACUUM INTO ?", (str(temporary),))
    os.replace(temporary, target)
    sync_folder(backups)
