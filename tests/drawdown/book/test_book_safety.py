"""Nothing kept is lost: writers killed, two at once, files damaged, no room, no permission.

What is asked of a write that was acknowledged: durability, in the sense of any text on
transactions; SQLite's own promise is in "Atomic Commit In SQLite" (sqlite.org)."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from book_kit import keep, names, old_book
from book_process import KIT, ROOT, kit, posix

from calibration.errors import BadFile
from drawdown.book import columns as schema
from drawdown.book import open_book, opening, problems
from drawdown.book.originals import list_originals
from drawdown.book.repair.check import check

KILLS = 200


# Killed ----------------------------------------------------------------------------------


@pytest.mark.slow
@posix
def test_writers_killed_200_times_lose_nothing_they_were_told_is_kept(tmp_path):
    done = kit("kill", tmp_path / "book", KILLS, 11, 0.008)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    found = json.loads(done.stdout)
    assert found["told"] >= KILLS
    report = check(tmp_path / "book")
    assert report.whole, report
    assert report.counts["original"] + report.counts["packet"] >= found["told"]


@pytest.mark.slow
@posix
@pytest.mark.parametrize("moment", ["before the diary", "after the diary", "after the database"])
def test_killed_at_each_step_of_a_write(tmp_path, moment):
    """The three moments between which a write can be cut."""
    folder = tmp_path / "book"
    with open_book(folder, create=True) as book:
        keep(book, "first")
    program = f"""
import os, sys
sys.path.insert(0, {str(KIT.parent)!r})
from book_kit import keep
from drawdown.book import open_book
from drawdown.book.diary import Diary
from drawdown.book.store import Book
die = lambda *_: os.kill(os.getpid(), 9)
append = Diary.append
def late(*told):
    append(*told)
    die()
book = open_book({str(folder)!r})
if {moment!r} == "before the diary":
    Diary.append = die
elif {moment!r} == "after the diary":
    Diary.append = late
keep(book, "second")
die()
"""
    done = subprocess.run(
        [sys.executable, "-c", program], env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == -signal.SIGKILL, done.stderr
    with open_book(folder) as book:
        there = {"first"} if moment == "before the diary" else {"first", "second"}
        assert names(book) == there
        keep(book, "third")
    assert check(folder).whole


def test_killed_while_the_tables_are_made_or_brought_up_to_date(tmp_path, monkeypatch):
    """As far as the files show it: the log holds a transaction that was not committed."""
    folder = tmp_path / "book"

    def stop(db, *_):
        db.execute("CREATE TABLE half (x)")
        raise KeyboardInterrupt

    monkeypatch.setattr(schema, "bring_up_to_date", stop)
    with pytest.raises(KeyboardInterrupt):
        open_book(folder, create=True)
    monkeypatch.undo()
    with open_book(folder, create=True) as book:
        keep(book, "first")
        assert not book.rows("SELECT name FROM sqlite_master WHERE name = 'half'")


@pytest.mark.slow
@posix
def test_killed_while_brought_up_to_date_it_opens_the_next_time(tmp_path):
    from book_kit import old_book

    cut = 0
    for k in range(12):
        folder = tmp_path / f"old {k}"
        old_book(folder, 1)
        # Sooner each time: on a quick machine all is done within a few milliseconds.
        done = kit("work", folder, "open", 2, 0.03 * 0.65**k)
        assert done.returncode == 0, done.stderr
        cut += int(done.stdout)
        with open_book(folder) as book:
            assert names(book) == {"Tide blue"}
            assert schema.version_of(book.db) == schema.VERSION
        assert check(folder).whole
    assert cut > 0


@pytest.mark.slow
@posix
def test_a_log_cut_anywhere_loses_nothing(tmp_path):
    """As a power cut or a disk may leave it: the database's log ends somewhere, or holds
    garbage from there on. The diary brings back what that takes away."""
    source = tmp_path / "source"
    program = f"""
import os, sys
sys.path.insert(0, {str(KIT.parent)!r})
from book_kit import keep
from drawdown.book import open_book
book = open_book({str(source)!r}, create=True)
for k in range(12):
    keep(book, f"colour {{k}}", photo=b"photo %d" % k)
os._exit(0)  # without closing: the log stays
"""
    subprocess.run(
        [sys.executable, "-c", program], check=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    every = {f"colour {k}" for k in range(12)}
    log = (source / "book.sqlite-wal").read_bytes()
    assert len(log) > 50_000
    pick = random.Random(3)
    shorter = 0
    for k in range(40):
        folder = Path(shutil.copytree(source, tmp_path / f"cut {k}"))
        at = pick.randrange(len(log))
        kept = log[:at] + (pick.randbytes(min(9000, len(log) - at)) if k % 2 else b"")
        (folder / "book.sqlite-wal").write_bytes(kept)
        try:
            with open_book(folder) as book:
                assert names(book) == every
        except BadFile as told:  # cut so early that not even the tables are there
            assert "check --repair" in told.paragraph()  # noqa: PT017
            shorter += 1
            assert check(folder, repair=True).mended
            with open_book(folder) as book:
                assert names(book) == every
        assert check(folder).whole
    assert shorter < 20


# Two at once -------------------------------------------------------------------------------


@pytest.mark.slow
@posix
def test_two_writers_and_a_reader_at_once(tmp_path):
    """Two begin a book that is not there yet and both write in it; a third reads."""
    folder = tmp_path / "book"
    writers = [
        subprocess.Popen(
            [sys.executable, str(KIT), "write", str(folder), label, "40"],
            env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True,
        )
        for label in ("left", "right")
    ]  # fmt: skip
    seen = 0
    end = time.monotonic() + 60
    while any(w.poll() is None for w in writers) and time.monotonic() < end:
        if (folder / "diary.jsonl.gz").exists():
            with open_book(folder) as book:
                count = len(list_originals(book))
                assert count >= seen
                seen = count
        time.sleep(0.01)
    told = [name for w in writers for name in w.communicate()[0].splitlines()]
    assert [w.returncode for w in writers] == [0, 0]
    assert len(told) == 80
    with open_book(folder) as book:
        assert names(book) == set(told)
    assert check(folder).whole


def test_a_writer_that_never_finishes_is_explained(tmp_path, monkeypatch):
    monkeypatch.setattr(opening, "BUSY_S", 0.1)
    folder = tmp_path / "book"
    with open_book(folder, create=True) as one, open_book(folder) as two:
        one.db.execute("BEGIN IMMEDIATE")
        with pytest.raises(BadFile, match="being written by another program"):
            keep(two, "x")
        one.db.execute("ROLLBACK")
        keep(two, "x")
        assert names(one) == {"x"}


# No room, no permission ----------------------------------------------------------------------


@pytest.mark.slow
@posix
@pytest.mark.parametrize("most_bytes", [60_000, 140_000, 400_000])
def test_files_that_may_not_grow_are_explained_and_lose_nothing(tmp_path, most_bytes):
    """A limit on the size of a file, as a quota or a full disk sets it in mid-write."""
    folder = tmp_path / "book"
    done = kit("limited", folder, "x", most_bytes)
    assert done.returncode == 6, done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr) > 80
    told = set(done.stdout.split("\n")) - {""}
    with open_book(folder, create=True) as book:
        assert told <= names(book)
        assert book.rows("PRAGMA integrity_check")[0][0] == "ok"
        keep(book, "after")
    assert check(folder).whole


@pytest.fixture
def tiny_disk(tmp_path):
    """A file system of 1 MB, where this account may mount one."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounting a small file system needs a privileged account on Linux")
    place = tmp_path / "tiny"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this system does not let one mount a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True, capture_output=True)


def test_a_full_disk_is_explained_and_loses_nothing(tiny_disk):
    kept: set[str] = set()
    with open_book(tiny_disk / "book", create=True) as book:
        try:
            for k in range(10_000):
                keep(book, f"colour {k}", photo=random.Random(k).randbytes(3000))
                kept.add(f"colour {k}")
        except BadFile as full:
            assert "disk" in full.seen  # noqa: PT017
        assert 5 < len(kept) < 10_000
        assert names(book) == kept
        # Again and again: still nothing lost, and reading goes on.
        for _ in range(5):
            with pytest.raises(BadFile):
                keep(book, "one more", photo=random.Random("more").randbytes(60_000))
        assert names(book) == kept
    with open_book(tiny_disk / "book") as book:
        assert names(book) == kept


def test_a_database_that_may_not_grow_is_explained(tmp_path):
    """SQLite's own "database or disk is full", by its page limit."""
    with open_book(tmp_path / "book", create=True) as book:
        keep(book, "first")
        pages = book.rows("PRAGMA page_count")[0][0]
        book.db.execute(f"PRAGMA max_page_count = {pages}")
        diary = book.diary.path.read_bytes()
        with pytest.raises(BadFile, match="full"):
            keep(book, "second", note="much " * 3000)
        assert names(book) == {"first"}
        assert book.diary.path.read_bytes() == diary


def test_every_kind_of_database_error_is_explained(tmp_path):
    for name in ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_FULL", "SQLITE_READONLY_DIRECTORY",
                 "SQLITE_CORRUPT_VTAB", "SQLITE_NOTADB", "SQLITE_CANTOPEN", "SQLITE_IOERR_WRITE",
                 "SQLITE_PROTOCOL", "SQLITE_MISUSE"):  # fmt: skip
        error = sqlite3.OperationalError("words")
        error.sqlite_errorname = name
        told = problems.explained(error, tmp_path)
        assert told.exit_code == 6
        assert all((told.seen, told.why, told.todo))


@posix
def test_nobody_else_can_look_into_the_book(tmp_path):
    """Neither into a new one nor, from then on, into one that is brought up to date."""
    new, old = tmp_path / "new", tmp_path / "old"
    with open_book(new, create=True) as book:
        keep(book, "x", photo=b"1")
        (new / "book.sqlite-wal").stat()
        assert all(
            path.stat().st_mode & 0o777 == (0o700 if path.is_dir() else 0o600)
            for path in (new, *new.rglob("*"))
        )
    old_book(old, 4)
    old.chmod(0o755)
    open_book(old).close()
    assert old.stat().st_mode & 0o777 == 0o700
    assert (old / "book.sqlite").stat().st_mode & 0o777 == 0o600
