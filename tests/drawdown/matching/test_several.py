"""Several photos of one pair: one reading, whose own errors average out and whose common ones stay
(GUM, JCGM 100:2008, 5.2: correlated input quantities)."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from compare_kit import BLUE, along, strip
from strip_kit import box

from drawdown.matching.compare import compare
from drawdown.matching.several import contradicting, joined, same_pair

OFF = along((0, 1, 1), 1.2)


def pair(seed, light=0.02, shift=(0, 0, 0), batch=OFF, **how):
    shift = np.asarray(shift, float)
    return (
        strip(1, BLUE + shift, seed=seed, light_sd=light, sd=0.5, **how),
        strip(2, batch + shift, seed=seed + 1, light_sd=light, sd=0.5, **how),
    )


def width(c):
    return c.de00_high95 - c.de00_low95


def test_what_each_photo_draws_anew_averages_out_and_what_is_common_stays():
    photos = [pair(seed) for seed in (0, 40, 80)]
    one = compare(*photos[0])
    three = compare(*joined(photos), again=photos)
    many = compare(*joined(photos * 30), again=photos * 30)
    sizes = [float(np.trace(c.d_lab_cov)) for c in (one, three, many)]
    # own / n + common, with n of 1, 3 and 90
    assert (sizes[1] - sizes[2]) / (sizes[0] - sizes[2]) == pytest.approx(0.326, abs=0.08)
    assert 0.1 * sizes[0] < sizes[2] < 0.8 * sizes[0]  # the card does not average out
    assert width(three) < width(one)
    again = compare(*joined([photos[0]] * 1), again=[photos[0]])
    assert np.allclose(again.d_lab_cov, one.d_lab_cov)


def test_the_mean_leans_to_the_photo_in_the_better_light():
    sure, unsure = pair(0, light=0.01), pair(9, light=0.04, batch=OFF + np.array([4, 0, 0]))
    both = joined([sure, unsure])[1].lab_d50 - joined([sure, unsure])[0].lab_d50
    assert np.linalg.norm(both - (OFF - BLUE)) < 0.5


def test_a_photo_that_contradicts_the_others_is_found():
    photos = [pair(0), pair(40), pair(80, batch=OFF + np.array([0, 0, 9]))]
    assert contradicting(photos) == 2
    assert contradicting(photos[:2]) is None
    assert contradicting(photos[1:]) == 1  # of two nobody knows which
    # The whole photo lighter by two is no contradiction: the difference is the same.
    assert contradicting([pair(0), pair(40, shift=(2, 1, 1))]) is None


def placed(colour, x, w=18.0, h=60.0):
    lies = SimpleNamespace(
        number=colour.number, corners_mm=box(x, 90, w, h), width_mm=w, length_mm=h
    )
    return replace(colour, strip=lies)


@pytest.mark.parametrize(("first", "second"), [(10, 60), (60, 10)])
def test_strips_are_known_again_by_look_wherever_they_lie(first, second):
    """Swapped between two photos; plainly different in colour."""
    far = BLUE + np.array([0, 6, 6])
    before = tuple(placed(s, x) for s, x in zip(pair(0, batch=far), (10, 60), strict=True))
    now = [placed(s, x) for s, x in zip(pair(40, batch=far), (first, second), strict=True)]
    stranger = placed(strip(3, BLUE + np.array([20, 40, 50])), 110, w=30)
    original, batch = same_pair(before, [*now, stranger])
    assert (original, batch) == tuple(now)


def test_of_two_that_look_alike_place_says_which_is_which():
    before = tuple(placed(s, x) for s, x in zip(pair(0, batch=BLUE), (10, 60), strict=True))
    now = [placed(s, x) for s, x in zip(pair(40, batch=BLUE), (12, 62), strict=True)]
    assert same_pair(before, now[::-1]) == tuple(now)
    others = [placed(strip(n, BLUE + np.array([30, 50, 60])), 40 * n, w=40) for n in (1, 2)]
    assert same_pair(before, others) is None
