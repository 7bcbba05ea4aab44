"""A book whose files were damaged, lost or mixed up: told, and mended from what is left."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from book_kit import keep, names, quick_place
from book_process import KIT, ROOT, contents, kit, posix

from calibration.errors import BadFile
from drawdown.book import columns as schema
from drawdown.book import open_book
from drawdown.book.repair.check import check

# Damaged -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def full_book_once():
    place = quick_place()
    folder = next(place) / "book"
    with open_book(folder, create=True) as book:
        for k in range(40):
            keep(book, f"colour {k}", photo=f"photo {k}".encode(), note="words " * 20)
        book.undo()
    yield folder
    next(place, None)


@pytest.fixture
def full_book(full_book_once, tmp_path):
    return Path(shutil.copytree(full_book_once, tmp_path / "book"))


def spoil(file: Path, how: str) -> None:
    data = bytearray(file.read_bytes())
    pick = random.Random(how)
    if how == "cut in half":
        data = data[: len(data) // 2]
    elif how == "emptied":
        data = bytearray()
    elif how == "first page overwritten":
        data[:4096] = pick.randbytes(4096)
    elif how == "pages overwritten":
        for page in pick.sample(range(1, len(data) // 4096), 5):
            data[4096 * page : 4096 * (page + 1)] = pick.randbytes(4096)
    elif how == "one letter changed":  # which no check of the pages can see
        at = data.rindex(b"colour 7")
        data[at : at + 8] = b"colour X"
    elif how == "another kind of file":
        data = bytearray(b"PK\x03\x04" + pick.randbytes(5000))
    file.write_bytes(data)


DAMAGE = ("cut in half", "emptied", "first page overwritten", "pages overwritten",
          "one letter changed", "another kind of file", "gone")  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("how", DAMAGE)
def test_a_damaged_database_is_told_and_made_anew_from_the_diary(full_book, how):
    before = contents(full_book)
    file = full_book / "book.sqlite"
    if how == "gone":
        file.unlink()
    else:
        spoil(file, how)
    if how != "one letter changed":
        for create in (False, True):  # never a fresh book over what can be mended
            try:
                open_book(full_book, create=create).close()
            except BadFile as told:
                assert "check --repair" in told.paragraph()  # noqa: PT017
            else:
                assert how in ("pages overwritten", "cut in half")  # seen when they are read
    found = check(full_book)
    assert not found.whole
    assert not found.mended
    mended = check(full_book, repair=True)
    assert mended.whole, mended
    assert mended.mended
    assert contents(full_book) == before
    assert check(full_book).whole
    with open_book(full_book) as book:
        assert book.redo() == "kept colour 39"  # the log of changes came back too
    if how not in ("gone",):
        assert list(full_book.glob("damaged/*/book.sqlite"))


@pytest.mark.parametrize("how", ["cut in half", "emptied", "pages overwritten", "gone"])
def test_a_damaged_diary_is_told_and_written_afresh(full_book, how):
    before = contents(full_book)
    diary = full_book / "diary.jsonl.gz"
    if how == "gone":
        diary.unlink()
    else:
        spoil(diary, how)
    found = check(full_book)
    assert found.faults or "the diary was written afresh from the database" in found.mended
    assert check(full_book, repair=True).whole
    assert contents(full_book) == before
    assert check(full_book).whole


def test_both_damaged_give_what_either_still_holds(full_book):
    before = contents(full_book)
    file = full_book / "book.sqlite"
    data = bytearray(file.read_bytes())
    page = data.rindex(b"colour 30") // 4096  # holds the later originals, and no table's root
    data[4096 * page : 4096 * (page + 1)] = random.Random(1).randbytes(4096)
    file.write_bytes(data)
    diary = full_book / "diary.jsonl.gz"
    lines = diary.read_bytes().splitlines(keepends=True)
    lines[5:10] = [b"00000000 {}\n"] * 5  # the earlier ones
    diary.write_bytes(b"".join(lines))
    assert not check(full_book).whole
    report = check(full_book, repair=True)
    assert report.mended
    assert not report.lost
    assert contents(full_book) == before
    assert check(full_book).whole


def test_a_diary_of_another_book_is_refused_and_set_aside(full_book, tmp_path):
    other = tmp_path / "other"
    with open_book(other, create=True) as book:
        for k in range(90):
            keep(book, f"other {k}")
    shutil.copy(other / "diary.jsonl.gz", full_book / "diary.jsonl.gz")
    with pytest.raises(BadFile, match="belongs to another book"):
        open_book(full_book)
    assert not check(full_book).whole
    assert check(full_book, repair=True).whole
    with open_book(full_book) as book:
        assert not any(name.startswith("other") for name in names(book))


def test_a_newer_diary_without_its_database_is_not_made_into_an_older_book(tmp_path, monkeypatch):
    folder = tmp_path / "book"
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    with open_book(folder, create=True) as book:
        keep(book, "x")
    monkeypatch.undo()
    (folder / "book.sqlite").unlink()
    before = (folder / "diary.jsonl.gz").read_bytes()
    with pytest.raises(BadFile, match="newer drawdown"):
        check(folder, repair=True)
    assert [path.name for path in folder.iterdir()] == ["diary.jsonl.gz"]
    assert (folder / "diary.jsonl.gz").read_bytes() == before


def test_photos_that_are_missing_changed_or_nobodys_are_told(full_book):
    with open_book(full_book) as book:
        rows = book.rows("SELECT * FROM photo ORDER BY id")
        paths = [book.photos.path(row["sha256"], row["ending"]) for row in rows]
        loose = book.photos.add_bytes(b"nobody's", ".jpg")
        left = book.photos.path(loose.sha256, loose.ending)
    paths[0].unlink()
    paths[1].write_bytes(b"photo X")
    half = paths[2].with_name(".x.jpg.0000.part")
    half.write_bytes(b"ha")
    for path in (left, half):
        os.utime(path, (1, 1))
    found = check(full_book)
    assert any("missing" in text and "colour 0" in text for text in found.lost)
    assert any("not as it was kept" in text and "colour 1" in text for text in found.faults)
    assert len(found.remarks) == 2
    mended = check(full_book, repair=True)
    assert len(mended.lost) == 2
    assert (full_book / "loose" / left.name).read_bytes() == b"nobody's"
    assert not half.exists()
    with open_book(full_book) as book:  # kept again, it is whole again
        book.photos.add_bytes(b"photo 0", ".jpg")
        book.photos.add_bytes(b"photo 1", ".jpg")
    assert check(full_book).whole


def test_a_program_that_still_holds_the_old_book_writes_nothing_into_it(full_book):
    with open_book(full_book) as old:
        spoil(full_book / "diary.jsonl.gz", "cut in half")
        with sqlite3.connect(full_book / "book.sqlite") as db:
            db.execute("PRAGMA foreign_keys = OFF")
            db.execute("UPDATE recipe SET original = 999 WHERE id = 1")
        db.close()
        assert check(full_book, repair=True).mended
        with pytest.raises(BadFile, match="mended or replaced"):
            keep(old, "too late")
    with open_book(full_book) as book:
        keep(book, "in time")
        assert "too late" not in names(book)
    assert check(full_book).whole


@pytest.mark.slow
@posix
def test_checking_while_another_writes_sees_one_state(tmp_path):
    folder = tmp_path / "book"
    writer = subprocess.Popen(
        [sys.executable, str(KIT), "write", str(folder), "w", "60"],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    looked = 0
    while writer.poll() is None:
        if (folder / "diary.jsonl.gz").exists():
            report = check(folder, hashes=False)
            assert report.whole, report
            looked += 1
    told = writer.communicate()[0].splitlines()
    assert (writer.returncode, len(told)) == (0, 60)
    assert looked
    with open_book(folder) as book:
        assert names(book) == set(told)


@pytest.mark.slow
@posix
@pytest.mark.parametrize("how", ["first page overwritten", "pages overwritten", "emptied"])
def test_killed_while_mending_it_can_be_mended_again(full_book, how):
    before = contents(full_book)
    spoil(full_book / "book.sqlite", how)
    done = kit("work", full_book, "mend", 15, 0.06)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 3
    check(full_book, repair=True)
    assert check(full_book).whole
    assert contents(full_book) == before


@posix
def test_a_folder_closed_to_writing_can_be_read_and_is_explained(full_book):
    """By another account than root's, whom nothing is closed to."""
    for path in [full_book, *full_book.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    done = kit("closed", full_book)
    for path in [full_book, *full_book.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert lines[0] == "39 False"
    assert [line[0] for line in lines[1:]] == ["6"] * 3
    assert all("permission" in line for line in lines[1:])
