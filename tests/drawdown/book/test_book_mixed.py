"""Files of several copies of one book, mixed in every way: a database of one moment beside a diary
of another, of the same history or of two, whole or damaged."""

from __future__ import annotations

import functools
import itertools
import random
import shutil
from pathlib import Path

import pytest
from book_kit import MIX, keep, quick_place

from calibration.errors import BadFile
from drawdown.book import open_book
from drawdown.book.diary import Diary
from drawdown.book.packets import put_by
from drawdown.book.repair.check import _described, check
from drawdown.book.repair.rebuild import INNER, read_both

# Two copies of one book go on from "s1": each moment with the one before it.
BEFORE = {"s0": None, "s1": "s0", "a1": "s1", "a2": "a1", "a3": "a2", "b1": "s1", "b2": "b1"}
DAMAGE = ("none", "database", "diary", "diary's end", "no database", "no diary")


def go_on(folder: Path, moment: str) -> None:
    with open_book(folder, create=True) as book:
        if moment == "b2":
            book.undo()
            return
        if moment == "s0":
            for k in range(12):
                keep(book, f"colour {k}", note="words " * 20)
        with book.change(f"put {moment} by") as change:
            put_by(book, change, name=f"rest {moment}", grams=9.0, date="2030-01-01", mix=MIX)
            change.update("original", 3, {"note": moment})
            if moment == "a2":
                change.update("packet", 1, {"grams": 2.0})


def rows_of(folder: Path) -> dict:
    return {k: row for k, row in read_both(folder, dict)[0].rows.items() if k[0] not in INNER}


@pytest.fixture(scope="module")
def moments():
    place = quick_place()
    root = next(place)
    for moment, earlier in BEFORE.items():
        if earlier is not None:
            shutil.copytree(root / earlier, root / moment)
        go_on(root / moment, moment)
    yield {moment: (root / moment, rows_of(root / moment)) for moment in BEFORE}
    next(place, None)


def leads_to(moment: str | None, later: str) -> bool:
    """True when the later moment knows all that the earlier one did."""
    step: str | None = later
    while step is not None:
        if step == moment:
            return True
        step = BEFORE[step]
    return False


def spoil(folder: Path, damage: str, pick: random.Random) -> None:
    database, diary = folder / "book.sqlite", folder / "diary.jsonl.gz"
    data = bytearray((database if damage == "database" else diary).read_bytes())
    if damage == "database":
        for page in pick.sample(range(1, len(data) // 8192), 3):
            data[8192 * page : 8192 * (page + 1)] = pick.randbytes(8192)
        database.write_bytes(data)
    elif damage == "diary":
        at = pick.randrange(len(data) - 40)
        data[at : at + 40] = bytes(40)
        diary.write_bytes(data)
    elif damage == "diary's end":
        diary.write_bytes(data[: pick.randrange(len(data))])
    elif damage != "none":
        (database if damage == "no database" else diary).unlink()


@pytest.mark.slow
@pytest.mark.parametrize("damage", DAMAGE)
def test_mixed_files_never_make_a_mixed_book_and_lose_nothing_in_silence(moments, tmp_path, damage):
    pick = random.Random(damage)
    pairs = list(itertools.product(moments, moments))
    pairs = pairs if damage == "none" else pick.sample(pairs, 16)
    for trial, (one, other) in enumerate(pairs):
        folder = tmp_path / f"{trial}"
        shutil.copytree(moments[one][0], folder)
        shutil.copy(moments[other][0] / "diary.jsonl.gz", folder)
        spoil(folder, damage, pick)
        held = [source.rows for source in read_both(folder, dict)]
        try:
            open_book(folder).close()
        except BadFile:
            assert not (damage == "none" and (leads_to(one, other) or leads_to(other, one)))
        else:
            if damage != "database":  # else a page may be bad that nobody has read yet
                assert rows_of(folder) in [rows for _, rows in moments.values()], (one, other)
        report = check(folder, repair=True)
        assert report.whole, (one, other, report)
        assert check(folder).whole
        with open_book(folder) as book:
            assert not book.rows("PRAGMA foreign_key_check")
        found = rows_of(folder)
        now = [moment for moment, (_, rows) in moments.items() if rows == found]
        if now and any(leads_to(one, m) and leads_to(other, m) for m in now):
            continue  # the later state of one history: it lacks nothing
        there = [found, *(rows_of(second) for second in folder.glob("histories/*"))]
        for source in held:
            for key, row in source.items():
                told = _described(key, row, found.get(key)) in report.lacking
                assert (
                    key[0] in INNER
                    or told
                    or any(rows.get(key) == row for rows in there)
                    or (_is_older(key, row, found, moments))
                ), (one, other, key, row)


def _is_older(key, row, found, moments) -> bool:
    """True when the book has a later state of the same record, or it was undone since."""
    states = [m for m, (folder, _) in moments.items() if (*key, row) in told_in(folder)]
    later = [m for m, (_, rows) in moments.items() if rows.get(key) == found.get(key)]
    return any(leads_to(one, two) for one in states for two in later)


@functools.cache
def told_in(folder: Path) -> list:
    """Every state of every record, as the diary of a moment tells it."""
    return list(Diary(folder / "diary.jsonl.gz").rows())
