"""A shadow's edge across the card: patches in other light than a smooth lamp explains.

The card's whites alone cannot tell a shadow on one corner from a lamp that falls off: a
smooth field bends to them. All patches together can, once a first correction says how light
each one should be: their light over the card is fitted by a plane with a slight bend, which
a few patches cannot pull (Tukey's biweight from a median start; Hampel et al. 1986, Robust
Statistics, 2.6), and neighbours that lie together far below it are in shadow.
"""

from __future__ import annotations

import numpy as np

SLOPE_SD, BEND_SD = 0.35, 0.04  # log light per 100 mm and per (100 mm)^2
LEAST_DROP = 0.12  # log light; less is left to the lamp's field
TIMES_SCATTER = 2.0
BESIDE_MM = 16.0
LEAST_TOGETHER = 4


def shaded_patches(log_light: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """(n,) True for patches in a shadow with an edge, from the log light (n,) on patches at
    ``centre_mm`` (n, 2): at least four beside each other, all far below the rest."""
    p = (centre_mm - centre_mm.mean(axis=0)) / 100.0
    x, y = p[:, 0], p[:, 1]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    prior = np.diag([1e-6, *[SLOPE_SD**-2] * 2, *[BEND_SD**-2] * 3])
    gap = log_light - np.median(log_light)
    for _ in range(12):
        scale = max(0.02, 1.48 * float(np.median(np.abs(gap))))
        weight = np.maximum(0.0, 1 - (gap / (4.5 * scale)) ** 2) ** 2
        weighted = design * (weight / scale**2)[:, None]
        gap = log_light - design @ np.linalg.solve(
            design.T @ weighted + prior, weighted.T @ log_light
        )
    dark = gap < -max(LEAST_DROP, TIMES_SCATTER * scale)
    beside = np.linalg.norm(centre_mm[:, None] - centre_mm[None], axis=-1) < BESIDE_MM
    # Grow each group from patch to patch: those that hang together count together.
    joined = beside & dark[:, None] & dark[None]
    reach = joined.copy()
    for _ in range(6):
        reach = (reach.astype(int) @ joined.astype(int)) > 0
    return dark & (reach.sum(axis=1) >= LEAST_TOGETHER)
