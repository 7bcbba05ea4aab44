"""Is the book whole? What can be mended, and mending it.

The database is checked page by page and row by row against the diary, whose lines each bear
a checksum; photos are checked against their hashes. Where the two disagree the whole one is
believed; whatever is replaced is moved to ``damaged/``, never deleted.
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from calibration.errors import BadFile
from drawdown.book import problems, schema
from drawdown.book.diary import Diary, Row, sync_folder
from drawdown.book.opening import open_book
from drawdown.book.photos import PhotoStore, is_photo_name, sha256_of
from drawdown.book.store import DIARY, FILE, now, put_row, read_row

# Younger files may belong to a program that is just keeping something.
LOOSE_AFTER_S = 3600.0


@dataclass
class Report:
    """What was found. ``faults`` need mending, ``remarks`` do not; ``mended`` was done;
    ``lost`` cannot be brought back by the book."""

    faults: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        return not self.faults and not self.lost


@dataclass(frozen=True)
class _Database:
    """The database as far as it can be read."""

    faults: tuple[str, ...]
    rows: dict[tuple[str, int], Row]
    number: int
    book_id: str | None


def check(folder: Path, *, repair: bool = False, hashes: bool = True) -> Report:
    """Verify the book in ``folder``; with ``repair`` mend what can be mended. ``hashes``
    reads every photo, else only sizes are compared. Raises ``BadFile`` when there is no book
    or nothing can be written."""
    folder = Path(folder)
    if not (folder / FILE).exists() and not (folder / DIARY).exists():
        raise problems.no_book(folder)
    report = Report()
    with problems.explaining(folder):
        _check_tables(folder, report, repair)
        if not report.faults:
            _check_photos(folder, report, repair, hashes)
            _tidy(folder, report, repair)
    return report


# Database and diary ------------------------------------------------------------------------


def _check_tables(folder: Path, report: Report, repair: bool) -> None:
    found = _read_database(folder)
    diary = Diary(folder / DIARY)
    bad_lines = sum(data is None for data in diary.lines())
    header = diary.header()
    last = diary.last_number()
    foreign = bool(header and found.book_id and header[1] != found.book_id)
    usable = header is not None and not foreign and not bad_lines
    report.faults += found.faults
    if foreign:
        report.faults.append("the diary belongs to another book")
    elif header is None or last is None:
        report.faults.append("the diary is missing or cannot be read")
    elif _torn_end_only(diary, bad_lines):
        report.remarks.append(
            "the diary ends in a line that was cut off: a program was stopped while writing, "
            "before it said that anything was kept"
        )
        usable, bad_lines = True, 0
    elif bad_lines:
        report.faults.append(f"{bad_lines} lines of the diary cannot be read")
    told: dict[tuple[str, int], Row] = {}
    if header is not None and not foreign:
        told = diary.rows()
    whole = not found.faults
    if usable and whole and header[0] == schema.VERSION:
        differing = _differing(found, told, last or 0)
        if differing:
            report.faults.append(differing)
            whole = False
    for table in ("original", "recipe", "batch", "entry", "packet", "pull", "reading", "photo"):
        report.counts[table] = sum(key[0] == table for key in (found.rows if whole else told))
    if not report.faults or not repair:
        return
    if whole:
        _fresh_diary(folder, report)
    else:
        # A whole diary is believed; what it does not know comes from the database.
        if usable:
            rows = dict(told)
            if (last or 0) < found.number:
                rows = found.rows | rows
        else:
            rows = told | found.rows
        if not rows:
            report.lost.append("neither database nor diary can be read: put back a copy of yours")
            return
        _rebuild(folder, rows, max(found.number, last or 0), found, report)


def _torn_end_only(diary: Diary, bad_lines: int) -> bool:
    """True when the only bad line is an unfinished one at the very end."""
    if bad_lines != 1:
        return False
    with open(diary.path, "rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) != b"\n"


def _differing(found: _Database, told: dict[tuple[str, int], Row], last: int) -> str:
    """How the database differs from a whole diary; "" when it does not."""
    if last > found.number:
        return f"the database lacks the last {last - found.number} changes"
    if last < found.number:
        return f"the diary lacks the last {found.number - last} changes"
    keys = {key for key in told.keys() | found.rows.keys() if told.get(key) != found.rows.get(key)}
    if not keys:
        return ""
    tables = ", ".join(sorted({table for table, _ in keys}))
    return f"{len(keys)} rows of the database are not as the diary has them ({tables})"


def _read_database(folder: Path) -> _Database:
    """Read all that can be read, row by row where need be."""
    file = folder / FILE
    faults: list[str] = []
    rows: dict[tuple[str, int], Row] = {}
    number, book_id = 0, None
    if not file.exists():
        return _Database((f"{FILE} is missing",), rows, 0, None)
    db = sqlite3.connect(file, timeout=15.0, isolation_level=None)
    db.row_factory = sqlite3.Row
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    try:
        version = schema.version_of(db)
        if version > schema.VERSION:
            raise problems.newer(folder, version, schema.VERSION)
        db.execute("BEGIN")
        for table in schema.TABLES:
            if schema.columns(db, table):
                faults += _read_table(db, table, rows)
            elif version == schema.VERSION:
                faults.append(f"the table {table} is missing")
        found = [row[0] for row in db.execute("PRAGMA integrity_check(20)")]
        faults += [f"the database says: {text}" for text in found if text != "ok"]
        if version == 0:
            faults.append("its tables are gone")
        broken = db.execute("PRAGMA foreign_key_check").fetchall()
        if broken:
            faults.append(f"{len(broken)} rows point to something that is not there")
        db.execute("ROLLBACK")
    except sqlite3.Error as error:
        name = str(getattr(error, "sqlite_errorname", ""))
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise
        faults.append(f"the database cannot be read ({error})")
    finally:
        db.close()
    for (table, _), row in rows.items():
        if table == "setting" and row.get("name") == "changes":
            with suppress(ValueError):
                number = int(row["value"])
        if table == "setting" and row.get("name") == "book":
            book_id = row["value"]
    return _Database(tuple(faults), rows, number, book_id)


def _read_table(db: sqlite3.Connection, table: str, rows: dict[tuple[str, int], Row]) -> list[str]:
    """Rows of one table; when a page is bad, from both ends and then each by its number."""
    try:
        rows.update(
            {(table, int(r["id"])): dict(r) for r in db.execute(f'SELECT * FROM "{table}"')}
        )
        return []
    except (sqlite3.DatabaseError, ValueError, TypeError) as error:
        detail = str(error)
    for order in ("ASC", "DESC"):
        with suppress(sqlite3.DatabaseError, ValueError, TypeError):
            for row in db.execute(f'SELECT * FROM "{table}" ORDER BY id {order}'):
                rows[table, int(row["id"])] = dict(row)
    top = max((row_id for name, row_id in rows if name == table), default=0)
    for row_id in range(1, top):
        if (table, row_id) not in rows:
            with suppress(sqlite3.DatabaseError, ValueError, TypeError):
                row = read_row(db, table, row_id)
                if row is not None:
                    rows[table, row_id] = row
    return [f"part of the table {table} cannot be read ({detail})"]


def _fresh_diary(folder: Path, report: Report) -> None:
    _set_aside(folder, [DIARY])
    with open_book(folder, write=True):
        pass  # opening writes the missing diary
    report.mended.append("the diary was written afresh from the database")
    report.faults.clear()


def _rebuild(
    folder: Path,
    rows: dict[tuple[str, int], Row],
    number: int,
    found: _Database,
    report: Report,
) -> None:
    """A new database from the rows, tried out before it takes the old one's place."""
    temporary = folder / "rebuilt.part"
    _remove_database(temporary)
    try:
        skipped = _fill(temporary, rows, number, found.book_id)
    except BaseException:
        _remove_database(temporary)
        raise
    aside = _set_aside(folder, [FILE, FILE + "-wal", FILE + "-shm", DIARY])
    os.replace(temporary, folder / FILE)
    sync_folder(folder)
    with open_book(folder, write=True):
        pass  # writes the fresh diary
    report.faults.clear()
    kept = sum(1 for table, _ in rows if table not in ("change", "change_row", "setting"))
    report.mended.append(
        f"the database was made anew from the diary ({kept} records); what was there before "
        f"lies in {aside}"
    )
    if skipped:
        report.lost.append(f"{skipped} records could not be brought back whole")


def _fill(file: Path, rows: dict[tuple[str, int], Row], number: int, book_id: str | None) -> int:
    """Write the rows into a new database; returns how many would not go in."""
    import uuid

    db = sqlite3.connect(file, isolation_level=None)
    db.row_factory = sqlite3.Row
    skipped = 0
    try:
        db.execute("PRAGMA synchronous = FULL")
        db.execute("BEGIN IMMEDIATE")
        schema.migrate(db)
        order = {table: place for place, table in enumerate(schema.TABLES)}
        for (table, row_id), row in sorted(
            rows.items(), key=lambda item: (order.get(item[0][0], 99), item[0][1])
        ):
            try:
                put_row(db, table, row_id, row)
            except (sqlite3.Error, KeyError) as error:
                if str(getattr(error, "sqlite_errorname", "")).startswith("SQLITE_FULL"):
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
        for table, row_id, _, key in ((b[0], b[1], b[2], b[3]) for b in broken):
            column = next(
                r[3] for r in db.execute(f'PRAGMA foreign_key_list("{table}")') if r[0] == key
            )
            try:
                db.execute(f'UPDATE "{table}" SET "{column}" = NULL WHERE id = ?', (row_id,))
            except sqlite3.IntegrityError:
                gone = read_row(db, table, row_id)
                db.execute(f'DELETE FROM "{table}" WHERE id = ?', (row_id,))
                left_out += gone is not None and table not in ("change", "change_row")


def _remove_database(file: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        with suppress(FileNotFoundError):
            file.with_name(file.name + ending).unlink()


def _set_aside(folder: Path, names: list[str]) -> Path:
    """Move files of the book into a new folder under ``damaged/``."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    aside = folder / "damaged" / stamp
    aside.mkdir(parents=True)
    for name in names:
        if (folder / name).exists():
            os.replace(folder / name, aside / name)
    sync_folder(aside)
    return aside


# Photos ------------------------------------------------------------------------------------


def _check_photos(folder: Path, report: Report, repair: bool, hashes: bool) -> None:
    store = PhotoStore(folder)
    with open_book(folder) as book:
        rows = book.rows("SELECT * FROM photo")
        users = {
            row[0]: row[1] for row in book.rows(
                "SELECT r.photo, coalesce(o.name, '') FROM reading r "
                "LEFT JOIN original o ON o.reading = r.id WHERE r.photo IS NOT NULL"
            )
        }  # fmt: skip
    known = set()
    for row in rows:
        path = store.path(row["sha256"], row["ending"])
        known.add(path)
        of = f' (of "{users[row["id"]]}")' if users.get(row["id"]) else ""
        if not path.is_file():
            report.lost.append(f"the photo {path.name}{of} is missing; its colour is still here")
        elif path.stat().st_size != row["size_bytes"] or (
            hashes and sha256_of(path) != row["sha256"]
        ):
            fault = f"the photo {path.name}{of} is not as it was kept"
            if repair:
                aside = _set_aside(folder, [])
                os.replace(path, aside / path.name)
                report.lost.append(f"{fault}; it was moved to {aside}; its colour is still here")
            else:
                report.faults.append(fault)
    loose = [p for p in store.files() if p not in known and _is_old(p)]
    named = [p for p in loose if is_photo_name(p.name)]
    if named:
        text = f"{len(named)} photos belong to nothing in the book; they do no harm"
        if repair:
            for path in named:
                target = folder / "loose" / path.name
                target.parent.mkdir(exist_ok=True)
                os.replace(path, target)
            report.mended.append(f"{len(named)} photos that belong to nothing were moved to loose")
        else:
            report.remarks.append(text)


def _is_old(path: Path) -> bool:
    try:
        return time.time() - path.stat().st_mtime > LOOSE_AFTER_S
    except OSError:
        return False


def _tidy(folder: Path, report: Report, repair: bool) -> None:
    """Half-written files of programs that were killed."""
    left = [p for p in (*folder.glob("*.part"), *folder.glob("photos/*/.*.part")) if _is_old(p)]
    if left and repair:
        for path in left:
            with suppress(OSError):
                path.unlink()
        report.mended.append(f"{len(left)} half-written files of a stopped program were cleared")
    elif left:
        report.remarks.append(f"{len(left)} half-written files of a stopped program lie about")
