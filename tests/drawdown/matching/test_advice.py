"""The advice: worked cases whose answer is arithmetic, an independent forward model, limits."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from advice_kit import SHELF, ask, reading, some, strip

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM, smooth_spectrum
from calibration.errors import WrongUsage
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Step
from drawdown.wording.advice import note
from drawdown.wording.cautions import CAUTIONS, cautions

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
    assert cautions(answer) == ()
    assert "leave the batch as it is" in note(answer)
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
    assert "Take out" in note(answer)
    assert "store it" in note(answer)
    without_scale = ask(strip(noted), strip({"white": 88, "phthalo-blue": 12}), noted)
    assert "% of the batch first" in note(without_scale)
    assert without_scale.grams is None


def test_a_little_white_goes_straight_in():
    noted = {"white": 90, "phthalo-blue": 10}
    answer = ask(strip(noted), strip({"white": 90, "phthalo-blue": 12.5}), noted, tolerance=1)
    assert answer.portion == 1
    assert answer.additions[0][0] == "titanium-white"
    assert "take out" not in note(answer)


def test_what_the_shelf_cannot_do_is_said_with_the_hue():
    red, blue = strip({"white": 60, "pyrrole-red": 40}), {"white": 90, "phthalo-blue": 10}
    answer = ask(red, strip(blue), blue, shelf=some("white", "phthalo-blue", "bone-black"))
    assert answer.additions == ()
    assert "redder ink than any on the shelf: add one" in note(answer)
    nearest = float(re.search(r"nearest is Delta E (\d+\.\d)", note(answer))[1])
    assert 4 < nearest <= answer.predicted_de00 + 0.05
    assert answer.predicted_de00 == pytest.approx(float(delta_e_2000(red, strip(blue))))


def test_too_far_away_is_said():
    blue, orange = {"white": 90, "phthalo-blue": 10}, {"white": 70, "cadmium-orange": 30}
    answer = ask(strip(blue), strip(orange), blue)
    assert answer.additions == ()
    assert "can't bring the batch" in note(answer)
    assert "check what you used" in note(answer)


def test_a_difference_of_film_is_not_answered_with_ink():
    """A let-down scraped to three quarters: all of the difference is film."""
    noted = {"base": 80, "pyrrole-red": 20}
    answer = ask(strip(noted), strip(noted, 0.75), noted, film_ratio=0.75)
    assert answer.additions == ()
    assert "film" in note(answer)
    assert "going by" not in note(answer)  # nothing went in yet


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
    assert "guessed" in note(answer)
    assert "white rather than transparent base" in note(answer)
    # It knows less, so it promises less.
    known = ask(strip(noted), strip({"white": 90, "phthalo-blue": 6}), noted)
    assert answer.predicted_de00_high95 > known.predicted_de00_high95


def test_of_a_batch_that_is_left_alone_nobody_is_told_a_guess():
    noted = {"white": 90, "phthalo-blue": 10}
    answer = ask(strip(noted), strip(noted), verdict="match")
    assert answer.mix_inferred
    assert answer.additions == ()
    assert "leave the batch as it is" in note(answer)
    assert "guess" not in note(answer)


def test_cautions_and_stand_in_flag_come_with_advised_ink():
    noted = {"white": 70, "cadmium-red": 30}
    answer = ask(strip(noted), strip({"white": 70, "cadmium-red": 18}), noted)
    assert answer.additions[0][0] == "cadmium-red"
    assert cautions(answer)[: len(CAUTIONS)] == CAUTIONS
    assert "cadmium" in cautions(answer)[-1]
    assert [flag.code for flag in answer.flags] == ["stand-in-inks"]


def test_any_ink_floods_a_batch():
    """Thirteen parts of red become thirty: not white or base alone, any ink can be too much."""
    noted = {"white": 40, "pyrrole-red": 60}
    answer = ask(strip(noted), strip({"white": 40, "pyrrole-red": 20}), noted, batch_grams=100)
    assert [name for name, _ in answer.additions] == ["pyrrole-red"]
    assert answer.additions[0][1] > 30
    assert answer.portion < 0.8
    assert "store it" in note(answer)
    assert f"{100 * answer.portion:.0f} g that stay" in note(answer)


def test_a_guessed_mix_adds_white_or_base_last():
    """Too much blue in a let-down: from colour alone it may as well be a tint."""
    noted = {"base": 80, "phthalo-blue": 20}
    answer = ask(strip(noted), strip({"base": 70, "phthalo-blue": 30}))
    thins = [name for name, _ in answer.additions if SHELF.find(name).kind in ("white", "base")]
    assert not thins or f"Add {' and '.join(thins)} only if the batch was mixed with it" in (
        note(answer)
    )
    assert "guessed" in note(answer)


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
    assert "one more strip" in note(one)
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
    assert note(told).startswith("Stop here: no ink on the shelf would bring the batch clearly")
    assert "redder" in note(told)


def test_it_says_whether_the_addition_helped():
    noted = {"white": 90, "phthalo-blue": 10}
    far, near = (strip(noted | {"phthalo-blue": b}) for b in (5, 7))
    steps = [Step(reading(strip(noted), lab)) for lab in (far, near)]
    put_in = {"phthalo-blue": 0.02}
    better = ask(strip(noted), near, noted, story=(steps[0],), added=put_in)
    assert note(better).startswith("It came nearer: Delta E was ")
    worse = ask(strip(noted), far, noted, story=(steps[1],), added={"titanium-white": 0.3})
    assert note(worse).startswith("It went further away")
    same = ask(strip(noted), far, noted, story=(steps[0],), added={"titanium-white": 0.001})
    assert note(same).startswith("It came no nearer")


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
    sure = ask(
        original, batch, noted,
        samples_original=original + common, samples_batch=batch + common + small,
    )  # fmt: skip
    unsure = ask(
        original, batch, noted, samples_original=original + common, samples_batch=batch + alone
    )
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


def test_a_shelf_without_the_strips_inks_is_told_as_such():
    """A blue strip and a shelf of white, base and orange: no guess, no ink, and the reason."""
    few = Shelf(tuple(SHELF.find(name) for name in ("white", "base", "PO73")))
    advice = ask([79.9, -27.4, -27.4], [84.7, -24.1, -19.6], shelf=few)
    assert advice.additions == ()
    assert not advice.mix_used
    assert "no mixture of the inks on this shelf" in note(advice)
    assert "film" not in note(advice)
