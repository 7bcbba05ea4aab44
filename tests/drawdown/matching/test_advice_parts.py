"""The advice's parts: slopes against differences, deviations, any colour at all; and a closed
loop against hidden inks."""

from __future__ import annotations

import importlib.util
import math
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from advice_kit import GROUND, SHELF, ask, some, strip
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.colour.difference import delta_e_2000
from drawdown.ink.forward import film_slopes, lab_of_film
from drawdown.ink.prior import ShelfFigures, Spread, rows_of
from drawdown.matching.batch_model import Recipes, strips_and_slopes
from drawdown.wording.advice import note
from drawdown.wording.difference import missing_direction

# Any colour ------------------------------------------------------------------------------

LAB = st.tuples(st.floats(0, 100), st.floats(-110, 110), st.floats(-110, 110))
SHELVES = (
    SHELF,
    some("white"),
    some("base", "phthalo-blue"),
    some("pyrrole-red", "arylide-yellow"),
    some("bone-black"),
    some("white", "bone-black", "ultramarine-blue"),
)


@pytest.mark.slow
@given(LAB, LAB, st.sampled_from(SHELVES), st.booleans(), st.sampled_from([None, 0.5, 2.0]))
@settings(max_examples=60, deadline=None)
def test_any_two_colours_get_an_answer(original, batch, shelf, known, film_ratio):
    mix = dict.fromkeys(shelf.names[:3], 10.0) if known else None
    answer = ask(
        original, batch, mix, shelf=shelf, batch_grams=40, film_ratio=film_ratio,
        paper_lab=(93, 0, 3),
    )  # fmt: skip
    assert len(answer.additions) <= 2
    assert all(parts > 0 and math.isfinite(parts) for _, parts in answer.additions)
    assert all(first <= parts for (_, first), (_, parts) in
               zip(answer.add_first, answer.additions, strict=True))  # fmt: skip
    assert {name for name, _ in answer.additions} <= set(shelf.names)
    assert 0 < answer.portion <= 1
    assert np.isfinite(answer.predicted_lab_d50).all()
    assert (answer.predicted_u95 > 0).all()
    assert math.isfinite(answer.predicted_de00)
    assert answer.predicted_de00_high95 >= answer.predicted_de00 - 1e-9 or not answer.additions
    assert note(answer) or answer.additions
    if answer.additions:
        now = float(delta_e_2000(np.array(original), np.array(batch)))
        assert answer.predicted_de00 < now


# The parts -------------------------------------------------------------------------------


def test_slopes_of_colour_are_its_differences():
    rng = np.random.default_rng(4)
    k, s = rng.uniform(0.01, 5, 31), rng.uniform(0.01, 5, 31)
    lab, by_k, by_s, by_x = film_slopes(k, s, 0.9, GROUND)
    assert lab == pytest.approx(lab_of_film(k, s, 0.9, GROUND))
    h = 1e-6
    for i in (0, 12, 30):
        step = h * (np.arange(31) == i)
        assert by_k[i] == pytest.approx((lab_of_film(k + step, s, 0.9, GROUND) - lab) / h, abs=1e-3)
        assert by_s[i] == pytest.approx((lab_of_film(k, s + step, 0.9, GROUND) - lab) / h, abs=1e-3)
    assert by_x == pytest.approx((lab_of_film(k, s, 0.9 + h, GROUND) - lab) / h, abs=1e-3)


@pytest.mark.parametrize("film_ratios", [(None,), (1.1,), (None, 1.1, None)])
def test_slopes_of_the_fit_are_its_differences(film_ratios):
    rng = np.random.default_rng(0)
    photos = len(film_ratios)
    added = rng.uniform(0, 0.1, (photos, 2, 4)) * (np.arange(photos) > 0)[:, None, None]
    recipes = Recipes(
        inks=np.array([[0, 16, 2, 0], [1, 7, 19, 12]]),
        parts=np.array([[[70, 5, 25, 0.0], [72, 5, 23, 0.0]], [[80, 15, 2, 3], [80, 15, 2, 5]]]),
        # One batch strays from its original; in the other, of its own mix, the original does.
        lead=np.array([[[0.05, 0], [0.05, 1]], [[0, 1], [0.05, 0]]]),
        stray_sd=np.full((2, 4), 0.3), least_stray_sd=np.full((2, 4), 0.3),
        film_ratios=film_ratios, ratio_sd=(0.04,) * photos, ground=GROUND, added=added,
    )  # fmt: skip
    curves = ShelfFigures(SHELF).of(recipes.inks)
    theta = 0.5 * rng.normal(size=(2, recipes.size))
    _, slope = strips_and_slopes(curves, recipes, theta)
    for i in range(recipes.size):
        step = 1e-5 * (np.arange(recipes.size) == i)
        high, low = (strips_and_slopes(curves, recipes, theta + sign * step)[0] for sign in (1, -1))
        assert slope[:, i] == pytest.approx((high - low) / 2e-5, abs=1e-6)


def test_smooth_deviations_are_smooth_and_of_the_stated_size():
    load, k, s = rows_of(Spread(load=0.5, k=0.3, k_shape=0.4, s=0.2, s_shape=0.1))
    assert load == pytest.approx(np.full((1, 62), 0.5))
    for rows, sd, at in (
        (k, np.hypot(0.3, 0.4), slice(31)),
        (s, np.hypot(0.2, 0.1), slice(31, 62)),
    ):
        assert np.linalg.norm(rows[:, at], axis=0) == pytest.approx(np.full(31, sd), rel=0.02)
        assert not np.delete(rows, np.r_[at], axis=1).any()
        # The first is the level; what follows turns round more and more often.
        assert (rows[0, at] > 0).all()
        turns = [np.count_nonzero(np.diff(np.sign(row))) for row in rows[:, at]]
        assert turns == list(range(len(rows)))


@pytest.mark.parametrize(
    ("original", "batch", "word"),
    [
        ((60, 0, 0), (50, 0, 0), "lighter"),
        ((40, 1, 0), (50, 0, 0), "darker"),
        ((50, 12, 0), (50, 0, 0), "redder"),
        ((50, 0, -12), (50, 0, 0), "bluer"),
        ((50, 40, 0), (50, 20, 0), "cleaner"),
        ((50, 20, 0), (50, 45, 0), "duller"),
        ((50, 35, 20), (50, 40, 0), "yellower"),
        ((50, -30, 30), (50, -5, 42), "greener"),
        ((50, 50, 30), (50, -40, -40), "redder"),
    ],
)
def test_what_is_missing_in_words(original, batch, word):
    """Hue words by the axes of CIELAB: +a red, +b yellow, -a green, -b blue."""
    assert missing_direction(np.array(original, float), np.array(batch, float)) == word


# The loop --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def benchmark():
    path = Path(__file__).parents[2] / "benchmarks" / "advice.py"
    spec = importlib.util.spec_from_file_location("advice_benchmark", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_following_the_advice_brings_hidden_inks_home(benchmark):
    """Our own targets on invented inks, the ratio of the films told: 70 % within 2 after one
    addition, 95 % after two, at most 2 % made worse by one, at most 8 % of ink (median). Two
    studios and 60 batches are few, so what is held here is a little less than what the long
    runs of tests/benchmarks/advice.py reach (83 %, 95 %, 1.3 %, 5.7 %)."""
    rows = benchmark.run(60, seed=11, baselines=False, trails=0.08, quick=True)[benchmark.ADVICE]
    distance = np.array([row.distance for row in rows])
    assert (distance[:, 1] <= 2).mean() >= 0.70
    assert (distance[:, 2] <= 2).mean() >= 0.90
    assert (distance[:, 1:] > distance[:, :-1] + 0.05).mean() <= 0.02
    assert np.median([row.added for row in rows]) <= 0.10
    low, high, true = np.array([kept for row in rows for kept in row.kept]).T
    assert ((low <= true) & (true <= high)).mean() >= 0.85


def test_an_answer_takes_no_time():
    """Our own limit: as long as 14 runs of the forward model over 2,000 films and their slopes
    (9 on the machine where it was set, with a mix to guess; 5 with a noted one). The best of
    seven against the usual one, in turns, so that neither a slow machine nor a busy one decides.
    """
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    original, batch = strip(noted), strip(noted | {"phthalo-blue": 3})
    twenty = some(*[ink.name for ink in SHELF if "worked out" not in ink.source])
    assert len(twenty) >= 20
    k, s = np.exp(np.random.default_rng(1).normal(size=(2, 2000, 31)))
    works = (
        lambda: film_slopes(k, s, 1.0, np.full(31, 0.8)),
        lambda: ask(original, batch, noted, shelf=twenty),
        lambda: ask(original, batch, None, shelf=twenty),
    )
    seconds = np.zeros((7, 3))
    for turn in seconds:
        for i, work in enumerate(works):
            start = time.process_time()
            work()
            turn[i] = time.process_time() - start
    assert (seconds[:, 1:].min(axis=0) < 14 * np.median(seconds[:, 0])).all()


def test_how_film_changes_a_colour_tells_base_from_white():
    """The same pale blue as a tint and as a let-down: what a thinner film does is the tell."""
    from drawdown.ink.forward import lab_of_mix, paper_ground
    from drawdown.ink.shelf import starter_shelf
    from drawdown.matching.recipes import THIN, guess_mixes

    shelf = starter_shelf()
    ground = paper_ground(None)
    k, s = np.array([ink.k for ink in shelf]), np.array([ink.s for ink in shelf])
    for other in ("white", "base"):
        kinds = [ink.kind for ink in shelf]
        parts = np.zeros((1, len(kinds)))
        parts[0, [ink.name for ink in shelf].index("phthalo-blue")] = 0.03
        parts[0, kinds.index(other)] = 0.97
        full, thin = (lab_of_mix(k, s, parts, film, ground)[0] for film in (1.0, THIN))
        effect = float(delta_e_2000(full, thin))
        best = guess_mixes(shelf, full, ground, 12, effect)[0].mix
        named = {shelf.find(name).kind for name, share in best.items() if share > 20}
        assert other in named
        assert not {"white", "base"} - {other} & named
