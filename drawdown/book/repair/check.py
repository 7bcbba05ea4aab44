"""Is the book whole? What can be mended, and mending it."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from drawdown.book import columns as schema
from drawdown.book import problems
from drawdown.book.opening import open_book
from drawdown.book.photos import PhotoStore, is_photo_name, sha256_of
from drawdown.book.repair.rebuild import (
    Source,
    nobody_writing,
    read_database,
    read_diary,
    rebuild,
    set_aside,
)
from drawdown.book.store import DIARY, FILE

COUNTED = ("original", "recipe", "batch", "entry", "packet", "pull", "reading", "photo")
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
    with nobody_writing(folder):
        found = read_database(folder, whole_rows=False)
        told = read_diary(folder, whole_rows=False)
    foreign = bool(told.book_id and found.book_id and told.book_id != found.book_id)
    report.faults += found.faults
    if foreign:
        report.faults.append("the diary belongs to another book")
    elif told.book_id is None:
        report.faults.append("the diary is missing or cannot be read")
    elif told.torn_end:
        report.remarks.append(
            "the diary ends in a line that was cut off: a program was stopped while writing, "
            "before it said that anything was kept"
        )
    elif told.bad_lines:
        report.faults.append(f"{told.bad_lines} lines of the diary cannot be read")
    usable = told.whole and not foreign
    whole = not found.faults
    if usable and whole and told.version == schema.VERSION:
        differing = _differing(found, told)
        if differing:
            report.faults.append(differing)
            whole = False
    for table in COUNTED:
        report.counts[table] = sum(key[0] == table for key in (found if whole else told).rows)
    if not report.faults or not repair:
        return
    if whole:
        set_aside(folder, [DIARY])
        with open_book(folder, write=True):
            pass  # opening writes the missing diary
        report.mended.append("the diary was written afresh from the database")
    else:
        mended, lost = rebuild(folder, use_diary=not foreign)
        report.mended += mended
        report.lost += lost
        if not mended:
            return
    report.faults.clear()


def _differing(found: Source, told: Source) -> str:
    """How the database differs from a whole diary; "" when it does not."""
    if told.number > found.number:
        return f"the database lacks the last {told.number - found.number} changes"
    if told.number < found.number:
        return f"the diary lacks the last {found.number - told.number} changes"
    every = told.rows.keys() | found.rows.keys()
    keys = {key for key in every if told.rows.get(key) != found.rows.get(key)}
    if not keys:
        return ""
    tables = ", ".join(sorted({table for table, _ in keys}))
    return f"{len(keys)} rows of the database are not as the diary has them ({tables})"


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
                aside = set_aside(folder, [])
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
