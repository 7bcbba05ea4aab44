"""What the book finds nearest, and a recipe made again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from book_kit import keep
from command_kit import json_of, run

from calibration.errors import WrongUsage
from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.book.packets import put_by
from drawdown.book.readings import nearest
from drawdown.ink.recipe import remake

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"


# The nearest -------------------------------------------------------------------------------


def test_the_nearest_is_the_nearest_by_another_implementation(book):
    """Against colour-science's CIEDE2000 over all of them (Sharma, Wu, Dalal 2005 is what both
    implement)."""
    import colour

    rng = np.random.default_rng(4)
    labs = np.column_stack([rng.uniform(20, 95, 300), rng.normal(0, 30, (300, 2))]).round(3)
    with open_book(book, create=True) as opened:
        with opened.change("many") as change:
            from book_kit import reading_row

            from drawdown.book.originals import keep_original

            for k, lab in enumerate(labs):
                row = change.insert("reading", reading_row(tuple(map(float, lab))))
                keep_original(opened, change, name=f"{k}", reading=row, date="2030-01-01")
        for query in rng.normal((60, 0, 0), (15, 25, 25), (20, 3)):
            truth = colour.delta_E(query, labs, method="CIE 2000")
            found = nearest(opened, query, 3)
            assert [near.id - 1 for near in found] == list(np.argsort(truth)[:3])
            np.testing.assert_allclose([n.de00 for n in found], np.sort(truth)[:3], atol=1e-6)


@pytest.mark.slow
def test_a_packet_far_off_is_not_said_to_be_used_up(book, capsys):
    with open_book(book, create=True) as opened:
        keep(opened, "Near it", (79.6, -28.4, -20.0))
        with opened.change("put by") as change:
            put_by(opened, change, name="p", grams=5, date="2030-01-01", original=1)
    args = ("book", "find", PHOTOS / "match.jpg", "--strip", 2, "--packets")
    strict = json_of(capsys, *args, "--tolerance", 1)
    assert 2 < strict["found"][0]["de00"] < 6
    assert strict["use_first"] is None
    assert json_of(capsys, *args, "--tolerance", 4)["use_first"] == "p"


def test_what_is_struck_out_or_used_up_is_not_found(book):
    with open_book(book, create=True) as opened:
        first = keep(opened, "first", (50, 0, 0))
        keep(opened, "second", (60, 0, 0))
        with opened.change("put by") as change:
            put_by(opened, change, name="p", grams=5, date="2030-01-01", original=first)
        assert [n.kind for n in nearest(opened, (50, 0, 0))] == ["original", "packet", "original"]
        with opened.change("both") as change:
            change.update("original", first, {"removed": "2030"})
            change.update("packet", 1, {"grams": 0})
        assert [(n.kind, n.id) for n in nearest(opened, (50, 0, 0))] == [("original", 2)]
        assert nearest(opened, (50, 0, 0), kinds=("packet",)) == ()


# Remaking ------------------------------------------------------------------------------------


def test_a_recipe_is_weighed_out_light():
    # By hand: 60 g of 97 : 2 : 1 are 58.2, 1.2 and 0.6 g; a tenth of the colours is held back.
    result = remake({"white": 97.0, "blue": 2.0, "green": 1.0}, 60.0, {"white"})
    rows = [(row.ink, row.first_g, row.held_g) for row in result.inks]
    assert rows == [
        ("white", pytest.approx(58.2), 0.0),
        ("blue", pytest.approx(1.08), pytest.approx(0.12)),
        ("green", pytest.approx(0.54), pytest.approx(0.06)),
    ]
    assert result.first_g == pytest.approx(59.82)
    assert result.first_g + sum(row.held_g for row in result.inks) == pytest.approx(60.0)
    assert result.too_small == ()


def test_masstones_begin_from_the_ink_there_is_most_of():
    result = remake({"yellow": 30.0, "red": 10.0}, 20.0, set(), 0.2)
    assert [(r.ink, r.first_g) for r in result.inks] == [
        ("yellow", pytest.approx(15.0)), ("red", pytest.approx(4.0)),
    ]  # fmt: skip
    assert remake({"yellow": 3.0}, 20.0, set()).first_g == pytest.approx(20.0)


def test_what_a_scale_cannot_show_is_said():
    result = remake({"white": 99.9, "black": 0.1}, 20.0, {"white"}, 0.0)
    assert result.too_small == ("black",)
    assert result.least_g == pytest.approx(100.0)  # 0.1 g of 0.1 parts in 100


@pytest.mark.parametrize(("grams", "held"), [(0, 0.1), (-1, 0.1), (np.nan, 0.1), (np.inf, 0.1),
                                             (10, -0.1), (10, 0.95), (10, np.nan)])  # fmt: skip
def test_amounts_that_make_no_sense_are_refused(grams, held):
    with pytest.raises(WrongUsage):
        remake({"white": 1.0}, grams, {"white"}, held)


def test_remake_says_how_far_off_the_beginning_is(book, capsys):
    with open_book(book, create=True) as opened:
        keep(opened, "Tide blue")
        keep(opened, "Own ink", mix=(MixPart("my white", 9), MixPart("my own red", 1)))
        keep(opened, "No mix", mix=())
    data = json_of(capsys, "book", "mix", "tide", "--grams", 60)
    assert 0.2 < data["first_de00_from_original"] < 4
    assert [row["ink"] for row in data["inks"]] == ["titanium-white", "phthalo-blue"]
    data = json_of(capsys, "book", "mix", "own", "--grams", 10, "--hold-back", 50)
    assert data["first_de00_from_original"] is None  # no figures of these inks
    assert data["inks"][1]["first_grams"] == pytest.approx(0.5)
    code, _, err = run(capsys, "book", "mix", "no mix", "--grams", 10)
    assert code == 2
    assert "book edit" in " ".join(err.split())


def test_a_batch_that_is_remade_begins_in_the_book_as_it_is_on_the_slab(book, capsys):
    with open_book(book, create=True) as opened:
        keep(opened, "Tide blue")
    data = json_of(capsys, "book", "mix", "tide", "--grams", 100, "--batch", "June")
    assert data["batch"] == "June"
    told = json_of(capsys, "book", "batch", "june")
    # By hand: 97 g white and nine tenths of 3 g blue, so 2.7 in 99.7.
    assert told["grams_now"] == pytest.approx(99.7)
    assert told["mix_now"][1]["parts"] == pytest.approx(270 / 99.7, abs=1e-3)
    assert told["mix_now"][1]["ink_batch"] == "tin 7"
    run(capsys, "book", "batch", "june", "--added", "phthalo-blue 0.3 g")
    told = json_of(capsys, "book", "batch", "june")
    assert told["mix_now"][1]["parts"] == pytest.approx(3.0)
    assert run(capsys, "book", "mix", "tide", "--grams", 100, "--batch", "June")[0] == 2
