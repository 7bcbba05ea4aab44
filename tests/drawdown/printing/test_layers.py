"""The layer plan: the exact search against every order tried by hand, common practice, words.

Checked against: brute force (each order's overlaps worked out one by one), and two rules of
the trade (light to dark, transparent before opaque: common practice, no source).
"""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from PIL import Image

from calibration.errors import WrongUsage
from drawdown.commands import main as cli
from drawdown.ink.shelf import starter_shelf
from drawdown.printing import layer_order as layers
from drawdown.printing import overprint
from drawdown.printing.layer_notation import read_layers, read_order, read_paper
from drawdown.printing.opacity import grade_of

SHELF = starter_shelf()
MIXES = {
    "sky": {"white": 80, "PB15:3": 5, "base": 15},
    "key": {"black": 1},
    "breast": {"PO73": 30, "base": 70},
    "water": {"PB15:3": 20, "base": 80},
    "reed": {"PG7": 3, "PY74": 20, "base": 77},
    "mist": {"white": 30, "base": 70},
    "branch": {"black": 10, "PR254": 10, "base": 80},
    "wing": {"PV23": 10, "base": 90},
    "wine": {"PV19": 30, "base": 70},
}
ON = overprint.sheet()


def films(*names):
    asked = [(name, SHELF.named_mix(MIXES[name]), 1.0) for name in names]
    return overprint.layers_from_mixes(SHELF, asked)


def score_by_hand(made, order) -> float:
    found = layers.overlaps(made, ON, order)
    n = len(made)
    return sum(
        float(layers._fault(lab, found[stack[:-1]], found[stack[-1:]], len(stack), n))
        for stack, lab in found.items()
        if len(stack) > 1
    )


def test_exact_search_is_every_order_tried_by_hand():
    made = films("sky", "key", "breast", "water")
    orders, score = layers.scores(made, ON)
    assert len({tuple(o) for o in orders}) == 24
    for order, value in zip(orders, score, strict=True):
        assert value == pytest.approx(score_by_hand(made, order), abs=1e-9)


@pytest.mark.slow
def test_eight_layers_are_exact():
    made = films("sky", "key", "breast", "water", "reed", "mist", "branch", "wing")
    plan = layers.plan(made, ON)
    assert plan.exact
    assert plan.orders_scored == 40320
    # Not all by hand: the proposal, the worst, and a few in between.
    some = [plan.proposal, plan.worst, *plan.orders]
    for order in some:
        assert order.score == pytest.approx(score_by_hand(made, order.places), abs=1e-9)
    price = layers.CLEAR_GAIN / 28  # of one pair of 28 that goes against practice
    assert plan.practice.breaks == 0
    assert plan.proposal.score + price * plan.proposal.breaks <= plan.practice.score
    rng = np.random.default_rng(1)
    for _ in range(20):
        order = tuple(rng.permutation(8))
        value = score_by_hand(made, order)
        assert plan.proposal.score - layers.TIE <= value <= plan.worst.score + 1e-9


def test_overlaps_are_all_there():
    made = films("sky", "key", "breast")
    found = layers.overlaps(made, ON, (2, 0, 1))
    assert len(found) == 8
    assert set(found) == {
        tuple(p for p in (2, 0, 1) if p in s)
        for k in range(4)
        for s in itertools.combinations(range(3), k)
    }
    both = overprint.over([made[2], made[1]], ON)
    assert found[2, 1] == pytest.approx(both.lab_d50, abs=1e-9)


@pytest.mark.parametrize("names", [*itertools.combinations(sorted(MIXES.keys() - {"key"}), 2)])
def test_black_comes_last(names):
    """The key is printed last (common practice, no source), whatever lies below it."""
    plan = layers.plan(films("key", *names), ON)
    assert plan.proposal.places[-1] == 0


def test_practice_gives_way_only_where_much_is_gained():
    """Light before dark, unless the overlap gains a quarter of a layer that would be lost whole."""
    little = layers.plan(films("breast", "wine"), ON)  # two glazes
    by_score = min(little.orders, key=lambda o: o.score)
    assert by_score.places == (1, 0)
    assert 0 < little.practice.score - by_score.score < layers.CLEAR_GAIN
    assert little.proposal.places == little.practice.places == (0, 1)
    assert little.gains == []
    much = layers.plan(films("sky", "breast"), ON)
    assert much.proposal.places == (1, 0)
    assert much.practice.score - much.proposal.score > layers.CLEAR_GAIN
    ((ours, theirs),) = much.gains
    assert (ours.upper, theirs.upper) == (0, 1)
    assert ours.de_shows < theirs.de_shows / 2


def test_light_before_dark_and_glaze_before_cover():
    """Two rules of the trade come out by themselves where they do not contradict each other."""
    plan = layers.plan(films("key", "mist"), ON)  # a black glaze, a pale mist
    assert plan.proposal.places == (1, 0)
    plan = layers.plan(films("sky", "breast"), ON)  # as light: a cover and a glaze
    assert plan.proposal.places == (1, 0)


def test_what_is_lost_and_what_shows_is_flagged():
    black, shade, breast, white = overprint.layers_from_mixes(
        SHELF,
        [
            ("black", SHELF.named_mix({"black": 1}), 6.0),
            ("shade", SHELF.named_mix({"bone-black": 1}), 0.05),
            ("breast", SHELF.named_mix({"PO73": 30, "base": 70}), 1.0),
            ("white", SHELF.named_mix({"white": 1}), 30.0),
        ],
    )
    lost = layers.pair([black, shade], ON, 0, 1)  # a dark glaze on solid black
    assert lost.p_lost > 0.9
    assert lost.p_shows > 0.95
    covered = layers.pair([breast, white], ON, 0, 1)
    assert covered.p_lost < 0.05
    assert covered.p_shows < 0.05
    low, high = covered.de_change_95
    assert low <= covered.de_change <= high


def test_beyond_eight_says_that_it_is_not_proven():
    made = films(*MIXES)
    plan = layers.plan(made, ON, tuple(range(9)))
    assert not plan.exact
    assert plan.orders_scored == 0
    assert plan.proposal.score <= plan.practice.score
    assert plan.shown.places == tuple(range(9))


def test_kinds_are_the_words_of_drawdown_opacity():
    made = films("sky", "breast", "mist")
    plan = layers.plan(made, ON)
    words = [traits.kind for traits in plan.traits]
    assert words == ["semi-transparent", "transparent", "transparent"]
    assert words[0] == grade_of(plan.traits[0].opacity.value)
    (key,) = overprint.layers_from_mixes(SHELF, [("key", SHELF.named_mix({"black": 1}), 4.0)])
    assert layers._traits(key, ON).kind == "dark"


def test_a_plan_needs_two_layers():
    with pytest.raises(ValueError, match="2 to"):
        layers.plan(films("sky"), ON)


# As typed -----------------------------------------------------------------------------------


def test_layers_as_they_are_typed():
    typed = ["dark sky: white 80, PB15:3 5; base 15 + film 0,8", "PB15:3 5, white 1", "key:black 1"]
    sky, blue, key = read_layers(typed, SHELF, 2, 5)
    assert (sky.name, sky.film) == ("dark sky", 0.8)
    assert sky.mix == pytest.approx(
        {"titanium-white": 80, "phthalo-blue": 5, "transparent-base": 15}
    )
    assert blue.name == "phthalo-blue"
    assert key.name == "key"
    assert read_order("KEY, dark sky,phthalo-blue", [sky, blue, key]) == (2, 0, 1)


@pytest.mark.slow
@pytest.mark.parametrize(
    "typed",
    [
        "sky:", "sky: white", "white nan", "white -1", "3", "white 1 2", "sky: film 2",
        "white 1, film 0", "white 1, film 99", "no such ink 3", "white 1e999", "", "\x07: white 1",
        "n" * 60 + ": white 1", "white 1, white 2", "white 1, film 2, film 3", "white=1 PB15:3=2",
        "sky, far: white 1",
    ],
)  # fmt: skip
def test_nonsense_is_explained(typed):
    with pytest.raises(WrongUsage) as found:
        read_layers([typed, "black 1"], SHELF, 2, 5)
    assert found.value.todo


def test_papers():
    assert read_paper(None) is None
    assert read_paper("93, 0,4") == (93, 0, 4)
    for text in ("93", "93,0", "a,b,c", "10,0,0", "nan,0,0", "90,0,99"):
        with pytest.raises(WrongUsage):
            read_paper(text)


# The commands -------------------------------------------------------------------------------

TYPED = ["--layer", "sky: white 80, PB15:3 5, base 15", "--layer", "breast: PO73 30, base 70"]
THREE = [*TYPED, "--layer", "orange dot: PO20 10, base 90"]


def test_layers_prints_an_order_and_cautions(capsys, tmp_path):
    picture = tmp_path / "plan.png"
    assert cli.main(["plan", "layers", *THREE, "--full", "--picture", str(picture)]) == 0
    out = capsys.readouterr().out
    assert "PROPOSED ORDER" in out
    assert "All 6 orders" in out
    told = " ".join(out.split())
    assert "What it gains: sky over breast is Delta E" in told
    assert "breast over sky would be" in told
    assert "cadmium" in out.split("Caution:")[1]
    assert "solvent" in out
    assert "[proposed]" in out
    table = out.split("off its own\n")[1].split("\n\n")[0].splitlines()
    assert len(table) == 3
    assert all(row.count("±") == 3 for row in table)  # no colour without its uncertainty
    with Image.open(picture) as found:
        assert found.width == 1280


def test_layers_json(capsys):
    order = "orange dot, sky, breast"
    assert cli.main(["plan", "layers", *THREE, "--json", "--order", order]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.layers/1"
    assert data["order"]["layers"] == ["orange dot", "sky", "breast"]
    assert len(data["overlaps"]) == 8
    assert {tuple(p) for p in (d["layers"] for d in data["overlaps"])} >= {("sky", "breast")}
    assert len(data["pairs"]) == 3
    assert data["exact"] is True
    assert "common practice" in data["why"]
    for layer in data["layers"]:
        low, high = layer["contrast_ratio_95"]
        assert low <= layer["contrast_ratio"] <= high
    assert data["layers"][1]["mix"] == [
        {"ink": "pyrrole-orange", "parts_per_100": 30.0},
        {"ink": "transparent-base", "parts_per_100": 70.0},
    ]
    assert all(min(found["lab_u95"]) > 0 for found in data["overlaps"] if found["layers"])
    assert cli.main(["plan", "layers", *THREE, "--full", "--order", order]) == 0
    out = capsys.readouterr().out
    assert f"{order} [asked about" in out
    assert "We would print" in out


def test_an_interval_holds_its_own_value(capsys):
    """An opaque layer over anything is itself: Delta E near 0, its samples all above it."""
    typed = ["--layer", "op: white 95, PY74 5, film 20", "--layer", "clear: base 100"]
    assert cli.main(["plan", "layers", *typed, "--json"]) == 0
    for p in json.loads(capsys.readouterr().out)["pairs"]:
        for key in ("de00_change", "de00_shows"):
            assert p[f"{key}_95"][0] <= p[key] <= p[f"{key}_95"][1]


def test_overprint_grid(capsys, tmp_path):
    picture = tmp_path / "grid.png"
    assert (
        cli.main(["plan", "layers", *THREE, "--pairs", "--wet-on-wet", "--picture", str(picture)])
        == 0
    )
    assert "sky over breast" in capsys.readouterr().out
    with Image.open(picture) as found:
        grid = np.asarray(found.convert("RGB"))
    assert cli.main(["plan", "layers", *THREE, "--pairs", "--wet-on-wet", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.overprint/1"
    assert len(data["pairs"]) == 6
    # The predicted colour of a pair is in the picture, as sRGB.
    from drawdown.report.text.terminal import swatch_rgb

    wanted = next(p for p in data["pairs"] if (p["upper"], p["lower"]) == ("sky", "breast"))
    near = np.abs(grid.astype(int) - swatch_rgb(wanted["lab_d50"])).max(axis=-1) <= 1
    assert near.sum() > 5000


@pytest.mark.parametrize("command", [[], ["--pairs"]])
@pytest.mark.parametrize(
    ("extra", "code"),
    [
        ([], 2), (TYPED[:2], 2), ([*TYPED, *TYPED], 2), ([*TYPED, "--paper", "nan,0,0"], 2),
        ([*TYPED, "--picture", "x.gif"], 2), ([*TYPED, "--picture", "/no/such/x.png"], 6),
        ([*TYPED, "--shelf", "/no/such.toml"], 6),
    ],
)  # fmt: skip
def test_wrong_input_gets_its_code_and_no_result(command, extra, code, capsys):
    assert cli.main(["plan", "layers", *command, *extra]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n\n") == 0
