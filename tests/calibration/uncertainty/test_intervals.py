"""Intervals and probabilities against scipy.stats and worked figures of the GUM.

Sources: JCGM 100:2008 (GUM) table G.1; scipy.stats as an independent implementation.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from calibration.uncertainty import intervals as iv


def test_factors_are_those_of_the_distributions():
    """As tables round them: 1.96 (GUM table G.1, last line), chi-square to three decimals, the
    median's factor to four."""
    assert round(stats.norm.ppf(0.975), 2) == iv.K95
    for freedom, point in iv.CHI2_95.items():
        assert round(stats.chi2.ppf(0.95, freedom), 3) == point
    assert round(1 / stats.norm.ppf(0.75), 4) == iv.MAD_TO_SD


def test_half_width_of_normal_samples_is_the_u95():
    drawn = np.random.default_rng(1).normal(5, (1, 2, 3), (200_000, 3))
    np.testing.assert_allclose(iv.half_width(drawn), iv.K95 * np.array([1, 2, 3]), rtol=0.02)
    np.testing.assert_allclose(iv.u95_of(drawn), iv.K95 * np.array([1, 2, 3]), rtol=0.02)


def test_interval_of_a_skewed_distribution():
    drawn = np.random.default_rng(2).exponential(size=400_000)
    low, high = iv.interval(drawn)
    expected = stats.expon.interval(0.95)
    assert (float(low), float(high)) == pytest.approx(expected, rel=0.02)
    low, high = iv.interval(drawn, level=0.9)
    assert (float(low), float(high)) == pytest.approx(stats.expon.interval(0.9), rel=0.02)


def test_weighted_quantiles_are_those_of_the_weighted_distribution():
    """Uniform draws weighted by their density under a normal: the normal's quantiles."""
    drawn = np.random.default_rng(3).uniform(-6, 6, 200_000)
    weight = stats.norm.pdf(drawn)
    at = (0.025, 0.5, 0.975)
    seen = iv.quantiles(drawn, at, weight)
    np.testing.assert_allclose(seen, stats.norm.ppf(at), atol=0.03)
    assert float(iv.half_width(drawn, weight)) == pytest.approx(1.96, abs=0.03)
    assert float(iv.quantiles(drawn, 0.9, weight)) == pytest.approx(1.2816, abs=0.03)


def test_shortest_interval_of_what_crowds_at_one_end():
    """Of an exponential it begins at 0 and ends at the 95 % point; of a normal it is central."""
    drawn = np.random.default_rng(4).exponential(size=100_000)
    low, high = iv.shortest_interval(drawn, np.ones_like(drawn))
    assert low < 0.01
    assert high == pytest.approx(stats.expon.ppf(0.95), rel=0.02)
    drawn = np.random.default_rng(5).uniform(-6, 6, 200_000)
    low, high = iv.shortest_interval(drawn, stats.norm.pdf(drawn))
    assert high - low == pytest.approx(2 * 1.96, abs=0.03)


def test_interval_reaches_to_the_best_estimate():
    drawn = np.linspace(1, 2, 1001)
    assert iv.interval_with(0.5, drawn) == (0.5, pytest.approx(1.975))
    assert iv.interval_with(1.5, drawn) == (pytest.approx(1.025), pytest.approx(1.975))


def test_probability_within_is_that_of_a_normal():
    drawn = np.random.default_rng(6).normal(1, 2, 200_000)
    assert iv.probability_within(drawn, 2.0) == pytest.approx(stats.norm.cdf(0.5), abs=0.005)
    wide = np.random.default_rng(7).uniform(-9, 11, 200_000)
    seen = iv.probability_within(wide, 2.0, stats.norm.pdf(wide, 1, 2))
    assert seen == pytest.approx(stats.norm.cdf(0.5), abs=0.005)
    assert iv.probability_within(np.array([2.0, 3.0]), 2.0) == 0.5


def test_surprise_is_chi_square_and_shown_one_time_in_twenty():
    rng = np.random.default_rng(8)
    root = np.array([[1.0, 0, 0], [0.5, 2, 0], [-0.3, 0.2, 0.7]])
    drawn = rng.standard_normal((20_000, 3)) @ root.T
    seen = iv.surprise(drawn, root @ root.T)
    assert stats.kstest(seen, "chi2", (3,)).pvalue > 1e-4
    shown = np.mean([iv.is_shown(d, root @ root.T) for d in drawn[:4000]])
    assert shown == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 4000))
    many = iv.surprise(drawn[:5], np.broadcast_to(root @ root.T, (5, 3, 3)))
    np.testing.assert_allclose(many, seen[:5])


def test_common_part_of_a_half_width():
    """Variances add: what the samples do not show of 1.96 sqrt(own^2 + common^2)."""
    drawn = np.random.default_rng(9).normal(0, 0.3, (96, 3))
    u95 = 1.96 * np.sqrt(drawn.var(axis=0) + 0.4**2)
    np.testing.assert_allclose(iv.common_sd(u95, drawn), 0.4)
    np.testing.assert_array_equal(iv.common_sd(0 * u95, drawn), 0)


def test_factor_of_a_logarithm():
    expected = stats.lognorm.ppf(0.975, 0.2)
    assert float(iv.factor_u95(0.2)) == pytest.approx(expected, rel=1e-4)
    assert float(iv.factor_u95(50.0)) == pytest.approx(1e4)


def test_distance_without_noise():
    """The length of a step of 2 among noise of 1 per axis comes out as 2."""
    rng = np.random.default_rng(10)
    noise = rng.standard_normal((200_000, 3))
    distances = np.linalg.norm(noise + np.array([2.0, 0, 0]), axis=1)
    lengths = np.linalg.norm(noise, axis=1)
    assert iv.without_noise(distances, lengths) == pytest.approx(2, abs=0.03)
    assert iv.without_noise(lengths, distances) == 0


def test_robust_sd_is_that_of_scipy_and_ignores_the_wild():
    drawn = np.random.default_rng(11).normal(0, 0.2, 5001)
    expected = stats.median_abs_deviation(drawn, center=lambda x, axis: 0.0, scale="normal")
    assert iv.robust_sd(drawn) == pytest.approx(expected, rel=1e-4)
    drawn[:500] = 100
    assert iv.robust_sd(drawn) == pytest.approx(0.2, rel=0.2)
    assert iv.robust_sd(np.zeros(0)) == np.inf
