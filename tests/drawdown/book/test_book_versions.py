"""Books of older and newer versions, and what is no book or lies where none is safe."""

import re
import sqlite3
from dataclasses import dataclass
from typing import Annotated

import pytest
from book_kit import keep, make_tables, names, old_book, script_of

from calibration.errors import BadFile, WrongUsage
from drawdown.book import columns as schema
from drawdown.book import open_book, opening, tables
from drawdown.book.repair.check import check
from drawdown.book.shapes import Wrong, maybe, number, text
from drawdown.book.tables import Column

# Versions --------------------------------------------------------------------------------


def described(db: sqlite3.Connection) -> dict[str, list]:
    """Every table with its columns, what they point to and how they are indexed."""
    found = {}
    for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'"):
        columns = sorted(row[1:] for row in db.execute(f"PRAGMA table_info({table})"))
        pointers = sorted(row[2:] for row in db.execute(f"PRAGMA foreign_key_list({table})"))
        indexes = sorted(
            (*row[1:], *(c[2] for c in db.execute(f"PRAGMA index_info({row[1]})")))
            for row in db.execute(f"PRAGMA index_list({table})")
        )
        found[table] = [columns, pointers, indexes]
    return found


def rules(db: sqlite3.Connection) -> list[str]:
    """What each table refuses, and which rows an index holds."""
    texts = [row[0] or "" for row in db.execute("SELECT sql FROM sqlite_master")]
    return sorted(
        " ".join(rule.split()) for text in texts
        for rule in re.findall(r"CHECK \((?:[^()]|\([^()]*\))*\)|WHERE .*", text)
    )  # fmt: skip


def test_the_tables_are_those_of_their_version():
    """tests/data/book_versions/6.sql holds them: other tables are another version."""
    then, now = sqlite3.connect(":memory:"), sqlite3.connect(":memory:")
    then.executescript(script_of(schema.VERSION))
    schema.bring_up_to_date(now)
    assert described(now) == described(then)
    assert rules(now) == rules(then)
    then.close()
    now.close()


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_the_tables_of_every_version_become_those_of_today(version):
    """The files hold the SQL as those programs had it, word for word."""
    then, now = sqlite3.connect(":memory:"), sqlite3.connect(":memory:")
    make_tables(then, version)
    then.execute(f"PRAGMA user_version = {version}")
    schema.bring_up_to_date(then)
    schema.bring_up_to_date(now)
    assert described(now) == described(then)
    assert rules(now) == rules(then)
    then.close()
    now.close()


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_an_older_book_is_brought_up_to_date(tmp_path, version):
    folder = tmp_path / "old"
    old_book(folder, version)
    with open_book(folder) as book:
        assert names(book) == {"Tide blue"}
        assert schema.version_of(book.db) == schema.VERSION
        keep(book, "new one")
        index = book.diary.index()
        assert (index.version, index.book) == (schema.VERSION, "abc")
        # What came before a change of shape cannot be undone any more; what came after can.
        assert book.undo() == "kept new one"
        assert (book.undo() is None) == (version < 4)
    fresh = tmp_path / "fresh"
    with open_book(fresh, create=True) as new, open_book(folder) as old:
        for table in schema.TABLES:
            assert schema.columns(new.db, table) == schema.columns(old.db, table)
    assert not (folder / "diary.jsonl").exists()
    assert (folder / "before" / "diary.jsonl").exists()
    copies = list((folder / "before").glob("*.sqlite"))
    assert len(copies) == 1
    with sqlite3.connect(copies[0]) as copy:
        assert schema.version_of(copy) == version
        assert copy.execute("SELECT name FROM original").fetchall() == [("Tide blue",)]
    copy.close()


def test_what_only_the_older_diary_knew_comes_along(tmp_path):
    row = {"id": 2, "name": "Late", "name_key": "late", "date": "2030-01-02", "state": "wet"}
    change = {"n": 2, "what": "kept Late", "rows": [["original", 2, row]]}
    old_book(tmp_path / "old", 4, change, {"end": 2})
    with open_book(tmp_path / "old") as book:
        assert names(book) == {"Tide blue", "Late"}
    assert check(tmp_path / "old").whole


def test_the_next_version_goes_on_with_the_history(tmp_path, monkeypatch):
    """With what only the diary knew of: the database was put back to an earlier moment."""
    folder = tmp_path / "book"
    with open_book(folder, create=True) as book:
        keep(book, "one")
        book.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        earlier = (folder / "book.sqlite").read_bytes()
        keep(book, "two")
        marks = [row[0] for row in book.rows("SELECT mark FROM mark ORDER BY id")]
    (folder / "book.sqlite").write_bytes(earlier)
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    with open_book(folder) as book:
        assert names(book) == {"one", "two"}
        assert [row[0] for row in book.rows("SELECT mark FROM mark ORDER BY id")] == marks
        assert book.undo() == "kept two"
    assert check(folder).whole


def test_a_migration_that_fails_changes_nothing(tmp_path, monkeypatch):
    folder = tmp_path / "old"
    old_book(folder, 1)
    monkeypatch.setattr(schema, "fill_colours", lambda db: db.execute("CREATE NONSENSE"))
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


# made by hand: what a later version of the program would add to a record
@dataclass(frozen=True)
class _Tin:
    id: Annotated[int, Column("INTEGER PRIMARY KEY")]
    mark: Annotated[str, Column("TEXT NOT NULL", text(20))]
    grams: Annotated[float | None, Column("REAL", maybe(number(0, 100)), since=5)]


def test_a_new_column_is_one_line(monkeypatch):
    """Its SQL, its place in the record, in the shared file and its check all follow from it; a
    file from before lacks it, and it is unknown."""
    monkeypatch.setattr(tables, "KNOWN", dict(tables.KNOWN))
    table = tables.Table("tin", _Tin)
    db = sqlite3.connect(":memory:")
    db.row_factory = sqlite3.Row
    db.execute(f"CREATE TABLE tin ({', '.join(table.statements)}) STRICT")
    for data in ({"mark": "L7"}, {"mark": "L8", "grams": 5}):
        row = table.kept(table.shape(data, "tins[0]"), lambda *_: None)
        db.execute("INSERT INTO tin (mark, grams) VALUES (:mark, :grams)", row)
    tins = [table.record(row) for row in db.execute("SELECT * FROM tin ORDER BY id")]
    assert tins == [_Tin(1, "L7", None), _Tin(2, "L8", 5.0)]
    for wrong in ({"mark": "L9", "grams": -1}, {"grams": 1}, {"mark": "L9", "weight": 1}):
        with pytest.raises(Wrong):
            table.shape(wrong, "tins[0]")
    db.close()
