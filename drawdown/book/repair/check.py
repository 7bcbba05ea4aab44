"""Is the book whole? What can be mended, and mending it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from calibration.files import private_folder, sha256_of
from drawdown.book import problems
from drawdown.book.diary import Row
from drawdown.book.opening import is_there, open_book
from drawdown.book.photos import PhotoStore, is_photo_name
from drawdown.book.repair.rebuild import (
    INNER,
    Key,
    Source,
    build,
    digest,
    put_in_place,
    read_both,
    second_book,
    together,
)
from drawdown.book.store import aside_folder

COUNTED = ("original", "recipe", "batch", "entry", "packet", "pull", "reading", "photo")
# Younger files may belong to a program that is just keeping something.
LOOSE_AFTER_S = 3600.0


@dataclass
class Report:
    """What was found. ``faults`` need mending, ``remarks`` do not; ``mended`` was done;
    ``lost`` cannot be brought back by the book; ``lacking`` is what one of the old files held
    and the mended book has not, or not so."""

    faults: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    lacking: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        return not self.faults and not self.lost


def check(
    folder: Path, *, repair: bool = False, hashes: bool = True,
    agree: Callable[[list[str]], bool] = lambda lacking: True,
) -> Report:  # fmt: skip
    """Verify the book in ``folder``; with ``repair`` mend what can be mended. ``hashes``
    reads every photo, else only sizes are compared. Where the mended book would lack something
    that an old file holds, ``agree`` is asked first, with a list of it. Raises ``BadFile`` when
    there is no book or nothing can be written."""
    folder = Path(folder)
    report = Report()
    with problems.explaining(folder):
        if not is_there(folder):
            raise problems.no_book(folder)
        with suppress(problems.Damaged), open_book(folder) as book:
            report.mended += book.healed
        found, told = read_both(folder, dict if repair else digest)
        differing = _check_tables(found, told, report)
        if report.faults and repair:
            _mend_tables(folder, found, told, report, differing, agree)
        if not report.faults:
            _check_photos(folder, report, repair, hashes)
            _tidy(folder, report, repair)
    return report


# Database and diary ------------------------------------------------------------------------


def _check_tables(found: Source, told: Source, report: Report) -> int:
    """Hold database and diary against each other; returns how many rows differ though both are at
    the same change."""
    differing: set[str] = set()
    count = 0
    report.faults = found.faults + told.faults
    if not report.faults and found.marks[-1:] != told.marks[-1:]:
        report.faults = [
            "the database and the diary each hold changes that the other does not know"
        ]
    elif not report.faults:
        every = told.rows.keys() | found.rows.keys()
        keys = [key for key in every if told.rows.get(key) != found.rows.get(key)]
        count, differing = len(keys), {table for table, _ in keys}
    if count:
        report.faults = [
            f"{count} rows of the database are not as the diary has them "
            f"({', '.join(sorted(differing))})"
        ]
    rows = (told if found.faults else found).rows
    report.counts = {name: sum(key[0] == name for key in rows) for name in COUNTED}
    return count


def _mend_tables(  # what was found, and what to do about it
    folder: Path, found: Source, told: Source, report: Report, differing: int,
    agree: Callable[[list[str]], bool],
) -> None:  # fmt: skip
    healthy = not found.faults and not differing
    rows, sources = together(found, told, healthy=healthy)
    if not rows:
        report.lost.append("neither database nor diary can be read: put back a copy of yours")
        return
    new = folder / "rebuilt.part"
    try:
        left = build(new, rows, (*found.marks, *told.marks), told.book or found.book)
        lacking = {
            _described(key, row, rows.get(key)): None
            for held in (*(source.rows for source in sources), left)
            for key, row in held.items() if key[0] not in INNER and rows.get(key) != row
        }  # fmt: skip
        report.lacking = list(lacking)
        if lacking and not agree(report.lacking):
            return
        if healthy and told in sources and not told.faults:
            report.mended.append(f"what the diary tells is a book now: {second_book(folder, told)}")
        aside = put_in_place(folder, new)
    finally:
        new.unlink(missing_ok=True)
    kept = sum(1 for key, row in rows.items() if row and key[0] not in INNER)
    of = "database" if healthy else "diary" if not told.faults else "what either file still held"
    report.mended.append(f"the book was made anew from the {of} ({kept} records); what was there "
                         f"before lies in {aside}")  # fmt: skip
    report.faults.clear()


def _described(key: Key, row: Row, new: Row | None) -> str:
    """One record as an old file held it."""
    table, row_id = key
    name = row.get("name") or row.get("edition")
    what = f"{table} {row_id}" if name is None else f'{table} "{name}"'
    if table == "pull":
        what += f" {row.get('number')}"
    if new is None or new == row:
        return what
    other = [name for name in row if row[name] != new.get(name)]
    return f"{what}: " + ", ".join(
        f"{name} {row[name]!s:.60}, not {new.get(name)!s:.60}" for name in other
    )


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
                aside = aside_folder(folder)
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
                private_folder(target.parent)
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
