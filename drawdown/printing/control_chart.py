"""Control chart of single values: limits from the moving range, and what is a signal. Pure.

Sources: README.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

D2 = 1.128
RUN = 8
LEAST_BASELINE = 6  # fewer give no limits worth the name; common practice, no source


@dataclass(frozen=True)
class Limits:
    """``centre`` the mean, ``lower`` and ``upper`` the limits, ``sigma`` the standard deviation
    from the moving range, ``count`` how many values they rest on."""

    centre: float
    lower: float
    upper: float
    sigma: float
    count: int


def individuals_limits(values: np.ndarray, least_sigma: float = 0.0) -> Limits | None:
    """Limits from values (n,) in order; None for fewer than ``LEAST_BASELINE``.
    ``least_sigma``: what the measuring cannot tell apart is no signal."""
    values = np.asarray(values, dtype=float)
    if len(values) < LEAST_BASELINE:
        return None
    sigma = max(float(np.abs(np.diff(values)).mean()) / D2, least_sigma)
    centre = float(values.mean())
    return Limits(centre, centre - 3 * sigma, centre + 3 * sigma, sigma, len(values))


def beyond(values: np.ndarray, limits: Limits) -> np.ndarray:
    """(n,) int: 1 above the upper limit, -1 below the lower one, else 0."""
    values = np.asarray(values, dtype=float)
    return (values > limits.upper).astype(int) - (values < limits.lower).astype(int)


def runs(values: np.ndarray, limits: Limits) -> np.ndarray:
    """(n,) int: 1 where at least ``RUN`` values in a row up to this one lie above the
    centre, -1 below it, else 0. A value on the centre ends a run."""
    side = np.sign(np.asarray(values, dtype=float) - limits.centre).astype(int)
    found = np.zeros(len(side), dtype=int)
    count = 0
    for i, one in enumerate(side):
        count = count + 1 if i and one and one == side[i - 1] else int(one != 0)
        found[i] = one if count >= RUN else 0
    return found
