"""Intervals of 95 %, and what is probable: every factor and every quantile, once. Half widths
("u95") are 1.96 standard uncertainties (JCGM 100:2008, G.1.3); ensembles are rows of equally
probable values unless weights are given.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

K95 = 1.96  # 97.5 % point of the standard normal, as tables round it
LEVEL = 0.95
# 95 % points of chi-square by degrees of freedom, as tables round them (JCGM 100 has none; any
# table of statistics; scipy in the tests).
CHI2_95 = {1: 3.841, 2: 5.991, 3: 7.815}
# Of a normal, the median distance from the middle is 1 / 1.4826 standard deviations.
MAD_TO_SD = 1.4826


def u95_of(samples: np.ndarray) -> np.ndarray:
    """(...) half width from the spread of samples (m, ...), for values with normal errors."""
    return np.asarray(K95 * np.std(samples, axis=0))


def common_sd(u95: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """(...) standard uncertainty in a half width (...) that its samples (m, ...) do not show:
    what is common to all that was read, such as the card's own."""
    return np.asarray(np.sqrt(np.maximum((u95 / K95) ** 2 - np.var(samples, axis=0), 0.0)))


def factor_u95(log_sd: np.ndarray) -> np.ndarray:
    """The factor that a value is known to within, from the standard uncertainty of its
    natural logarithm; 10,000 at most, which is to say nothing is known."""
    return np.asarray(np.exp(np.minimum(K95 * np.asarray(log_sd, dtype=float), np.log(1e4))))


def quantiles(
    samples: np.ndarray, at: float | Sequence[float], weight: np.ndarray | None = None
) -> np.ndarray:
    """Quantiles of samples (m, ...), between neighbours: (...) for one ``at``, else (q, ...).
    With ``weight`` (m,) samples (m,) alone; each then stands in the middle of its weight."""
    if weight is None:
        plain: np.ndarray = np.quantile(samples, at, axis=0)
        return plain
    order = np.argsort(samples)
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return np.asarray(np.interp(at, middle / np.sum(weight), samples[order]))


def interval(
    samples: np.ndarray, level: float = LEVEL, weight: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Both ends (...) of the central interval of samples (m, ...)."""
    tail = (1 - level) / 2
    low, high = quantiles(samples, (tail, 1 - tail), weight)
    return low, high


def half_width(samples: np.ndarray, weight: np.ndarray | None = None) -> np.ndarray:
    """(...) half of the central 95 % interval of samples (m, ...), whatever their shape."""
    low, high = interval(samples, weight=weight)
    return np.asarray((high - low) / 2)


def interval_with(best: float, samples: np.ndarray) -> tuple[float, float]:
    """The central 95 % interval of samples (m,), reaching to the ``best`` estimate: a distance
    cannot be negative, so near 0 all its samples lie above the best one."""
    low, high = interval(samples)
    return min(float(low), best), max(float(high), best)


def shortest_interval(
    samples: np.ndarray, weight: np.ndarray, level: float = LEVEL
) -> tuple[float, float]:
    """The shortest interval from sample to sample that holds ``level`` of the weight (m,) of
    samples (m,): for values that crowd at one end, such as distances near 0."""
    order = np.argsort(samples)
    values, total = samples[order], np.cumsum(weight[order]) / np.sum(weight)
    starts = np.concatenate([[0.0], total[:-1]])
    ends = np.searchsorted(total, starts + level - 1e-9)
    inside = ends < len(values)
    width = np.where(inside, values[np.minimum(ends, len(values) - 1)] - values, np.inf)
    first = int(width.argmin())
    return float(values[first]), float(values[ends[first]])


def probability_within(
    samples: np.ndarray, tolerance: float, weight: np.ndarray | None = None
) -> float:
    """The share of samples (m,) that is no larger than ``tolerance``: the probability of
    conformance of JCGM 106:2012, 7.2 (from memory)."""
    return float(np.average(np.asarray(samples) <= tolerance, weights=weight))


def surprise(difference: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """(...) squared length of differences (..., k) in standard uncertainties, for covariances
    (..., k, k): chi-square with k degrees of freedom where there is no true difference."""
    column = np.asarray(difference, dtype=float)[..., None]
    return np.asarray((column * np.linalg.solve(covariance, column))[..., 0].sum(axis=-1))


def is_shown(difference: np.ndarray, covariance: np.ndarray) -> bool:
    """Whether a difference (k,), k up to 3, is too large to be none, at 95 %."""
    return float(surprise(difference, covariance)) > CHI2_95[len(difference)]


def without_noise(distances: np.ndarray, of_noise: np.ndarray) -> float:
    """The distance that stands behind sampled ones (m,), less what noise alone (m,) would add:
    squares add up, and rounding below 0 is 0."""
    return float(np.sqrt(max(0.0, np.mean(distances**2) - np.mean(of_noise**2))))


def robust_sd(values: np.ndarray) -> float:
    """Standard deviation about 0 of values (n,) most of which are normal, by their median
    size; infinite for none."""
    return MAD_TO_SD * float(np.median(np.abs(values))) if values.size else float("inf")
