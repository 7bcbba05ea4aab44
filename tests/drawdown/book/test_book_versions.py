"""Books of older and newer versions, and what is no book or lies where none is safe."""

from __future__ import annotations

import sqlite3

import pytest
from book_kit import keep, names, old_book, quick_place

from calibration.errors import BadFile, WrongUsage
from drawdown.book import columns as schema
from drawdown.book import open_book, opening


@pytest.fixture
def tmp_path():
    yield from quick_place()


@pytest.fixture
def book(tmp_path):
    with open_book(tmp_path / "book", create=True) as opened:
        yield opened


# Versions --------------------------------------------------------------------------------


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_an_older_book_is_brought_up_to_date(tmp_path, version):
    folder = tmp_path / "old"
    old_book(folder, version)
    with open_book(folder) as book:
        assert names(book) == {"Tide blue"}
        assert schema.version_of(book.db) == schema.VERSION
        keep(book, "new one")
        assert book.diary.header() == (schema.VERSION, "abc")
        # What came before the migration cannot be undone any more; what came after can.
        assert book.undo() == "kept new one"
        assert book.undo() is None
    fresh = tmp_path / "fresh"
    with open_book(fresh, create=True) as new, open_book(folder) as old:
        for table in schema.TABLES:
            assert schema.columns(new.db, table) == schema.columns(old.db, table)
    copies = list((folder / "before").iterdir())
    assert len(copies) == 1
    with sqlite3.connect(copies[0]) as copy:
        assert schema.version_of(copy) == version
        assert copy.execute("SELECT name FROM original").fetchall() == [("Tide blue",)]
    copy.close()


def test_a_migration_that_fails_changes_nothing(tmp_path, monkeypatch):
    folder = tmp_path / "old"
    old_book(folder, 1)
    broken = (schema.MIGRATIONS[0], "CREATE TABLE pull (id INTEGER); CREATE NONSENSE")
    monkeypatch.setattr(schema, "MIGRATIONS", broken)
    with pytest.raises(BadFile):
        open_book(folder)
    monkeypatch.undo()
    with open_book(folder) as book:
        assert names(book) == {"Tide blue"}


def test_what_is_no_book_or_too_new_is_refused(tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    db = sqlite3.connect(other / "book.sqlite")
    db.execute("CREATE TABLE recipes (x)")
    db.commit()
    db.close()
    with pytest.raises(BadFile, match="not a studio book"):
        open_book(other, create=True)
    newer = tmp_path / "newer"
    open_book(newer, create=True).close()
    db = sqlite3.connect(newer / "book.sqlite")
    db.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    db.close()
    with pytest.raises(BadFile, match="newer drawdown"):
        open_book(newer)
    with pytest.raises(BadFile, match="there is no book"):
        open_book(tmp_path / "none")
    assert not (tmp_path / "none").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(WrongUsage, match="not a folder"):
        open_book(tmp_path / "file", create=True)
    with pytest.raises(WrongUsage, match="not a folder's name"):
        open_book(tmp_path / "a\0b", create=True)


def test_a_network_drive_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(opening, "network_kind", lambda folder: "nfs4")
    with pytest.raises(BadFile, match=r"network drive \(nfs4\)"):
        open_book(tmp_path / "book", create=True)
