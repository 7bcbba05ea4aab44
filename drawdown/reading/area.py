"""The one reader of even areas: from a photo's pixels to colours that share what they share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.difference import local_metric
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.correct import Correction
from calibration.correction.lamp_field import on_card
from calibration.locate.sheet import Sheet
from calibration.uncertainty.kernels import root_of
from calibration.uncertainty.streams import stream
from drawdown.reading.budget import (
    CELLS_AS_ONE,
    DARK_LEVELS,
    LEVEL_LINEAR,
    LEVEL_SD,
    LIGHT_CHROMA,
    NEAR_LIGHT,
    jpeg_sd_de,
)
from drawdown.reading.colour import StripReading
from drawdown.strips import limits
from drawdown.strips.strip import Strip

CELL_MM = 4.0
LEAST_XYZ = 1e-5


@dataclass(frozen=True, eq=False)
class Area:
    """One even area as the photo shows it: its mean or typical ``rgb`` (3,), photo-linear, at
    ``xy_mm`` (2,); ``xyz_d50`` (3,) the best estimate of its colour, Y = 1 for the perfect
    diffuser, and ``error_cov`` (3, 3) what its own scatter leaves open in that; ``crushed``
    the share 0..1 of its pixels at the camera's lowest levels."""

    rgb: np.ndarray
    xy_mm: np.ndarray
    xyz_d50: np.ndarray
    error_cov: np.ndarray
    crushed: float = 0.0

    @property
    def lab_d50(self) -> np.ndarray:
        return xyz_to_lab(self.xyz_d50)


def area_of(
    rgb: np.ndarray, xyz: np.ndarray, xy_mm: np.ndarray, crushed: np.ndarray
) -> tuple[Area, np.ndarray]:
    """The area of some pixels (n, 3), (n, 3), (n, 2), (n,), and the XYZ of its cells (k, 3)."""
    cells = cell_means(xyz, xy_mm)
    # Cells next to each other share streaks and film.
    count = max(1.0, len(cells) / CELLS_AS_ONE)
    cov = np.cov(cells, rowvar=False, bias=True) / count
    lowest = float(np.mean(crushed > 0.5))
    return Area(rgb.mean(axis=0), xy_mm.mean(axis=0), xyz.mean(axis=0), cov, lowest), cells


def cell_means(xyz: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
    """(k, 3) mean XYZ of the 4 mm cells that hold at least a quarter of the fullest cell."""
    place = np.floor((xy_mm - xy_mm.min(axis=0)) / CELL_MM).astype(int)
    key = place[:, 1] * 10000 + place[:, 0]
    _, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)
    sums = np.stack([np.bincount(inverse, xyz[:, k]) for k in range(3)], axis=-1)
    full = counts >= 0.25 * counts.max()
    means: np.ndarray = sums[full] / counts[full, None]
    return means


@dataclass(frozen=True, eq=False)
class Window:
    """Pixels about one strip: u mm along the pull, v mm across, both from its centre."""

    u: np.ndarray  # (n,)
    v: np.ndarray
    rgb: np.ndarray  # (n, 3) photo-linear
    xyz: np.ndarray  # (n, 3)
    bare: np.ndarray  # (n,) no ink here or near
    body: np.ndarray  # (n,) the strip's even part
    half_length: float
    half_width: float
    crushed: np.ndarray  # (n,)
    margin: float
    px_per_mm: float
    to_mm: np.ndarray  # (2, 3): (u, v, 1) -> card mm


def window_of(
    strip: Strip, sheet: Sheet, correction: Correction, card: CardDefinition, ink: np.ndarray
) -> Window:
    """The pixels about a strip; ``ink`` (h, w) bool are those of all strips."""
    corners = np.asarray(strip.corners_mm, dtype=float)
    centre = corners.mean(axis=0)
    along = np.asarray(strip.axis, dtype=float)
    across = np.array([-along[1], along[0]])
    own = (corners - centre) @ np.stack([along, across], axis=1)
    half_length, half_width = np.abs(own).mean(axis=0)
    reach = limits.BESIDE_STRIP_MM[1] + 1.0
    up, aside = (half_length + limits.BAR_BEYOND_MM) * along, (half_width + reach) * across
    box = [centre + a * up + b * aside for a in (-1, 1) for b in (-1, 1)]
    low, high = np.min(box, axis=0), np.max(box, axis=0)
    part = sheet.window((*low, *(high - low)))
    rows, columns = np.mgrid[part]
    xy = sheet.to_mm(np.stack([columns, rows], axis=-1))
    u, v = (xy - centre) @ along, (xy - centre) @ across
    size = 2 * round(0.6 * sheet.px_per_mm) + 1
    near_ink = cv2.dilate(ink[part].astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    keep = sheet.inside[part] & (np.abs(u) <= half_length + limits.BAR_BEYOND_MM)
    keep &= (np.abs(v) <= half_width + reach) & (sheet.clipped[part] < 0.2)
    keep &= ~on_card(xy, card, 1.0)
    rgb = sheet.rgb_linear[part][keep].astype(float)
    return Window(
        u=u[keep],
        v=v[keep],
        rgb=rgb,
        xyz=correction.xyz_d50(correction.light(rgb, xy[keep])),
        bare=(~near_ink[keep]) & (np.abs(v[keep]) > half_width + limits.BESIDE_STRIP_MM[0]),
        body=strip.body[part][keep],
        half_length=float(half_length),
        half_width=float(half_width),
        crushed=sheet.crushed[part][keep],
        px_per_mm=sheet.px_per_mm,
        margin=limits.BAR_MARGIN_MM + limits.BAR_MARGIN_PX / sheet.px_per_mm,
        to_mm=np.stack([along, across, centre], axis=1),
    )


def read_areas(
    areas: Sequence[Area], correction: Correction, number: int, jpeg_quality: int | None
) -> np.ndarray:
    """(m, k, 3) Lab D50 of areas that lie under one light: the ensemble about their best
    estimates, without what card and camera leave open in all colours alike. ``number`` tells
    this light from those of other strips."""
    count, every = len(correction.members), len(areas)
    light = light_draws(number, count)
    rng = stream("what is an area's own", number)
    best = np.stack([a.xyz_d50 for a in areas])
    rgb, xy_mm = np.stack([a.rgb for a in areas]), np.stack([a.xy_mm for a in areas])
    central = correction.xyz_d50(correction.light(rgb, xy_mm))
    change = correction.ensemble_xyz_d50(rgb, xy_mm) - central
    for k, channel in np.argwhere(rgb < DARK_LEVELS * LEVEL_LINEAR):
        # What lies between two of the last levels is unknown.
        moved = rgb[k].copy()
        moved[channel] += LEVEL_LINEAR * (LEVEL_SD + areas[k].crushed)
        step = correction.xyz_d50(correction.light(moved, xy_mm[k])) - central[k]
        change[:, k] += rng.standard_normal((count, 1)) * step
    # As a ratio where there is light, as a difference near black.
    change = change * np.clip(best / np.maximum(central, LEAST_XYZ), 0.5, 2.0)
    shake = correction.field.scatter_at(xy_mm)[:, None] * light[:, None]
    if every > 1:
        shake = shake + NEAR_LIGHT * rng.standard_normal((count, every, 1))
    own = rng.standard_normal((count, every, 3))
    roots = np.stack([root_of(a.error_cov) for a in areas])
    xyz = (best + change) * np.exp(shake) + np.einsum("kij,mkj->mki", roots, own)
    lab = xyz_to_lab(np.maximum(xyz, LEAST_XYZ))
    if jpeg_quality is not None:
        # The blocks of each area round on their own.
        rounding = jpeg_sd_de(jpeg_quality) * rng.standard_normal((count, every, 3))
        to_lab = np.linalg.inv(local_metric(xyz_to_lab(best)))
        lab = lab + np.einsum("kij,mkj->mki", to_lab, rounding)
    return lab


def light_draws(number: int, count: int) -> np.ndarray:
    """(count, 3) what each member draws of the log of the light of strip ``number``, in standard
    deviations of its level."""
    rng = stream("light of a strip", number)
    return rng.standard_normal((count, 1)) + LIGHT_CHROMA * rng.standard_normal((count, 3))


def relit(colour: StripReading, share: float) -> np.ndarray:
    """(m, 3) the members of a strip with that share of what they drew of its light."""
    members = colour.members()
    if colour.lab_samples is None or not colour.light_sd:
        return members
    back = (share - 1) * colour.light_sd * light_draws(colour.number, len(members))
    return xyz_to_lab(lab_to_xyz(members) * np.exp(back))
