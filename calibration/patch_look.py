"""What a placement of the card makes of its patches: do their colours look like the card's?

A placement is a homography from card mm to photo px. Colours are compared as photographed
(encoded), channel by channel up to gain and offset, so that lamp, exposure and tone matter
little; nothing here measures colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.card import CardDefinition
from calibration.colorimetry import lab_to_xyz, xyz_d50_to_srgb
from calibration.homography import apply_homography

_MIDDLE, _WIDE = 0.25, 0.42  # half the share of a patch that is sampled


@dataclass(frozen=True)
class Look:
    """``likeness`` -1..1: mean correlation of the patches' colours with the card's;
    ``evenness``: scatter within a patch against the scatter between patches, 0 is best;
    ``shown``: share of the patches that lie in the photo."""

    likeness: float
    evenness: float
    shown: float


NOTHING = Look(-1.0, 9.0, 0.0)


def expected_encoded(card: CardDefinition) -> np.ndarray:
    """(n, 3) sRGB 0..1 that the patches would have in a perfect picture."""
    return xyz_d50_to_srgb(lab_to_xyz(card.expected_lab_d50))


def look(rgb_encoded: np.ndarray, matrix: np.ndarray, card: CardDefinition) -> Look:
    """How a placement's patches look in the photo (h, w, 3)."""
    offsets = np.linspace(-_WIDE, _WIDE, 7)
    grid = np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
    inner = np.all(np.abs(grid) <= _MIDDLE + 0.04, axis=1)
    rects = card.rects_mm
    centre = rects[:, :2] + rects[:, 2:] / 2
    px = apply_homography(matrix, centre[:, None] + grid * rects[:, None, 2:])
    height, width = rgb_encoded.shape[:2]
    if not np.isfinite(px).all():
        return NOTHING
    at = np.rint(np.clip(px, -1e6, 1e6)).astype(int)
    inside = (at >= 0).all(axis=-1) & (at[..., 0] < width) & (at[..., 1] < height)
    shown = inside.all(axis=1)
    if shown.sum() < max(4, 0.4 * len(rects)):
        return NOTHING
    at = at[shown]
    values = rgb_encoded[at[..., 1], at[..., 0]].astype(float)
    full = 255.0 if rgb_encoded.dtype == np.uint8 else 65535.0
    values /= full
    mean = np.median(values[:, inner], axis=1)
    want = expected_encoded(card)[shown]
    a, b = mean - mean.mean(axis=0), want - want.mean(axis=0)
    size = np.sqrt((a * a).sum(axis=0) * (b * b).sum(axis=0))
    known = size > 1e-6
    likeness = float(((a * b).sum(axis=0)[known] / size[known]).mean()) if known.any() else 0.0
    between = float(np.sqrt((a * a).mean())) + 1e-4
    # The mean absolute deviation, so that one speck does not count like a misplacement.
    within = float(np.abs(values - mean[:, None]).mean())
    return Look(likeness, within / between, float(shown.mean()))
