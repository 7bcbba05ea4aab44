"""``drawdown book share`` and ``import``: everything comes across and back, and nothing that a
hostile file holds comes near the book."""

from __future__ import annotations

import csv
import io
import json
import os
import random
from pathlib import Path

import pytest
import share_kit as kit
from book_kit import keep, quick_place
from share_kit import ARCHIVES, DELETE, put

from calibration.colour.tables import cgats_text, parse_cgats
from calibration.errors import BadFile
from drawdown.book import columns as schema
from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.book.originals import find_original, keep_original
from drawdown.book.readings import nearest
from drawdown.book.share.manifest import gather
from drawdown.book.share.validation import READINGS
from drawdown.commands import main as cli

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def quick_module():
    yield from quick_place()


@pytest.fixture(scope="module")
def shared(quick_module):
    """A book with a little of everything, and the file that was exported from it."""
    folder = quick_module / "sharing"
    with open_book(folder / "book", create=True) as book:
        kit.fill(book)
    where = ["--book", str(folder / "book")]
    assert cli.main(["book", "share", str(folder / "all.zip"), *where]) == 0
    return folder


@pytest.fixture(scope="module")
def steady(quick_module):
    """A book that no refused file may change, and what is in it."""
    folder = quick_module / "steady"
    with open_book(folder, create=True) as book:
        keep(book, "Moss", lab=(40.0, -20.0, 20.0), photo=kit.png(77))
    return folder, kit.snapshot(folder)


@pytest.fixture
def here(tmp_path, monkeypatch):
    """Another studio's book with something kept in it."""
    folder = tmp_path / "here"
    monkeypatch.setenv("DRAWDOWN_BOOK", str(folder))
    with open_book(folder, create=True) as book:
        keep(book, "Moss", lab=(40.0, -20.0, 20.0), photo=kit.png(77))
    return folder


def content(folder) -> dict:
    """What a book says, its ids left out."""
    with open_book(folder) as book:
        file = gather(book)
        names = {o["id"]: o["name"] for o in file.originals}
        batches = {b["id"]: b["name"] for b in file.batches}
        data = file.manifest()
        for row in (*data["batches"], *data["packets"]):
            row["original"] = names.get(row["original"])
        for row in data["packets"]:
            row["batch"] = batches.get(row["batch"])
        for row in (*data["originals"], *data["batches"]):
            del row["id"]
        del data["made_at"]
        for row in (*data["originals"], *data["batches"], *data["packets"], *data["pulls"]):
            for place in (row, *row.get("entries", ())):
                for name in READINGS:
                    if place.get(name) is not None:
                        place[name] = data["readings"][place[name]]
        del data["readings"]
        return data


# There and back ----------------------------------------------------------------------------


def test_a_book_comes_across_whole(shared, tmp_path, run, json_of):
    there = tmp_path / "there"
    took = json_of("import", shared / "all.zip", "--book", there)
    assert (took["renamed"], took["skipped"], took["already_there"]) == ([], [], 0)
    assert {kind: len(names) for kind, names in took["added"].items()} == {
        "originals": 4, "batches": 1, "packets": 2, "pulls": 2,
    }  # fmt: skip
    assert content(there) == content(shared / "book")
    assert run("check", "--book", there)[0] == 0
    with open_book(there) as book, open_book(shared / "book") as source:
        # The ensemble behind each colour too, and what find goes by.
        one, other = (find_original(b, "tide").reading for b in (book, source))
        assert one.samples == other.samples
        assert [n.de00 for n in nearest(book, (62.0, -21.0, -24.0))] == [
            n.de00 for n in nearest(source, (62.0, -21.0, -24.0))
        ]
    code, out, _ = run("batch", "may", "--book", there)
    assert code == 0
    assert "phthalo-blue 0.8 per 100" in " ".join(out.split())


def test_the_format_knows_every_column_of_the_book(shared):
    """A column that a later version of the tables adds must find its place in the shared file."""
    left_out = {
        "id", "name_key", "edition_key", "batch", "original",  # made anew
        "lab_l", "lab_a", "lab_b", "u95_l", "u95_a", "u95_b", "paper",  # as lists in a reading
        "added_at",
    }  # fmt: skip
    with open_book(shared / "book") as book:
        data = gather(book).manifest()
        reading = data["readings"][0]
        places = {
            "reading": reading, "original": data["originals"][0],
            "recipe": data["originals"][0]["recipes"][0], "batch": data["batches"][0],
            "entry": data["batches"][0]["entries"][0], "packet": data["packets"][0],
            "pull": data["pulls"][0], "photo": data["photos"][0],
        }  # fmt: skip
        assert set(places) == set(schema.TABLES) - {"setting", "change", "change_row", "mark"}
        for table, place in places.items():
            for column in schema.columns(book.db, table):
                assert column in place or column in left_out, f"{table}.{column}"


def test_every_key_of_the_file_is_described():
    """The README says what each key holds; who writes such a file by hand has nothing else."""
    from drawdown.book.columns import PHOTO, READING
    from drawdown.book.share.manifest import KINDS

    text = (ROOT / "drawdown" / "book" / "share" / "README.md").read_text(encoding="utf-8")
    tables = [READING, PHOTO, *KINDS.values()]
    tables += [part for table in KINDS.values() for part, _ in table.parts.values()]
    keys = {column.key for table in tables for column in table.shared}
    assert "light_sd" in keys
    assert [key for key in sorted(keys) if f"`{key}`" not in text] == []


def test_again_is_nothing_new_and_undo_takes_all_back(shared, here, run, json_of):
    before = kit.snapshot(here)
    assert run("import", shared / "all.zip")[0] == 0
    once = kit.snapshot(here)
    took = json_of("import", shared / "all.zip")
    assert took["already_there"] == 9
    assert kit.snapshot(here) == once
    assert cli.main(["undo"]) == 0
    with open_book(here) as book:
        assert kit.names_of_live(book) == {"Moss"}
    assert run("check")[0] == 0
    assert cli.main(["undo", "--redo"]) == 0
    moss = [o for o in content(here)["originals"] if o["name"] == "Moss"]
    assert moss
    assert json.loads(json.dumps(before))  # the snapshot itself is plain


def test_a_lost_photo_comes_back_with_the_file(shared, tmp_path, run):
    there = tmp_path / "there"
    run("import", shared / "all.zip", "--book", there)
    with open_book(there) as book:
        row = book.rows("SELECT * FROM photo")[0]
        book.photos.path(row["sha256"], row["ending"]).unlink()
    assert run("check", "--book", there)[0] == 6
    code, _, err = run("import", shared / "all.zip", "--book", there)
    assert code == 0, err
    assert run("check", "--book", there)[0] == 0


def test_taken_names_are_asked_renamed_or_skipped_never_written_over(shared, here, run, json_of):
    with open_book(here) as book:
        keep(book, "TIDE  blue", lab=(10.0, 0.0, 0.0))
    kept = content(here)
    before = kit.snapshot(here)
    code, _, err = run("import", shared / "all.zip")
    assert code == 2
    assert 'another original "Tide blue"' in err
    assert "--rename" in err
    assert kit.snapshot(here) == before

    took = json_of("import", shared / "all.zip", "--rename")
    assert took["renamed"] == [{"kind": "original", "from": "Tide blue", "to": "Tide blue (2)"}]
    after = content(here)
    for original in kept["originals"]:
        assert original in after["originals"]
    # What belongs to it went with it.
    assert [b["original"] for b in after["batches"]] == ["Tide blue (2)"]
    assert cli.main(["undo"]) == 0

    took = json_of("import", shared / "all.zip", "--skip")
    assert took["skipped"] == [{"kind": "original", "name": "Tide blue"}]
    after = content(here)
    assert {o["name"] for o in after["originals"]} >= {"Moss", "TIDE  blue"}
    assert [b["original"] for b in after["batches"]] == ["TIDE  blue"]
    assert run("import", shared / "all.zip", "--skip", "--rename")[0] == 2


def test_a_person_is_asked(shared, here, monkeypatch, run):
    from drawdown.report.text import terminal

    with open_book(here) as book:
        keep(book, "Tide blue", lab=(10.0, 0.0, 0.0))
    monkeypatch.setattr(terminal, "is_tty", lambda stream: True)
    monkeypatch.setattr("sys.stdin", io.StringIO("what?\nn\n"))
    code, out, err = run("import", shared / "all.zip")
    assert code == 0, err
    assert err.count("another name (n)") == 2
    assert '"Tide blue (2)"' in out


def test_pulls_of_an_edition_that_is_here_are_kept_apart(shared, tmp_path, run, json_of):
    there = tmp_path / "there"
    run("import", shared / "all.zip", "--book", there)
    other = kit.remade(shared / "all.zip", tmp_path / "other.zip",
                       put("readings", -1, "lab_d50", [1.0, 2.0, 3.0]))  # fmt: skip
    assert run("import", other, "--book", there)[0] == 2
    took = json_of("import", other, "--book", there, "--rename")
    assert took["added"]["pulls"] == ["Kingfisher (2) 2"]
    pulls = content(there)["pulls"]
    assert [(p["edition"], p["number"]) for p in pulls] == [
        ("Kingfisher", 1), ("Kingfisher", 2), ("Kingfisher (2)", 2),
    ]  # fmt: skip


def test_some_recipes_or_an_edition_alone(shared, tmp_path, run, json_of):
    book = ("--book", shared / "book")
    told = json_of("share", tmp_path / "one.zip", "tide", *book)
    assert told["counts"] == {"originals": 1, "batches": 0, "packets": 0, "pulls": 0, "photos": 1}
    told = json_of("share", tmp_path / "ed.zip", "--edition", "KINGFISHER", *book)
    assert told["counts"]["pulls"] == 2
    told = json_of("share", tmp_path / "few.zip", "--without-photos", *book)
    assert told["counts"]["photos"] == 0
    look = json_of("import", tmp_path / "few.zip", "--look")
    assert look["originals"] == ["Tide blue", '=Łódź "bleu", №2', "Gone"]
    assert run("share", tmp_path / "x.zip", "--edition", "none", *book)[0] == 2
    assert run("share", tmp_path / "x.zip", "nobody", *book)[0] == 2
    assert not (tmp_path / "x.zip").exists()


def test_nothing_is_written_over_without_asking(shared, tmp_path, run):
    out = tmp_path / "kept.zip"
    out.write_bytes(b"precious")
    book = ("--book", shared / "book")
    assert run("share", out, *book)[0] == 2
    assert out.read_bytes() == b"precious"
    assert run("share", out, *book, "--replace")[0] == 0
    assert run("share", tmp_path / "kept.tar", *book)[0] == 2
    assert run("share", tmp_path / "no" / "kept.zip", *book)[0] == 6
    assert run("share", tmp_path / "empty.zip", "--book", tmp_path / "none")[0] == 6


def test_a_damaged_photo_is_not_passed_on(shared, tmp_path, run, json_of):
    there = tmp_path / "there"
    run("import", shared / "all.zip", "--book", there)
    with open_book(there) as book:
        rows = book.rows("SELECT * FROM photo")
        first, second = (book.photos.path(r["sha256"], r["ending"]) for r in rows[:2])
    first.unlink()
    told = json_of("share", tmp_path / "a.zip", "--book", there)
    assert told["photos_missing"] == [first.name]
    assert run("import", tmp_path / "a.zip", "--book", tmp_path / "b")[0] == 0
    second.write_bytes(b"x" * second.stat().st_size)
    code, _, err = run("share", tmp_path / "b.zip", "--book", there)
    assert code == 6
    assert "not as it was kept" in err
    assert not (tmp_path / "b.zip").exists()
    assert not list(tmp_path.glob(".*.part"))


# Colours for other programs ------------------------------------------------------------------


def test_colours_as_cgats_and_csv(shared):
    """CGATS.17 is read back by the reader that instruments' files go through; the CSV by the
    standard library's."""
    parts = kit.members(shared / "all.zip")
    (table,) = parse_cgats(parts["colours.txt"].decode())
    assert table.columns["SAMPLE_NAME"][:2] == ("Tide blue", '=Łódź "bleu", №2')
    assert table.numbers("LAB_L", "LAB_A", "LAB_B")[0] == pytest.approx([62.0, -21.0, -24.0])
    text = parts["colours.csv"].decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["kind"] for row in rows] == ["original"] * 3 + ["packet"] * 2 + ["pull"] * 2
    assert rows[1]["name"] == '\'=Łódź "bleu", №2'  # no formula for a spreadsheet
    assert float(rows[0]["lab_b_d50"]) == -24.0
    assert rows[0]["mix_parts"] == "titanium-white 97"
    assert len({row["name"] for row in rows if row["name"] == "Gone"}) == 1


def test_cgats_needs_a_sample():
    with pytest.raises(ValueError, match="at least one"):
        cgats_text([], descriptor="x", created="2030-01-01")


def test_a_book_of_equal_readings_is_no_bomb(tmp_path, run):
    """Whatever export writes, import takes: much the same shrinks beyond what is believed."""
    with open_book(tmp_path / "a", create=True) as book, book.change("many") as change:
        for k in range(300):
            reading = change.insert("reading", kit.reading_row(read_at="2030-01-01T00:00:00Z"))
            keep_original(book, change, name=f"c {k}", reading=reading, date="2030-01-01")
    assert run("share", tmp_path / "a.zip", "--book", tmp_path / "a")[0] == 0
    code, _, err = run("import", tmp_path / "a.zip", "--book", tmp_path / "b")
    assert code == 0, err


def test_whatever_a_book_may_hold_goes_out_and_in(tmp_path, run, json_of):
    """The longest and strangest that the commands keep: import must take what export writes."""
    long = "x" * 200
    mix = (MixPart(long, 1e-9, long), MixPart("y", 1e9), MixPart("trace", 0.0))
    with open_book(tmp_path / "a", create=True) as book:
        keep(book, long, mix=mix, paper="p" * 2000, edition="e" * 2000, note="n" * 2000)
        with book.change("odd") as change:
            row = kit.reading_row(
                captured="2030:01:01\x00\n\x1b[2J", flags='[["x", "a\\nb\\u001b\\u202e"]]',
                samples=None, u95_l=None, u95_a=None, u95_b=None, card=None, munsell_value=None,
                corners_px=None, strip_number=None, light_sd=None,
            )  # fmt: skip
            reading = change.insert("reading", row)
            keep_original(book, change, name="ö", reading=reading, date="0001-01-01", mix=mix,
                          grams=9_999_999.0)  # fmt: skip
            keep_original(book, change, name="none", reading=None, date="9999-12-31")
    assert run("share", tmp_path / "a.zip", "--book", tmp_path / "a")[0] == 0
    code, _, err = run("import", tmp_path / "a.zip", "--book", tmp_path / "b")
    assert code == 0, err
    assert content(tmp_path / "a") == content(tmp_path / "b")
    took = json_of("import", tmp_path / "a.zip", "--book", tmp_path / "b")
    assert took["already_there"] == 3


# Hostile files -----------------------------------------------------------------------------


@pytest.mark.parametrize("way", ARCHIVES)
def test_hostile_archives_are_refused_and_nothing_is_lost(way, shared, steady, tmp_path, run):
    spoil, said = ARCHIVES[way]
    here, before = steady
    bad = spoil(shared / "all.zip", tmp_path / "bad.zip")
    outside = sorted(os.listdir(tmp_path))
    code, out, err = run("import", bad, "--book", here)
    assert (code, out) == (6, ""), err
    assert said in err
    assert "the book is as it was" in err
    assert "Traceback" not in err
    assert kit.snapshot(here) == before
    assert sorted(os.listdir(tmp_path)) == outside
    # Nor is a book made where there was none.
    assert run("import", bad, "--book", tmp_path / "none")[0] == 6
    assert not (tmp_path / "none").exists()


DEEP = {"a": [[[[[[[[[[[[[[1]]]]]]]]]]]]]]}
READING = ("readings", 0)
MANIFESTS = {
    "newer": (put("format", "drawdown.book-file/2"), "newer drawdown"),
    "version nought": (put("format", "drawdown.book-file/0"), "never was"),
    "other format": (put("format", "recipes/1"), "does not say"),
    "format a number": (put("format", 1), "does not say"),
    "a list": (lambda m: "[]", "does not say"),
    "no JSON": (lambda m: "{", "cannot be read"),
    "not UTF-8": (lambda m: b'{"format": "\xff"}', "UTF-8"),
    "deep": (lambda m: "[" * 99_000, "deeper"),
    "NaN": (lambda m: json.dumps(m).replace("62.0", "NaN", 1), "NaN"),
    "infinity": (lambda m: json.dumps(m).replace("62.0", "1e999", 1), "too large"),
    "long number": (lambda m: json.dumps(m).replace("62.0", "9" * 5000, 1), "too long"),
    "key twice": (lambda m: '{"format": "drawdown.book-file/1", "format": 1}', "same key twice"),
    "name a number": (put("originals", 0, "name", 5), "originals[0].name is '5', not a text"),
    "name empty": (put("originals", 0, "name", ""), "originals[0].name"),
    "name long": (put("originals", 0, "name", "x" * 300), "1 to 200 letters"),
    "name with escape": (put("originals", 0, "name", "a\x1b[2Jb"), "plain text"),
    "name turned round": (put("originals", 0, "name", "a\u202eb"), "plain text"),
    "name with line end": (put("originals", 0, "name", "a\nb"), "plain text"),
    "flag with escape": (put(*READING, "flags", [["x", "\x1b]0;t\x07"]]), "plain text"),
    "name twice": (put("originals", 1, "name", "tide BLUE"), "is there twice"),
    "id twice": (put("originals", 1, "id", 1), "is there twice"),
    "id true": (put("originals", 1, "id", True), "not a whole number"),
    "id huge": (put("originals", 1, "id", 2**60), "too large"),
    "no such day": (put("originals", 0, "date", "2030-02-30"), "not a day"),
    "state": (put("originals", 0, "state", "damp"), "unknown there"),
    "state a list": (put("originals", 0, "state", []), "unknown there"),
    "missing field": (put("originals", 0, "date", DELETE), "lacks date"),
    "strange field": (put("originals", 0, "evil", 1), "does not have"),
    "originals an object": (put("originals", {}), "not a list"),
    "Lab of two": (put(*READING, "lab_d50", [1, 2]), "not a list of 3"),
    "Lab text": (put(*READING, "lab_d50", [1, 2, "3"]), "lab_d50[2] is '3', not a number"),
    "Lab true": (put(*READING, "lab_d50", [True, 2, 3]), "is true, not a number"),
    "Lab huge": (put(*READING, "lab_d50", [1e12, 0, 0]), "only be from"),
    "u95 negative": (put(*READING, "lab_u95", [-1, 0, 0]), "only be from"),
    "samples text": (put(*READING, "samples", "!!!"), "spread of a colour"),
    "samples cut": (put(*READING, "samples", "AAAA"), "spread of a colour"),
    "samples NaN": (put(*READING, "samples", "AADAfwAAwH8AAMB/"), "no colour can have"),
    "hash": (put(*READING, "photo", "../../etc/passwd"), "not a SHA-256"),
    "unknown photo": (put(*READING, "photo", "0" * 64), "not in the file"),
    "ending": (put("photos", 0, "ending", "./../x"), "ending of a file"),
    "size": (put("photos", 0, "size_bytes", 7), "another size"),
    "photo twice": (lambda m: m["photos"].append(m["photos"][0]), "stands there twice"),
    "photo not listed": (lambda m: m.update(photos=m["photos"][1:]), "not in the file"),
    "parts negative": (put("originals", 0, "recipes", 0, "mix", 0, "parts", -1), "only be from"),
    "parts all nought": (put("originals", 0, "recipes", 1, "mix", 0, "parts", 0), "to nothing"),
    "grams negative": (put("packets", 0, "grams", -5), "only be from"),
    "grams null": (put("packets", 0, "grams", None), "is null, not a number"),
    "no such reading": (put("packets", 0, "reading", 99), "which is not in the file"),
    "reading before the first": (put("packets", 0, "reading", -1), "not a whole number"),
    "no such first good pull": (put("pulls", 1, "beside", 99), "which is not in the file"),
    "points nowhere": (put("packets", 0, "original", 99), "which is not in the file"),
    "batch nowhere": (put("packets", 0, "batch", 99), "which is not in the file"),
    "kind of entry": (put("batches", 0, "entries", 0, "kind", "evil"), "unknown there"),
    "advised": (put("batches", 0, "entries", 0, "advised", {"add_first": [5]}), "ink and its"),
    "advised deep": (put("batches", 0, "entries", 0, "advised", DEEP), "deeper than any advice"),
    "pull twice": (put("pulls", 1, "number", 1), "twice in its edition"),
    "two first good pulls": (put("pulls", 1, "good", True), "second first good pull"),
    "good a number": (put("pulls", 1, "good", 1), "neither true nor false"),
}  # fmt: skip


@pytest.mark.parametrize("way", MANIFESTS)
def test_hostile_records_are_refused_and_nothing_is_lost(way, shared, steady, tmp_path, run):
    change, said = MANIFESTS[way]
    here, before = steady
    bad = kit.remade(shared / "all.zip", tmp_path / "bad.zip", change)
    code, out, err = run("import", bad, "--book", here)
    assert (code, out) == (6, ""), err
    assert said in err
    assert "the book is as it was" in err
    assert kit.snapshot(here) == before


def test_any_byte_spoiled_is_refused_or_does_no_harm(shared, here, tmp_path, run):
    """Bytes turned at random: the book stays whole, and what is refused is explained."""
    data = (shared / "all.zip").read_bytes()
    pick = random.Random(11)
    for _ in range(20):
        spoiled = bytearray(data)
        for _ in range(pick.choice((1, 3, 30))):
            spoiled[pick.randrange(len(data))] = pick.randrange(256)
        bad = tmp_path / "bad.zip"
        bad.write_bytes(spoiled)
        before = content(here)
        code, _, err = run("import", bad, "--skip")
        assert code in (0, 6), err
        assert "Traceback" not in err
        if code == 0:
            cli.main(["undo"])
        assert content(here) == before
    assert run("check")[0] == 0


def test_too_many_files_and_too_much_in_all(shared, tmp_path, monkeypatch, run):
    from drawdown.book.share import archive as bz

    monkeypatch.setattr(bz, "MOST_MEMBERS", 5)
    assert "more than a book" in run("import", shared / "all.zip", "--look")[2]
    monkeypatch.undo()
    monkeypatch.setattr(bz, "MOST_TOTAL_BYTES", 1000)
    assert "more than any book" in run("import", shared / "all.zip", "--look")[2]
    monkeypatch.undo()
    monkeypatch.setattr(bz, "MOST_VALUES", 100)
    assert "more values" in run("import", shared / "all.zip", "--look")[2]


def test_a_disk_that_fills_leaves_the_book_as_it_was(shared, here, monkeypatch, run):
    import shutil

    before = kit.snapshot(here)
    usage = type("Usage", (), {"free": 10})
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)
    code, _, err = run("import", shared / "all.zip")
    assert code == 6
    assert "--without-photos" in err
    assert kit.snapshot(here) == before


def test_a_change_that_fails_midway_leaves_no_row(shared, here, monkeypatch, run):
    from drawdown.book.share import importing as bookfile_import

    before = content(here)

    named = bookfile_import._Writer.name_for

    def fail(self, kind, i, data):
        if kind == "pulls":  # the last ones
            raise BadFile("the disk is full", "x", "y")
        return named(self, kind, i, data)

    monkeypatch.setattr(bookfile_import._Writer, "name_for", fail)
    assert run("import", shared / "all.zip")[0] == 6
    assert content(here) == before
    assert run("check")[0] == 0


def test_files_that_are_no_files(tmp_path, run):
    assert run("import", tmp_path)[0] == 6
    assert run("import", tmp_path / "none.zip")[0] == 6
    (tmp_path / "empty.zip").write_bytes(b"")
    assert run("import", tmp_path / "empty.zip")[0] == 6


def test_another_program_that_takes_the_name_meanwhile(shared, here, monkeypatch, run):
    """Between the question and the writing somebody else keeps a Tide blue: told, not lost."""
    from drawdown.book.share import importing as bookfile_import

    taking = bookfile_import.take_in

    def meanwhile(book, *rest):
        with open_book(here) as other:
            keep(other, "Tide blue", lab=(1.0, 2.0, 3.0))
        return taking(book, *rest)

    monkeypatch.setattr(bookfile_import, "take_in", meanwhile)
    code, _, err = run("import", shared / "all.zip")
    assert code == 6
    assert "came into the book while" in err
    assert {o["name"] for o in content(here)["originals"]} == {"Moss", "Tide blue"}
