"""One memory of a batch, in the book: what is listed, advised and learnt from are the same rows;
one photo counts once; what earlier versions kept is taken over; nothing changes a recipe but the
person."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from advice_kit import reading
from command_kit import json_of, run
from PIL import Image

from drawdown.book import open_book
from drawdown.book.batches import (
    GRAMS,
    PER_100,
    begin_batch,
    find_batch,
    log_added,
    log_taken,
    story_of,
)
from drawdown.book.columns import MixPart
from drawdown.book.memory import earlier_memory, knowledge_at
from drawdown.book.memory.learning import CACHE, learnt, stories, story_from, taught_row
from drawdown.commands import main as cli
from drawdown.ink.forward import lab_of_mix, paper_ground
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.batch_history import Step
from drawdown.matching.learn import learn, turned_out
from drawdown.studio.shelf_file import ShelfInUse, shelf_in_use

ROOT = Path(__file__).resolve().parents[3]
PHOTOS = ROOT / "fixtures" / "photos"
FIRST, SECOND = PHOTOS / "no-match.jpg", PHOTOS / "match.jpg"
MIX = ("--mix", "white 97, PB15:3 2, PG7 1")

GROUND = paper_ground(None)
NAMES = ("titanium-white", "transparent-base", "phthalo-blue", "arylide-yellow", "bone-black")
SHELF = Shelf(tuple(starter_shelf().find(name) for name in NAMES))
# A difference read to 0.2 per axis, colours to 2: a good photo.
FINE = {"difference_cov": 0.04 * np.eye(3), "common_sd": np.full(3, 2.0)}
RECIPE = {"titanium-white": 80.0, "phthalo-blue": 10.0, "arylide-yellow": 10.0}


def step_of(short: float, strength: float = 1.5, more: float = 0.0) -> Step:
    """A photo of a batch with ``short`` parts of a blue that is stronger than the shelf says."""

    def lab(blue: float) -> np.ndarray:
        parts = RECIPE | {"phthalo-blue": blue}
        k, s = (
            np.array([v * (strength if i.name == "phthalo-blue" else 1.0) for i, v in rows])
            for rows in ([(i, i.k) for i in SHELF], [(i, i.s) for i in SHELF])
        )
        return lab_of_mix(k, s, np.array([parts.get(n, 0.0) for n in NAMES]), 1.0, GROUND)

    return Step(reading(lab(10.0), lab(short + more), **FINE))


@pytest.fixture
def opened(tmp_path):
    with open_book(tmp_path / "a book", create=True) as book:
        yield book


def begin(book, name: str, grams: float | None = None, mix=RECIPE) -> int:
    parts = tuple(MixPart(ink, amount) for ink, amount in mix.items())
    with book.change("begun") as change:
        return begin_batch(
            book, change, name=name, original=None, date="2030-05-04", mix=parts, grams=grams
        )


def photo(book, row: int, step: Step, added=None, unit=GRAMS) -> None:
    with book.change("photo") as change:
        if added:
            log_added(change, row, tuple(added.items()), unit)
        change.insert("entry", {
            "batch": row, "at": "2030-05-04T10:00:00Z", "kind": "read",
            **taught_row(step, NAMES, SHELF),
        })  # fmt: skip


def story(book, name: str):
    batch = find_batch(book, name)
    return story_from(batch, story_of(book, batch.id), SHELF)


# Rows ------------------------------------------------------------------------------------


def test_a_batch_is_read_from_the_rows_that_are_listed(opened):
    row = begin(opened, "Kingfisher Green", grams=100.0)
    photo(opened, row, step_of(6.0))
    photo(opened, row, step_of(6.0, more=2.0), {"PB15:3": 2.0})
    with opened.change("stirred in") as change:
        log_added(change, row, (("phthalo-blue", 1.0),), GRAMS)
    with opened.change("half of it out") as change:
        log_taken(opened, change, find_batch(opened, "kingfisher green"), 51.5)
    found, pending = story(opened, "kingfisher green")
    assert found.mix == pytest.approx(RECIPE)
    assert [p.step.added for p in found.photos] == [{}, {"phthalo-blue": pytest.approx(0.02)}]
    assert [p.grams for p in found.photos] == [100.0, pytest.approx(102.0)]
    kept = found.photos[1].step.reading
    assert kept.lab_batch == pytest.approx(step_of(6.0, more=2.0).reading.lab_batch)
    assert kept.covariance == pytest.approx(step_of(6.0).reading.covariance)
    # A share of the batch, whatever was taken out since.
    assert pending["phthalo-blue"] == pytest.approx(1 / 102, rel=1e-3)


def test_parts_are_parts_and_grams_are_grams(opened):
    row = begin(opened, "hill")
    photo(opened, row, step_of(6.0))
    photo(opened, row, step_of(6.0), {"phthalo-blue": 1.5}, PER_100)
    assert story(opened, "hill")[0].photos[1].step.added == {"phthalo-blue": pytest.approx(0.015)}
    photo(opened, row, step_of(6.0), {"phthalo-blue": 2.1}, GRAMS)  # of an unknown weight
    assert story(opened, "hill")[0] is None


def test_learnt_from_all_batches_one_after_another(opened):
    expected = None
    for number, short in enumerate((6.0, 8.0, 13.0)):
        row = begin(opened, f"batch {number}")
        steps = (step_of(short), replace(step_of(short, more=2.0), added={"phthalo-blue": 0.02}))
        photo(opened, row, steps[0])
        photo(opened, row, steps[1], {"phthalo-blue": 2.0}, PER_100)
        expected = learn(SHELF, expected, SHELF.named_mix(RECIPE), steps, GROUND).knowledge
    taught = [one for _, one in stories(opened, SHELF)]
    assert [one.name for one in taught] == ["batch 0", "batch 1", "batch 2"]
    for again in range(2):  # the second time out of what was kept beside the book
        known = learnt(taught, SHELF, opened.folder)
        assert known.mean == pytest.approx(expected.mean, abs=2e-3), again
        assert known.covariance == pytest.approx(expected.covariance, abs=2e-3)
        assert (opened.folder / CACHE).exists()
    assert "phthalo-blue" in [row.name for row in turned_out(SHELF, known)]
    # Undone, it is unlearnt; an older batch that goes on is learnt last.
    opened.undo()
    assert len(stories(opened, SHELF)[-1][1].photos) == 1
    photo(opened, find_batch(opened, "batch 0").id, step_of(6.0))
    assert stories(opened, SHELF)[-1][1].name == "batch 0"


def test_new_figures_of_an_ink_begin_anew(opened):
    row = begin(opened, "one")
    photo(opened, row, step_of(6.0))
    blue = SHELF.find("phthalo-blue")
    fresh = Shelf(tuple(replace(i, k=1.5 * i.k) if i is blue else i for i in SHELF))
    assert len(stories(opened, SHELF)) == 1
    assert stories(opened, fresh) == []


def test_rows_that_someone_changed_teach_nothing(opened):
    row = begin(opened, "one")
    photo(opened, row, step_of(6.0))
    numbers = [0.0] * 44
    opened.db.execute("UPDATE entry SET taught = ?", (json.dumps(numbers),))
    assert stories(opened, SHELF) == []


# What was kept before --------------------------------------------------------------------


def test_an_earlier_memory_is_taken_over_once_with_a_word(tmp_path):
    shelf = tmp_path / "shelf.toml"
    earlier = ROOT / "tests" / "data" / "earlier" / "studio"
    for name in ("shelf.toml", "shelf.learnt.json"):
        shutil.copy(earlier / name, tmp_path / name)
    used = shelf_in_use(shelf)
    folder = tmp_path / "book"
    known, remarks, told = knowledge_at(folder, used)
    assert told == "What 2 batches taught is in the book now."
    assert remarks == ()
    blue = {row.name: row for row in turned_out(used.shelf, known)}["phthalo-blue"]
    assert blue.absorbs > 1.2
    with open_book(folder) as book:
        (one, first), (two, second) = stories(book, used.shelf)
        assert {one.name, two.name} == {"kingfisher green", "heron"}
        grams = {s.name: [p.grams for p in s.photos] for s in (first, second)}
        assert grams["kingfisher green"] == [250.0, pytest.approx(252.1)]
    again, _, told = knowledge_at(folder, used)
    assert told == ""
    assert again.mean == pytest.approx(known.mean)
    assert not earlier_memory(used).exists()


@pytest.mark.parametrize("text", ["[]", "{}", '{"slabs": 3}', '{"slabs": [{"name": "a"}]}'])
def test_a_spoiled_memory_costs_no_more_than_what_it_held(tmp_path, text):
    used = ShelfInUse(SHELF, "given", tmp_path / "inks.toml")
    assert earlier_memory(used) == tmp_path / "inks.learnt.json"
    earlier_memory(used).write_text(text)
    known, (remark,), _ = knowledge_at(tmp_path / "book", used)
    assert known is None
    assert remark.code == "learnt-unreadable"
    assert earlier_memory(used).read_text() == text


@pytest.mark.slow
def test_a_spoiled_book_does_not_stop_a_match_that_follows_no_batch(book, capsys):
    book.mkdir(parents=True)
    (book / "book.sqlite").write_bytes(b"nonsense" * 1000)
    assert cli.main(["match", str(FIRST), "--json"]) == 3
    assert "learnt-unreadable" in json.loads(capsys.readouterr().out)["photo"]["flags"]
    # To follow a batch, the book is needed, and it is not written over.
    assert cli.main(["match", str(FIRST), "--batch", "river", *MIX]) == 6
    assert capsys.readouterr().out == ""
    assert (book / "book.sqlite").read_bytes() == b"nonsense" * 1000


# The command -----------------------------------------------------------------------------


@pytest.mark.slow
def test_from_photo_to_what_was_learnt(book, capsys):
    """A photo begins a batch, the next one goes on with it; story and learning say the same."""
    assert run(capsys, "match", FIRST, "--batch", "hill", "--grams", "250g", *MIX)[0] == 3
    code, out, err = run(
        capsys, "match", SECOND, "--batch", "hill", "--added", "PB15:3 2,1", "--json"
    )
    assert code == 0, err
    assert "came nearer" in json.loads(out)["advice"]["note"]
    learnt_now = json_of(capsys, "ink", "list", "--learnt")
    assert [row["ink"] for row in learnt_now["inks"]] == [
        "titanium-white", "phthalo-blue", "phthalo-green",
    ]  # fmt: skip
    (batch,) = learnt_now["batches"]
    assert batch["photos"][1]["added"] == [{"ink": "phthalo-blue", "parts_per_100": 0.84}]
    assert batch["photos"][1]["grams"] == pytest.approx(252.1)
    told = json_of(capsys, "book", "batch", "hill")
    assert told["entries"][1]["added"] == [{"ink": "phthalo-blue", "grams": 2.1}]
    assert told["grams_now"] == pytest.approx(252.1)
    # The same photo once more, or a copy of it, counts once, and grams stay grams.
    code, _, err = run(capsys, "match", SECOND, "--batch", "hill", "--added", "PB15:3 2.1")
    assert code == 0
    assert "counts once" in err
    assert json_of(capsys, "book", "batch", "hill") == told
    assert json_of(capsys, "ink", "list", "--learnt") == learnt_now
    # Nor does it count anew as one of two photos of the pair.
    with Image.open(SECOND) as image:
        image.save(book.parent / "next.jpg", quality=97)
    code, _, err = run(capsys, "match", SECOND, book.parent / "next.jpg", "--batch", "hill")
    assert (code, "counts once" in err) == (0, True)
    assert json_of(capsys, "book", "batch", "hill") == told
    for left in (1, 0):
        assert run(capsys, "undo")[0] == 0
        batches = json_of(capsys, "ink", "list", "--learnt")["batches"]
        assert sum(len(b["photos"]) for b in batches) == left
    assert json_of(capsys, "book", "list", "batches")["batches"] == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--batch", "new"), "begins with its mix"),
        (("--batch", "new", *MIX, "--added", "PB15:3 1 g"), "begins with this photo"),
        (("--batch", " ", *MIX), "not a name"),
        (("--batch", "hill", "--mix", "white 1"), "began with another mix"),
        (("--batch", "hill", "--added", "mud 1"), "no ink called"),
        (("--batch", "hill", "--added", "PB15:3 5 g"), "is not known"),
        (("--batch", "hill", "--added", "PB15:3 5 g", "--grams", "4"), "cannot be all of"),
        (("--added", "PB15:3 5 g"), "without --batch"),
    ],
)
def test_batches_that_make_no_sense(book, capsys, more, says):
    with open_book(book, create=True) as opened:
        begin(opened, "hill", mix={"titanium-white": 97.0, "phthalo-blue": 3.0})
        before = len(opened.rows("SELECT * FROM change"))
    code, out, err = run(capsys, "match", SECOND, *more)
    assert (code, out) == (2, "")
    assert says in " ".join(err.split())
    with open_book(book) as opened:
        assert len(opened.rows("SELECT * FROM change")) == before


@pytest.mark.slow
def test_a_recipe_is_replaced_only_by_the_person(book, capsys):
    """A batch begun light matches: the recipe stays as it was kept, and the line that would
    change it is offered, word for word."""
    mix = ("--mix", "white 97, PB15:3 3")
    assert run(capsys, "book", "keep", FIRST, "--name", "Tide blue", *mix)[0] == 0
    assert run(capsys, "book", "mix", "tide", "--grams", 100, "--batch", "June")[0] == 0
    code, _, err = run(capsys, "match", SECOND, "--batch", "June")
    assert code == 0, err
    shown = json_of(capsys, "book", "show", "tide")
    assert [p["parts"] for p in shown["recipe"]["mix"]] == [97, 3]
    assert len(shown["recipes"]) == 1
    line = 'drawdown book edit "Tide blue" --batch "June"'
    assert line in " ".join(err.split())
    assert run(capsys, "book", "edit", "Tide blue", "--batch", "June")[0] == 0
    assert len(json_of(capsys, "book", "show", "tide")["recipes"]) == 2
