"""Narrow rims of bare paper: strips on offcuts that hardly reach beyond the ink.

An even surface needs some width to be seen as one; a rim of a few millimetres between ink
and table has none. It is known by being the lightest thing around: ink and table are darker.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from drawdown.strip_ground import MIN_GROUND_MM2, Ground, ground_around
from drawdown.strip_picture import LIGHT_SPAN, Picture, Zones

REACH_MM = 2.5  # a rim pixel is the lightest within this distance
DIP_L = 3.0  # give or take
ABOVE_L = 4.0  # how much lighter than all even surfaces a rim is that makes tables of them
MAX_L = 104.0  # lighter than this is a mirrored lamp
LIGHTER_MM2 = 60.0  # so much of it makes it the lightest paper
MIN_RIM_MM2 = 400.0  # so much of it is worth a look for strips
OFF_GROUND = 5.0


def ridges(picture: Picture) -> np.ndarray:
    """(h, w) bool: places that are the lightest around, even surfaces among them."""
    light = cv2.blur(np.ascontiguousarray(picture.lab[..., 0]), (3, 3))
    light[~picture.usable] = 0
    side = 2 * round(REACH_MM * picture.px_per_mm) + 1
    most = cv2.dilate(light, np.ones((side, side), np.uint8))
    return (light > most - DIP_L) & picture.usable & ~picture.printed


def lightest_paper(picture: Picture, zones: Zones, ridge: np.ndarray) -> float:
    """L* of the lightest paper: of an even surface, or of rims lighter than all of them."""
    big = zones.area_mm2 >= MIN_GROUND_MM2
    big[0] = False
    lightest = float(zones.lab[big, 0].max()) if big.any() else 0.0
    some = picture.lab[..., 0][ridge]
    some = some[(some > lightest + ABOVE_L) & (some < MAX_L)]
    if len(some) < LIGHTER_MM2 * picture.px_per_mm**2:
        return lightest
    return float(np.median(some))


def rim_ground(
    picture: Picture, ridge: np.ndarray, grounds: Sequence[Ground], lightest: float
) -> Ground | None:
    """The paper that shows as rims only, beside the grounds known already; or None."""
    light = picture.lab[..., 0]
    rim = ridge & (light > lightest - LIGHT_SPAN)
    for ground in grounds:
        rim[ground.part] &= (ground.contrast > max(OFF_GROUND, 2.5 * ground.low)) & (
            ground.lighter > 0
        )
    if np.count_nonzero(rim) < MIN_RIM_MM2 * picture.px_per_mm**2:
        return None
    return ground_around(picture, [((0, 0), rim)])
