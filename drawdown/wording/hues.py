"""Redder, yellower, greener, bluer: words for differences of hue."""

from __future__ import annotations

import numpy as np

# What a turn of hue is called, by the hue it starts from: up to this angle, the word for a
# turn towards larger angles and for one towards smaller (common practice, no source).
_TURNS = (
    (40, "yellower", "bluer"),  # reds
    (75, "yellower", "redder"),  # oranges
    (115, "greener", "redder"),  # yellows
    (140, "greener", "yellower"),
    (185, "bluer", "yellower"),  # greens
    (215, "bluer", "greener"),  # turquoises
    (290, "redder", "greener"),  # blues
    (345, "redder", "bluer"),  # violets
    (360, "yellower", "bluer"),
)
_TINGES = (("redder", 0.0), ("yellower", 90.0), ("greener", 180.0), ("bluer", 270.0))
GREY_CHROMA = 8.0


def tinge(da: float, db: float) -> str:
    """The word for a step in the a*b* plane, by the nearest axis."""
    angle = np.degrees(np.arctan2(db, da)) % 360
    return min(_TINGES, key=lambda h: abs((angle - h[1] + 180) % 360 - 180))[0]


def hue_word(lab_1: np.ndarray, lab_2: np.ndarray) -> str:
    """What the second colour's hue is beside the first's: redder, yellower, greener, bluer."""
    if min(np.hypot(*lab_1[1:]), np.hypot(*lab_2[1:])) < GREY_CHROMA:
        return tinge(lab_2[1] - lab_1[1], lab_2[2] - lab_1[2])
    start = np.degrees(np.arctan2(lab_1[2], lab_1[1])) % 360
    up = lab_1[1] * lab_2[2] - lab_1[2] * lab_2[1] > 0
    return next(more if up else less for limit, more, less in _TURNS if start <= limit)
