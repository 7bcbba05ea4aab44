"""The advice: worked cases whose answer is arithmetic, an independent forward model, limits,
and a closed loop against hidden inks."""

from __future__ import annotations

import importlib.util
import math
import re
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.colorimetry import delta_e_2000, xyz_to_lab
from calibration.errors import WrongUsage
from calibration.spectra import WAVELENGTHS_NM, smooth_spectrum
from drawdown.advice import Advice, advise, round_grams, round_parts
from drawdown.advice_amounts import first_grams
from drawdown.advice_colour import film_lab, lab_of_film, lab_slopes, paper_ground
from drawdown.advice_search import local_metric
from drawdown.advice_story import Step, reading
from drawdown.advice_unknowns import Recipes, strips_and_slopes
from drawdown.advice_words import missing_direction
from drawdown.cautions import CAUTIONS
from drawdown.ink_doubt import ShelfFigures, cosines
from drawdown.inks import Shelf, starter_shelf

SHELF = starter_shelf()
K, S = np.array([ink.k for ink in SHELF]), np.array([ink.s for ink in SHELF])
GROUND = paper_ground(None)


def strip(parts: dict[str, float], film: float = 1.0) -> np.ndarray:
    """Lab of a strip of the starter inks as they stand."""
    mix = SHELF.named_mix(parts)
    return film_lab(K, S, np.array([mix.get(n, 0.0) for n in SHELF.names]), film, GROUND)


def ask(original, batch, mix=None, **more) -> Advice:
    return advise(original, batch, None, None, more.pop("shelf", SHELF), mix, **more)


def some(*names: str) -> Shelf:
    return Shelf(tuple(SHELF.find(name) for name in names))


# Worked cases ----------------------------------------------------------------------------


@pytest.mark.parametrize("known", [True, False], ids=["mix noted", "mix guessed"])
@pytest.mark.parametrize(
    ("colour", "recipe", "batch"),
    [
        ("phthalo-blue", (90, 10), (90, 9)),
        ("phthalo-blue", (90, 10), (90, 6)),
        ("phthalo-green", (95, 5), (95, 3.5)),
        ("pyrrole-red", (70, 30), (70, 22)),
        ("dioxazine-violet", (97, 3), (97, 2)),
        ("bone-black", (80, 20), (80, 15)),
    ],
)
def test_a_tint_short_of_colour_gets_that_colour(colour, recipe, batch, known):
    """Parts add (Duncan 1940), so the answer is arithmetic: with 90 parts of white and 9
    instead of 10 of blue, 1 part is missing from 99, which is 1.01 to 100."""
    noted = {"white": recipe[0], colour: recipe[1]}
    answer = ask(
        strip(noted), strip({"white": batch[0], colour: batch[1]}),
        noted if known else None, tolerance=0.5,
    )  # fmt: skip
    missing = 100 * (recipe[1] - batch[1]) / sum(batch)
    assert [name for name, _ in answer.additions] == [colour]
    # Part of any difference may be film, so a sceptic adds a little less or more.
    assert answer.additions[0][1] == pytest.approx(missing, rel=0.2)
    assert answer.predicted_de00 < 0.5
    assert answer.mix_inferred is not known


def test_a_let_down_short_of_colour_gets_that_colour():
    noted = {"base": 85, "phthalo-blue": 15}
    answer = ask(strip(noted), strip({"base": 85, "phthalo-blue": 9}), noted)
    assert [name for name, _ in answer.additions] == ["phthalo-blue"]
    assert answer.additions[0][1] == pytest.approx(100 * 6 / 94, rel=0.3)


def test_the_missing_one_of_two_colours_is_found():
    """A kingfisher green, mixed with too little blue."""
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    answer = ask(strip(noted), strip(noted | {"phthalo-blue": 3.2}), noted)
    assert [name for name, _ in answer.additions] == ["phthalo-blue"]
    assert answer.additions[0][1] == pytest.approx(100 * 1.8 / 98.2, rel=0.2)


def test_a_forgotten_ink_is_found():
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    batch = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 0.3}
    answer = ask(strip(noted), strip(batch), noted)
    assert answer.additions[0][0] == "phthalo-blue"
    assert answer.additions[0][1] == pytest.approx(100 * 4.7 / 95.3, rel=0.25)


def test_prediction_agrees_with_an_independent_forward_model():
    """The batch after the advised addition, mixed by hand: Duncan's sums, the hyperbolic
    film of Kubelka 1948 and Saunderson's surface in plain Python, colour by
    colour-science's integration at 1 nm."""
    import colour

    noted, batch = {"white": 88, "phthalo-green": 12}, {"white": 88, "phthalo-green": 8}
    original, seen = strip(noted), strip(batch)
    answer = ask(original, seen, noted, tolerance=0.5)

    parts = SHELF.named_mix(batch)
    for name, more in answer.additions:
        parts[name] = parts.get(name, 0.0) + more
    whole = sum(parts.values())
    paper = smooth_spectrum((95.0, 0.0, 2.0))
    spectrum = {}
    for i, nm in enumerate(WAVELENGTHS_NM):
        k = sum(SHELF.find(n).k[i] * p for n, p in parts.items()) / whole
        s = sum(SHELF.find(n).s[i] * p for n, p in parts.items()) / whole
        ground = paper[i] / (0.97 * 0.35 + 0.65 * paper[i])
        a = 1 + k / s
        b = math.sqrt(a * a - 1)
        coth = 1 / math.tanh(b * s)
        inside = (1 - ground * (a - b * coth)) / (a - ground + b * coth)
        spectrum[int(nm)] = 0.97 * 0.35 * inside / (1 - 0.65 * inside)
    shape = colour.SpectralShape(360, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    xyz, white = (
        colour.sd_to_XYZ(
            colour.SpectralDistribution(values).align(shape), observer, lamp, method="Integration"
        )
        for values in (spectrum, dict.fromkeys(spectrum, 1.0))
    )
    truth = xyz_to_lab(xyz / white, np.ones(3))
    # Amounts are rounded to two figures and the model shares some of the gap with film.
    assert float(delta_e_2000(answer.predicted_lab_d50, truth)) < 0.5
    assert float(delta_e_2000(original, truth)) < 0.5
    assert (np.abs(answer.predicted_lab_d50 - truth) <= answer.predicted_u95 + 0.1).all()


# What is advised and what is not ---------------------------------------------------------


def test_within_tolerance_is_left_alone():
    noted = {"white": 90, "phthalo-blue": 10}
    near = strip(noted) + np.array([0.5, 0.5, -0.5])
    answer = ask(strip(noted), near, noted, batch_grams=100)
    assert answer.additions == answer.add_first == ()
    assert answer.grams is None
    assert answer.caution == ()
    assert "leave it" in answer.note
    assert answer.predicted_de00 == pytest.approx(float(delta_e_2000(strip(noted), near)))


def test_first_part_is_smaller_and_of_the_same_inks():
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    answer = ask(strip(noted), strip(noted | {"phthalo-blue": 3}), noted, batch_grams=50)
    assert [n for n, _ in answer.add_first] == [n for n, _ in answer.additions]
    for (_, first), (_, all_of_it) in zip(answer.add_first, answer.additions, strict=True):
        # Two fifths to all of it, give or take that both are rounded to two figures.
        assert 0.37 * all_of_it <= first <= all_of_it
    for (name, grams), (_, parts) in zip(answer.grams, answer.additions, strict=True):
        assert grams == pytest.approx(parts * 50 / 100, abs=0.06), name
    assert answer.grams_first[0][1] <= answer.grams[0][1]


def test_inks_of_the_mix_come_before_others():
    """Ultramarine and other blues would do as well here; the one in the mix is taken."""
    for blue in ("ultramarine-blue", "cobalt-blue", "phthalo-blue-red-shade"):
        noted = {"white": 60, blue: 40}
        answer = ask(strip(noted), strip({"white": 60, blue: 24}), noted)
        assert [name for name, _ in answer.additions] == [blue]


def test_a_flood_of_white_becomes_a_let_down_of_a_portion():
    noted = {"white": 95, "phthalo-blue": 5}
    answer = ask(strip(noted), strip({"white": 88, "phthalo-blue": 12}), noted, batch_grams=200)
    # 12 in 100 down to 5 in 100 takes 140 parts of white: the batch would more than double.
    assert answer.additions[0][0] == "titanium-white"
    assert answer.additions[0][1] == pytest.approx(140, rel=0.2)
    parts = answer.additions[0][1]
    assert answer.portion == pytest.approx(100 / (100 + parts), abs=0.01)
    assert answer.grams[0][1] == pytest.approx(200 * answer.portion * parts / 100, rel=0.005)
    # What one ends with is about what one had.
    assert 200 * answer.portion + answer.grams[0][1] == pytest.approx(200, rel=0.03)
    assert "take out" in answer.note
    assert "packet" in answer.note
    without_scale = ask(strip(noted), strip({"white": 88, "phthalo-blue": 12}), noted)
    assert "of every 100 parts" in without_scale.note
    assert without_scale.grams is None


def test_a_little_white_goes_straight_in():
    noted = {"white": 90, "phthalo-blue": 10}
    answer = ask(strip(noted), strip({"white": 90, "phthalo-blue": 12.5}), noted, tolerance=1)
    assert answer.portion == 1
    assert answer.additions[0][0] == "titanium-white"
    assert "take out" not in answer.note


def test_what_the_shelf_cannot_do_is_said_with_the_hue():
    red, blue = strip({"white": 60, "pyrrole-red": 40}), {"white": 90, "phthalo-blue": 10}
    answer = ask(red, strip(blue), blue, shelf=some("white", "phthalo-blue", "bone-black"))
    assert answer.additions == ()
    assert "redder ink than any on the shelf: add one" in answer.note
    nearest = float(re.search(r"nearest is Delta E (\d+\.\d)", answer.note)[1])
    assert 4 < nearest <= answer.predicted_de00 + 0.05
    assert answer.predicted_de00 == pytest.approx(float(delta_e_2000(red, strip(blue))))


def test_too_far_away_is_said():
    blue, orange = {"white": 90, "phthalo-blue": 10}, {"white": 70, "cadmium-orange": 30}
    answer = ask(strip(blue), strip(orange), blue)
    assert answer.additions == ()
    assert "cannot be brought" in answer.note
    assert "right inks" in answer.note


def test_a_difference_of_film_is_not_answered_with_ink():
    """A let-down scraped to three quarters: all of the difference is film."""
    noted = {"base": 80, "pyrrole-red": 20}
    answer = ask(strip(noted), strip(noted, 0.75), noted, film_ratio=0.75)
    assert answer.additions == ()
    assert "film" in answer.note
    assert "going by" not in answer.note  # nothing went in yet


def test_known_film_helps_to_find_the_ink():
    noted = {"base": 80, "phthalo-blue": 20}
    batch = {"base": 80, "phthalo-blue": 13}
    missing = 100 * 7 / 93
    answer = ask(strip(noted), strip(batch, 1.2), noted, film_ratio=1.2)
    assert answer.additions[0][0] == "phthalo-blue"
    assert answer.additions[0][1] == pytest.approx(missing, rel=0.2)


def test_a_guess_is_called_a_guess():
    noted = {"white": 90, "phthalo-blue": 10}
    answer = ask(strip(noted), strip({"white": 90, "phthalo-blue": 6}))
    assert answer.mix_inferred
    assert sum(answer.mix_used.values()) == pytest.approx(100, abs=0.1)
    assert "guessed" in answer.note
    assert "white rather than transparent base" in answer.note
    # It knows less, so it promises less.
    known = ask(strip(noted), strip({"white": 90, "phthalo-blue": 6}), noted)
    assert answer.predicted_de00_high95 > known.predicted_de00_high95


def test_of_a_batch_that_is_left_alone_nobody_is_told_a_guess():
    noted = {"white": 90, "phthalo-blue": 10}
    answer = ask(strip(noted), strip(noted), matched=True)
    assert answer.mix_inferred
    assert answer.additions == ()
    assert "leave it as it is" in answer.note
    assert "guess" not in answer.note


def test_cautions_and_stand_in_flag_come_with_advised_ink():
    noted = {"white": 70, "cadmium-red": 30}
    answer = ask(strip(noted), strip({"white": 70, "cadmium-red": 18}), noted)
    assert answer.additions[0][0] == "cadmium-red"
    assert answer.caution[: len(CAUTIONS)] == CAUTIONS
    assert "cadmium" in answer.caution[-1]
    assert [flag.code for flag in answer.flags] == ["stand-in-inks"]


def test_tiny_amounts_are_a_knife_tip():
    noted = {"white": 99.8, "phthalo-blue": 0.2}
    answer = ask(
        strip(noted), strip({"white": 99.9, "phthalo-blue": 0.1}), noted,
        batch_grams=30, tolerance=1.0,
    )  # fmt: skip
    assert answer.additions[0][0] == "phthalo-blue"
    assert answer.grams[0][1] < 0.05
    assert "knife tip" in answer.note


def test_what_the_scale_cannot_show_is_mixed_down_first():
    """0.03 g on a scale of 0.1 g: a tenth of it in white weighs 0.3 g."""
    noted = {"white": 99.8, "phthalo-blue": 0.2}
    seen = strip({"white": 99.9, "phthalo-blue": 0.1})
    answer = ask(strip(noted), seen, noted, batch_grams=50, tolerance=1.0)
    ((name, grams),) = answer.grams
    assert answer.knife_tips == (name,) == ("phthalo-blue",)
    assert 0.02 < grams < 0.1
    assert (
        f"9 parts of titanium-white, and put in {round(10 * grams, 1):g} g of that" in answer.note
    )
    fine = ask(strip(noted), seen, noted, batch_grams=50, tolerance=1.0, scale_step=0.01)
    assert fine.knife_tips == ()
    assert fine.grams[0][1] == pytest.approx(grams, abs=0.006)
    assert "knife tip" not in fine.note
    tiny = ask(strip(noted), seen, noted, batch_grams=4, tolerance=1.0)
    assert (
        f"1 part of that into 9 more, and put in {round(100 * tiny.grams[0][1], 1):g} g"
        in tiny.note
    )


def test_what_the_scale_shows_is_what_is_predicted():
    noted = {"white": 90, "phthalo-blue": 10}
    seen = strip({"white": 90, "phthalo-blue": 6})
    coarse = ask(strip(noted), seen, noted, batch_grams=40, scale_step=1.0)
    assert all(g == round(g) for _, g in (*coarse.grams, *coarse.grams_first))
    exact = ask(strip(noted), seen, noted, batch_grams=40, scale_step=0.01)
    assert coarse.predicted_de00 > exact.predicted_de00
    parts = {"white": 90, "phthalo-blue": 6 + 96 * coarse.grams[0][1] / 40}
    assert coarse.predicted_lab_d50 == pytest.approx(strip(parts), abs=1.0)


def test_any_ink_floods_a_batch():
    """Thirteen parts of red become thirty: not white or base alone, any ink can be too much."""
    noted = {"white": 40, "pyrrole-red": 60}
    answer = ask(strip(noted), strip({"white": 40, "pyrrole-red": 20}), noted, batch_grams=100)
    assert [name for name, _ in answer.additions] == ["pyrrole-red"]
    assert answer.additions[0][1] > 30
    assert answer.portion < 0.8
    assert "put it by" in answer.note
    assert f"{100 * answer.portion:.0f} g that stay" in answer.note


def test_a_guessed_mix_adds_white_or_base_last():
    """Too much blue in a let-down: from colour alone it may as well be a tint."""
    noted = {"base": 80, "phthalo-blue": 20}
    answer = ask(strip(noted), strip({"base": 70, "phthalo-blue": 30}))
    thins = [name for name, _ in answer.additions if SHELF.find(name).kind in ("white", "base")]
    assert not thins or f"Add {' and '.join(thins)} only if the batch was mixed with it" in (
        answer.note
    )
    assert "guessed" in answer.note


def test_first_part_grows_with_certainty():
    noted = {"white": 90, "phthalo-blue": 10}
    original, batch = strip(noted), strip({"white": 90, "phthalo-blue": 6})
    shares = []
    for sd in (0.1, 1.5):
        told = ask(
            original, batch, noted, difference_cov=sd**2 * np.eye(3), common_sd=np.full(3, 2.0)
        )
        shares.append(told.add_first[0][1] / told.additions[0][1])
    assert 0.4 <= shares[1] < shares[0] <= 1


def test_a_film_that_may_hide_something_is_pulled_again():
    """A let-down that reads within tolerance, the films unknown; after three strips that say
    the same, it is believed."""
    noted = {"base": 85, "phthalo-blue": 15}
    seen = strip(noted | {"phthalo-blue": 14})
    one = ask(strip(noted), seen, noted)
    assert one.look_again
    assert one.additions == ()
    assert "one more strip" in one.note
    alike = ask(strip(noted), seen, noted, film_ratio=1.0, film_log_sd=0.02,
                difference_cov=0.01 * np.eye(3), common_sd=np.ones(3))  # fmt: skip
    assert not alike.look_again
    assert alike.p_within > one.p_within
    data = reading(strip(noted), seen)
    again = ask(strip(noted), seen, noted, story=(Step(data), Step(data)))
    assert not again.look_again


def test_it_says_when_to_stop():
    """A grey that wants to be redder, with nothing red on the shelf: after an addition that
    could not help, the work is over."""
    shelf = some("white", "bone-black")
    noted = {"white": 90, "bone-black": 10}
    seen = strip(noted) + np.array([0.0, -4.0, 0.0])
    data = reading(strip(noted), seen)
    told = ask(strip(noted), seen, noted, shelf=shelf, story=(Step(data), Step(data), Step(data)))
    assert told.additions == ()
    assert told.note.startswith("Stop here. The batch cannot be brought to the original by adding")
    assert "redder" in told.note


def test_it_says_whether_the_addition_helped():
    noted = {"white": 90, "phthalo-blue": 10}
    far, near = (strip(noted | {"phthalo-blue": b}) for b in (5, 7))
    steps = [Step(reading(strip(noted), lab)) for lab in (far, near)]
    put_in = {"phthalo-blue": 0.02}
    better = ask(strip(noted), near, noted, story=(steps[0],), added=put_in)
    assert better.note.startswith("It came nearer: Delta E read ")
    worse = ask(strip(noted), far, noted, story=(steps[1],), added={"titanium-white": 0.3})
    assert worse.note.startswith("It reads further away")
    same = ask(strip(noted), far, noted, story=(steps[0],), added={"titanium-white": 0.001})
    assert same.note.startswith("It came no nearer")


def test_same_question_same_answer():
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    first, second = (ask(strip(noted), strip(noted | {"phthalo-blue": 3}), noted) for _ in range(2))
    assert first.additions == second.additions
    assert np.array_equal(first.predicted_lab_d50, second.predicted_lab_d50)


def test_ensembles_set_the_uncertainty():
    """What is common to both strips cancels; what is not does not."""
    noted = {"white": 90, "phthalo-blue": 10}
    original, batch = strip(noted), strip({"white": 90, "phthalo-blue": 6})
    rng = np.random.default_rng(1)
    common, alone = rng.normal(0, 1.5, (200, 3)), rng.normal(0, 1.5, (200, 3))
    small = rng.normal(0, 0.1, (200, 3))
    sure = advise(original, batch, original + common, batch + common + small, SHELF, noted)
    unsure = advise(original, batch, original + common, batch + alone, SHELF, noted)
    assert unsure.predicted_de00_high95 > 1.5 * sure.predicted_de00_high95
    data = reading(original, batch, original + common, batch + common + small)
    step = np.hstack([-np.eye(3), np.eye(3)])
    of_difference = np.sqrt(np.diag(step @ data.covariance @ step.T))
    assert (of_difference < 0.35).all()


@pytest.mark.parametrize("bad", [{"batch_grams": 0}, {"batch_grams": -3}, {"tolerance": 0},
                                 {"tolerance": float("nan")}, {"mix": {"mud": 1}}])  # fmt: skip
def test_questions_that_make_no_sense(bad):
    with pytest.raises(WrongUsage):
        ask(np.array([50.0, 0, 0]), np.array([60.0, 0, 0]), **bad)


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


@given(LAB, LAB, st.sampled_from(SHELVES), st.booleans(), st.sampled_from([None, 0.5, 2.0]))
@settings(max_examples=60, deadline=None)
def test_any_two_colours_get_an_answer(original, batch, shelf, known, film_ratio):
    mix = dict.fromkeys(shelf.names[:3], 10.0) if known else None
    answer = advise(
        original, batch, None, None, shelf, mix, batch_grams=40, film_ratio=film_ratio,
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
    assert answer.note or answer.additions
    if answer.additions:
        now = float(delta_e_2000(np.array(original), np.array(batch)))
        assert answer.predicted_de00 < now


# The parts -------------------------------------------------------------------------------


def test_slopes_of_colour_are_its_differences():
    rng = np.random.default_rng(4)
    k, s = rng.uniform(0.01, 5, 31), rng.uniform(0.01, 5, 31)
    lab, by_k, by_s, by_x = lab_slopes(k, s, 0.9, GROUND)
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
        parts=np.array([[70, 5, 25, 0.0], [80, 15, 2, 3]]),
        sd=0.05, film_ratios=film_ratios, ratio_sd=(0.04,) * photos, ground=GROUND,
        batch_sd=np.full((2, 4), 0.3), added=added,
    )  # fmt: skip
    figures = ShelfFigures(SHELF)
    theta = 0.5 * rng.normal(size=(2, recipes.size))
    _, slope = strips_and_slopes(figures, recipes, theta)
    for i in range(recipes.size):
        step = 1e-5 * (np.arange(recipes.size) == i)
        high, low = (
            strips_and_slopes(figures, recipes, theta + sign * step)[0] for sign in (1, -1)
        )
        assert slope[:, i] == pytest.approx((high - low) / 2e-5, abs=1e-6)


def test_smooth_deviations_are_smooth_and_of_the_stated_size():
    waves = cosines(np.array([1.0, 0.5]))
    assert waves[0] == pytest.approx(np.ones(31))
    assert np.abs(waves[1]).max() == pytest.approx(0.5, abs=0.01)


@given(LAB, st.tuples(*[st.floats(-1, 1)] * 3))
@settings(max_examples=80, deadline=None)
def test_local_metric_is_near_delta_e(lab, step):
    """Against scikit-image's CIEDE2000 at steps of about 0.3. Near grey, where CIEDE2000
    turns sharply, and at the known discontinuities of hue (Sharma, Wu, Dalal 2005) a
    quadratic form cannot follow it."""
    lab, step = np.array(lab), 0.3 * np.array(step)
    if np.hypot(*lab[1:]) < 10 or np.linalg.norm(step) < 0.05:
        return
    metric = local_metric(lab)
    assert np.linalg.eigvalsh(metric).min() > 0
    true = float(delta_e_2000(lab, lab + step))
    assert float(np.sqrt(step @ metric @ step)) == pytest.approx(true, rel=0.15, abs=0.02)


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


def test_amounts_are_rounded_as_a_scale_shows_them():
    assert [round_grams(v) for v in (12.345, 1.05, 0.456, 0.0437)] == [12.3, 1.0, 0.5, 0.044]
    assert [round_grams(v, 0.01) for v in (12.347, 1.057, 0.004)] == [12.35, 1.06, 0.004]
    assert [round_grams(v, 5) for v in (12.345, 3.0)] == [10, 3]
    assert [round_parts(v) for v in (121.4, 12.6, 5.34, 0.0567)] == [121, 13, 5.3, 0.057]
    # The first part: never more than wanted, but what the scale can show.
    assert [first_grams(g, 1.0, 0.1) for g in (0.59, 0.6, 0.03)] == [0.5, 0.6, 0.1]
    assert first_grams(0.02, 0.04, 0.1) == 0.02


# The loop --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def benchmark():
    path = Path(__file__).parent / "benchmarks" / "advice.py"
    spec = importlib.util.spec_from_file_location("advice_benchmark", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


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
    """Our own limit, 60 ms of processor time with CIEDE2000 loaded, best of five so that a
    busy machine does not decide."""
    noted = {"white": 70, "arylide-yellow": 25, "phthalo-blue": 5}
    original, batch = strip(noted), strip(noted | {"phthalo-blue": 3})
    for mix in (noted, None):
        times = []
        for _ in range(5):
            start = time.process_time()
            ask(original, batch, mix)
            times.append(time.process_time() - start)
        assert min(times) < 0.060
