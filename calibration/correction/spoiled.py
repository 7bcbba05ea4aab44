"""Patches that are not even inside (a lamp mirrored in the card, dirt), and patches in a shadow
with an edge. Theory: README.md.
"""

from __future__ import annotations

import numpy as np

from calibration.card.definition import CardDefinition
from calibration.correction.glare import glare_share
from calibration.correction.patches import PatchReadings
from calibration.uncertainty.gauss_newton import Normal, biweight, reweighed
from calibration.uncertainty.intervals import robust_sd

# Uneven: this many times as much as patches of the same lightness, and not less than this
# (relative standard deviation of means over 1 mm). In rendered photos without glare the largest
# ratio of 1680 patches was 3.4.
TIMES_PEERS, LEAST_UNEVEN = 4.5, 0.012
PEERS = 11
# Light that has the lamp's colour: this many standard uncertainties, and this share of white.
SURE_SHINE, LEAST_SHINE = 4.0, 0.004
SHADOW_SD = 0.15  # how far a shadow's edge may change the light within one patch
BESIDE_MM = 16.0  # how far a lamp's image reaches: patches next to one that shines
MOST_SPOILT = 0.35  # of all patches; more, and it is the photo or the card's place


def uneven_patches(readings: PatchReadings, card: CardDefinition) -> tuple[np.ndarray, np.ndarray]:
    """(n,) True for patches that are uneven inside, and (n,) True for those of them that
    shine: whose lighter part is lighter by something of the lamp's colour."""
    count = len(card.patches)
    nothing = np.zeros(count, bool)
    usable = readings.usable
    if readings.uneven is None or readings.lower_rgb is None or usable.sum() < PEERS:
        return nothing, nothing
    level = np.log(readings.rgb[usable].mean(axis=1))
    uneven = readings.uneven[usable]
    near = np.argsort(np.abs(level[:, None] - level[None]), axis=1, kind="stable")[:, :PEERS]
    usual = np.median(uneven[near], axis=1)
    spoilt = uneven > np.maximum(TIMES_PEERS * usual, LEAST_UNEVEN)
    if not spoilt.any() or spoilt.mean() > MOST_SPOILT:
        return nothing, nothing
    found = nothing.copy()
    found[usable] = spoilt
    lightest = np.argsort(-level)[: max(1, len(level) // 8)]
    white = np.median(readings.rgb[usable][lightest], axis=0)
    shines = nothing.copy()
    for i in np.flatnonzero(found):
        body = readings.lower_rgb[i] / white
        shadow = SHADOW_SD**2 * np.outer(body, body)
        share, sd = glare_share(readings.rgb[i], readings.lower_rgb[i], white, shadow)
        shines[i] = share > max(SURE_SHINE * sd, LEAST_SHINE)
    return found, shines


def beside(shines: np.ndarray, card: CardDefinition) -> np.ndarray:
    """(n,) True for patches next to one that shines."""
    centre = card.centres_mm
    apart = np.linalg.norm(centre[:, None] - centre[None, shines], axis=-1)
    return (apart < BESIDE_MM).any(axis=1) & ~shines


SLOPE_SD, BEND_SD = 0.35, 0.04  # log light per 100 mm and per (100 mm)^2
LEAST_DROP = 0.12  # log light; less is left to the lamp's field
TIMES_SCATTER = 2.0
SHADE_BESIDE_MM = 16.0
LEAST_TOGETHER = 4


def shaded_patches(log_light: np.ndarray, centre_mm: np.ndarray) -> np.ndarray:
    """(n,) True for patches in a shadow with an edge, from the log light (n,) on patches at
    ``centre_mm`` (n, 2): at least four beside each other, all far below the rest."""
    p = (centre_mm - centre_mm.mean(axis=0)) / 100.0
    x, y = p[:, 0], p[:, 1]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    prior = Normal.of_sds(np.array([1e3, SLOPE_SD, SLOPE_SD, *[BEND_SD] * 3]))

    def weigh(gap: np.ndarray) -> np.ndarray:
        scale = _scatter(gap)
        return biweight(gap, 4.5 * scale) / scale**2

    first = weigh(log_light - np.median(log_light))
    light, _ = reweighed(design, log_light, prior, weigh, first, rounds=12)
    gap = log_light - design @ light
    dark = gap < -max(LEAST_DROP, TIMES_SCATTER * _scatter(gap))
    beside = np.linalg.norm(centre_mm[:, None] - centre_mm[None], axis=-1) < SHADE_BESIDE_MM
    # Grow each group from patch to patch: those that hang together count together.
    joined = beside & dark[:, None] & dark[None]
    reach = joined.copy()
    for _ in range(6):
        reach = (reach.astype(int) @ joined.astype(int)) > 0
    return dark & (reach.sum(axis=1) >= LEAST_TOGETHER)


def _scatter(gap: np.ndarray) -> float:
    return max(0.02, robust_sd(gap))
