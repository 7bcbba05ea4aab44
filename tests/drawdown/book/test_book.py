"""The studio book's storage: what is kept is there, changes can be taken back, older books
are brought up to date. Behaviour of SQLite itself: its documentation (sqlite.org, "Write-Ahead
Logging", "PRAGMA Statements")."""

from __future__ import annotations

import gzip
import json
import shutil

import numpy as np
import pytest
from book_kit import MIX, keep, names, reading_row, told_by

from calibration.errors import BadFile, WrongUsage
from drawdown.book import columns as schema
from drawdown.book import open_book
from drawdown.book.batches import (
    GRAMS,
    PER_100,
    begin_batch,
    find_batch,
    list_batches,
    log_added,
    mix_with_added,
    story_of,
)
from drawdown.book.columns import MixPart
from drawdown.book.diary import Diary, block_of, data_of, line_of, text_of
from drawdown.book.edition import add_pull, editions, run_of
from drawdown.book.originals import (
    Wanted,
    add_recipe,
    find_original,
    list_originals,
    recipes_of,
)
from drawdown.book.packets import find_packet, list_packets, put_by, take_from
from drawdown.book.repair.check import check
from drawdown.book.shapes import clean_date, clean_grams, clean_name
from drawdown.book.store import list_changes, strike_out


@pytest.fixture
def book(tmp_path):
    with open_book(tmp_path / "book", create=True) as opened:
        yield opened


def test_what_is_kept_is_there_after_closing(tmp_path):
    folder = tmp_path / "a book with é"
    with open_book(folder, create=True) as book:
        keep(book, "Tide blue", paper="washi", edition="Kingfisher", photo=b"not a real photo")
    with open_book(folder) as book:
        kept = find_original(book, "tide BLUE")
        assert (kept.paper, kept.edition, kept.state) == ("washi", "Kingfisher", "dry")
        assert kept.recipe.mix == MIX
        assert kept.reading.lab_d50 == (62.0, -21.0, -24.0)
        photo = book.rows("SELECT * FROM photo")[0]
        assert book.photos.path(photo["sha256"], photo["ending"]).read_bytes() == (
            b"not a real photo"
        )


def test_the_settings_of_the_file_are_the_safe_ones(book):
    def pragma(name):
        return book.rows(f"PRAGMA {name}")[0][0]

    assert pragma("journal_mode") == "wal"
    assert pragma("synchronous") == 2  # FULL
    assert pragma("foreign_keys") == 1
    assert pragma("application_id") == schema.APPLICATION_ID
    assert pragma("user_version") == schema.VERSION
    assert {
        row["strict"] for row in book.rows("PRAGMA table_list") if row["name"] in schema.TABLES
    } == {1}


def test_a_stored_reading_compares_as_the_strip_did(book):
    original = find_original(book, "x") if keep(book, "x") else None
    colour = original.reading.colour()
    samples = np.frombuffer(reading_row()["samples"], "<f4").reshape(-1, 3)
    np.testing.assert_allclose(
        colour.lab_samples, samples + np.array([62.0, -21.0, -24.0]), atol=1e-5
    )
    from drawdown.matching.compare import compare

    apart = compare(colour, colour, across_photos=True, nominal_card=False)
    assert apart.verdict in ("match", "too close to call")
    assert apart.de00 == 0.0
    assert apart.de00_high95 > 2.0  # two photos are never sure


def test_names_are_taken_once(book):
    keep(book, "Tide blue")
    with pytest.raises(WrongUsage, match="already a kept original"):
        keep(book, "tide  BLUE")
    assert len(list_originals(book)) == 1
    # The failed change left nothing behind.
    assert book.rows("SELECT count(*) FROM reading")[0][0] == 1
    keep(book, "Tide green")
    with pytest.raises(WrongUsage, match="could be any of 2"):
        find_original(book, "tide")
    assert find_original(book, "tide g").name == "Tide green"
    with pytest.raises(WrongUsage) as near:
        find_original(book, "tide bleu")
    assert 'perhaps you meant "Tide blue"' in near.value.todo


def test_struck_out_leaves_the_lists_and_frees_its_name(book):
    row = keep(book, "Tide blue")
    with book.change("struck out") as change:
        strike_out(change, "original", row)
    assert list_originals(book) == []
    assert [o.name for o in list_originals(book, Wanted(removed=True))] == ["Tide blue"]
    keep(book, "Tide blue", paper="another")
    assert [o.paper for o in list_originals(book)] == ["another"]
    book.undo()
    book.undo()
    assert [o.paper for o in list_originals(book)] == [""]


def test_lists_filter_and_sort(book):
    keep(book, "Sand", (80, 3, 20), (MixPart("PY83", 1),), date="2030-01-02", paper="washi")
    keep(book, "Night", (20, 5, -30), state="wet", date="2030-03-01", edition="Kingfisher")
    keep(book, "Leaf", (50, -30, 30), (), date="2030-02-01", note="Ökologie")

    def order(**how):
        return [o.name for o in list_originals(book, **how)]

    assert order() == ["Leaf", "Night", "Sand"]
    assert order(sort="date") == ["Sand", "Leaf", "Night"]
    assert order(sort="lightness", reverse=True) == ["Sand", "Leaf", "Night"]
    assert order(sort="chroma") == ["Sand", "Night", "Leaf"]
    # Hue angles: atan2(20, 3) = 81.5, atan2(30, -30) = 135, atan2(-30, 5) = 279.5 degrees.
    assert order(sort="hue") == ["Sand", "Leaf", "Night"]
    assert order(wanted=Wanted(text="ÖKO")) == ["Leaf"]
    assert order(wanted=Wanted(ink="py83")) == ["Sand"]
    assert order(wanted=Wanted(edition="king")) == ["Night"]
    assert order(wanted=Wanted(paper="washi")) == ["Sand"]
    assert order(wanted=Wanted(state="wet")) == ["Night"]
    assert order(wanted=Wanted(since="2030-02-01", until="2030-02-28")) == ["Leaf"]


def test_recipes_are_corrected_and_the_older_ones_stay(book):
    row = keep(book, "Tide blue")
    newer = (MixPart("titanium-white", 96), MixPart("phthalo-blue", 4))
    with book.change("corrected") as change:
        add_recipe(change, row, newer, 120.0, "by hand")
    assert find_original(book, "Tide blue").recipe.mix == newer
    assert [r.reason for r in recipes_of(book, row)] == ["as kept", "by hand"]
    book.undo()
    assert find_original(book, "Tide blue").recipe.mix == MIX


def test_a_batch_adds_up(book):
    with book.change("begun") as change:
        batch = begin_batch(
            book, change, name="b", original=None, date="2030-01-01", mix=MIX, grams=200.0
        )
    with book.change("added") as change:
        log_added(change, batch, (("phthalo-blue", 2.0),), GRAMS)
    with book.change("added") as change:
        log_added(change, batch, (("bone-black", 1.0),), PER_100)
    mix, grams = mix_with_added(find_batch(book, "b"), story_of(book, batch))
    # By hand: 194 white, 6 + 2 blue, then 1 % of 202 g black.
    assert grams == pytest.approx(204.02)
    assert [p.ink for p in mix] == ["titanium-white", "phthalo-blue", "bone-black"]
    np.testing.assert_allclose(
        [p.parts for p in mix], [100 * 194 / 204.02, 800 / 204.02, 202 / 204.02], atol=1e-3
    )
    assert mix[1].ink_batch == "tin 7"
    assert [b.name for b in list_batches(book, Wanted(text="phthalo"))] == ["b"]
    with book.change("another") as change:
        row = begin_batch(book, change, name="c", original=None, date="2030-01-01", mix=MIX)
        log_added(change, row, (("phthalo-blue", 2.0),), GRAMS)
    assert mix_with_added(find_batch(book, "c"), story_of(book, row)) is None


def test_packets_are_used_up(book):
    original = keep(book, "Tide blue")
    with book.change("put by") as change:
        put_by(book, change, name="p", grams=30.0, date="2030-01-01", place="drawer 2", mix=MIX,
               original=original)  # fmt: skip
    packet = find_packet(book, "p")
    assert (packet.own_reading, packet.reading.lab_d50) == (False, (62.0, -21.0, -24.0))
    with book.change("took") as change:
        assert take_from(change, packet, 12.5) == 17.5
    with pytest.raises(WrongUsage, match=r"holds 17\.5 g"), book.change("took") as change:
        take_from(change, find_packet(book, "p"), 18.0)
    with book.change("took") as change:
        assert take_from(change, find_packet(book, "p"), None) == 0.0
    assert list_packets(book) == []
    assert [p.name for p in list_packets(book, Wanted(used_up=True, place="DRAWER"))] == ["p"]


def test_pulls_of_an_edition_have_one_first_good_one(book):
    with book.change("pulls") as change:
        for number in (3, 1, 2):
            reading = change.insert("reading", reading_row())
            add_pull(book, change, edition="Kingfisher", number=number, date="2030-01-01",
                     reading=reading, good=number != 2)  # fmt: skip
    assert [(p.number, p.good) for p in run_of(book, "kingfisher")] == [
        (1, True), (2, False), (3, False),
    ]  # fmt: skip
    assert editions(book) == [("Kingfisher", 3)]
    with pytest.raises(WrongUsage, match="already in the book"), book.change("twice") as change:
        add_pull(book, change, edition="KINGFISHER", number=2, date="2030-01-01", reading=1)


# Undoing ---------------------------------------------------------------------------------


def test_undo_and_redo_walk_through_the_changes(book):
    for name in ("one", "two", "three"):
        keep(book, name, photo=name.encode())
    states = [names(book)]
    assert book.undo() == "kept three"
    assert book.undo() == "kept two"
    assert names(book) == {"one"}
    assert book.redo() == "kept two"
    assert book.redo() == "kept three"
    assert book.redo() is None
    assert [names(book)] == states
    book.undo()
    keep(book, "four")
    assert book.redo() is None  # a new change is where things go on from
    assert names(book) == {"one", "two", "four"}
    assert [d.state for d in list_changes(book)] == ["done", "dropped", "done", "done"]
    while book.undo():
        pass
    assert names(book) == set()
    assert len(book.photos.files()) == 3  # photos are never thrown away
    assert not book.rows("PRAGMA foreign_key_check")


def test_a_change_that_fails_leaves_nothing(book):
    before = book.diary.path.read_bytes()
    with pytest.raises(BadFile), book.change("nothing") as change:
        change.insert("reading", reading_row() | {"lab_l": object()})
    assert book.rows("SELECT count(*) FROM reading")[0][0] == 0
    assert book.diary.path.read_bytes() == before
    keep(book, "after")
    assert names(book) == {"after"}


# The diary -------------------------------------------------------------------------------


def test_the_diary_alone_holds_everything(book):
    keep(book, "one", photo=b"1")
    keep(book, "two")
    book.undo()
    told = told_by(book.diary)
    for table in schema.TABLES:
        rows = {row["id"]: dict(row) for row in book.rows(f'SELECT * FROM "{table}"')}
        if table == "mark":  # the diary's changes are the latest marks themselves
            marks = [change.mark for change in book.diary.index().changes]
            assert [row["mark"] for row in rows.values()][-len(marks) :] == marks
            continue
        assert {key[1]: row for key, row in told.items() if key[0] == table} == rows


def test_the_diary_is_a_gzip_file_of_lines(book):
    """RFC 1952, as the standard library reads it; bytes of a row stand in base64."""
    keep(book, "one")
    text = gzip.decompress(book.diary.path.read_bytes())
    lines = [json.loads(line) for line in text.splitlines()]
    assert lines[0] == {
        "diary": "drawdown.diary/2", "schema": schema.VERSION, "book": book.setting("book"),
    }  # fmt: skip
    begun, ended = ([line for line in lines if key in line] for key in ("n", "end"))
    assert begun[-1]["what"] == "kept one"
    assert begun[-1]["after"] == ended[-2]["mark"]
    row = {"a": b"\x00\xff", "b": None, "c": 0.1, "d": "é"}
    assert data_of(text_of(row)) == row


def test_a_spoiled_block_is_seen_and_the_others_are_read(book):
    for name in ("one", "two", "three"):
        keep(book, name)
    whole = book.diary.path.read_bytes()
    changes = book.diary.index().changes
    assert [c.what for c in changes[1:]] == ["kept one", "kept two", "kept three"]
    two = changes[2]
    middle = (two.start + two.end) // 2
    for spoiled in (
        whole[:middle] + bytes([whole[middle] ^ 255]) + whole[middle + 1 :],
        whole[: two.start] + whole[two.end :],  # every block is whole, and the change is missing
    ):
        book.diary.path.write_bytes(spoiled)
        index = book.diary.index()
        assert not index.whole
        assert [c.what for c in index.changes[1:]] == ["kept one", "kept three"]
        assert book.diary.last_mark() == changes[-1].mark
    book.diary.path.write_bytes(whole[:middle])  # cut off by a kill: nothing was promised
    assert [c.what for c in book.diary.index().changes[1:]] == ["kept one"]
    assert book.diary.index().whole
    assert book.diary.last_mark() is None


def test_lines_of_another_shape_are_not_taken_for_rows(tmp_path):
    diary = Diary(tmp_path / "d")
    for data in ("x", ["original", 1], ["original", "1", {}], [5, 1, {}], ["original", 1, "x"]):
        diary.path.write_bytes(block_of(line_of(data)))
        assert list(diary.rows()) == [None]


def test_a_change_of_any_length_is_found_from_the_end(book):
    keep(book, "x" * 200, note="y" * 2000)
    with book.change("w" * 2000) as change:
        for _ in range(3000):
            change.insert("reading", reading_row())
    assert book.diary.last_mark() == book.diary.index().changes[-1].mark
    assert not book.behind()


def test_a_database_that_lost_its_last_changes_is_rolled_forward(book, tmp_path):
    """As when the log file was thrown away, or an older copy was put back."""
    keep(book, "one")
    book.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    earlier = (book.folder / "book.sqlite").read_bytes()
    keep(book, "two")
    keep(book, "three")
    book.undo()
    folder = book.folder
    book.close()
    (folder / "book.sqlite").write_bytes(earlier)
    with open_book(folder) as again:
        assert names(again) == {"one", "two"}
        assert again.redo() == "kept three"
        assert not again.rows("PRAGMA foreign_key_check")


def test_names_that_changed_hands_are_rolled_forward(book):
    rows = [packet_of(book, 35.0)]
    with book.change("put by") as change:
        rows.append(put_by(book, change, name="left", grams=1.0, date="2030-01-01", mix=MIX))
    book.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    earlier = (book.folder / "book.sqlite").read_bytes()
    with book.change("swapped") as change:
        for row, name in ((rows[1], "x"), (rows[0], "left"), (rows[1], "rest")):
            change.update("packet", row, {"name": name, "name_key": name})
    book.close()
    (book.folder / "book.sqlite").write_bytes(earlier)
    with open_book(book.folder) as again:
        assert find_packet(again, "left").grams == 35.0
        assert find_packet(again, "rest").grams == 1.0
    assert check(book.folder).whole


def test_a_lost_diary_is_written_afresh(book):
    keep(book, "one")
    folder = book.folder
    book.close()
    (folder / "diary.jsonl.gz").unlink()
    with open_book(folder) as again:
        keep(again, "two")
        told = told_by(again.diary)
        assert {row["name"] for key, row in told.items() if key[0] == "original"} == {"one", "two"}


def copy_of(book, folder):
    """A copy of an open book's folder, as a synchronizing program makes it."""
    book.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return shutil.copytree(book.folder, folder)


def test_an_older_diary_takes_nothing_back(book, tmp_path):
    row = packet_of(book, 35.0)
    earlier = copy_of(book, tmp_path / "earlier")
    with book.change("took ink") as change:
        change.update("packet", row, {"grams": 5.0})
    folder = book.folder
    book.close()
    shutil.copy(earlier / "diary.jsonl.gz", folder)
    report = check(folder, repair=True)
    assert (report.whole, report.lacking) == (True, [])
    with open_book(folder) as again:
        assert find_packet(again, "rest").grams == 5.0


def packet_of(book, grams):
    with book.change("put by") as change:
        return put_by(book, change, name="rest", grams=grams, date="2030-01-01", mix=MIX)


def test_two_histories_are_never_mixed_and_both_can_be_had(book, tmp_path):
    """Both copies went on by as many changes, of the same length."""
    keep(book, "in both", photo=b"seen")
    row = packet_of(book, 35.0)
    other = copy_of(book, tmp_path / "other")
    keep(book, "here")
    with open_book(other) as second:
        keep(second, "away")
        with second.change("took ink") as change:
            change.update("packet", row, {"grams": 5.0})
    folder = book.folder
    book.close()
    shutil.copy(other / "diary.jsonl.gz", folder)
    before = {path: path.read_bytes() for path in folder.glob("*") if path.is_file()}
    with pytest.raises(BadFile, match="two histories"):
        open_book(folder)
    assert not check(folder).whole
    asked = []
    refused = check(folder, repair=True, agree=lambda lacking: asked.extend(lacking))
    assert not refused.whole
    assert any('original "away"' in line for line in asked)
    assert any('packet "rest": grams 5.0, not 35.0' in line for line in asked)
    assert before == {path: path.read_bytes() for path in before}
    mended = check(folder, repair=True)
    assert mended.whole
    assert mended.lacking == asked
    with open_book(folder) as again:
        assert names(again) == {"in both", "here", "rest"}
    (history,) = (folder / "histories").iterdir()
    with open_book(history) as again:
        assert names(again) == {"in both", "away", "rest"}
        assert find_packet(again, "rest").grams == 5.0
    assert check(history).whole
    assert check(folder).whole


# What people type ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["", "  ", "a\x00b", "a\x1b[31m", "x" * 201])
def test_bad_names_are_refused(name):
    with pytest.raises(WrongUsage):
        clean_name(name)


@pytest.mark.parametrize(
    "day", ["", "today", "2030-2-1", "2030-02-30", "20300201", "2030-02-01T00"]
)
def test_bad_days_are_refused(day):
    with pytest.raises(WrongUsage):
        clean_date(day)


@pytest.mark.parametrize("grams", [0.0, -1.0, float("nan"), float("inf"), 1e9])
def test_bad_weights_are_refused(grams):
    with pytest.raises(WrongUsage):
        clean_grams(grams)
