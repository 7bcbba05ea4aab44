"""Move a rough placement of the card (card mm to photo px) until its patches fall on the patches
in the photo; whether their colours look like the card's. Theory: README.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from calibration.locate.geometry import (
    apply_homography,
    from_pixels,
    is_in_front,
    local_jacobian,
    to_reduced,
)
from calibration.uncertainty.gauss_newton import Normal, biweight, reweighed
from calibration.uncertainty.intervals import robust_sd

_SIDE_PX = 24.0  # a usual patch in the picture that is searched
_LONGEST_PX = 1600.0
_LEAST_REACH, _MOST_REACH = 0.12, 0.42  # search range, shares of the patch's side
_EDGE_LEVELS = 2.0  # least slope of an edge, 8-bit levels per pixel
_SHIFT_SD = 0.03  # how well one patch can be placed, share of its side
_TURNS = 7


class _Frame:
    """Normalised card coordinates and the eight small corrections of a homography."""

    def __init__(self, card: CardDefinition) -> None:
        width, height = card.size_mm
        self.centre = np.array([width / 2, height / 2])
        self.half = float(np.hypot(width, height) / 2)

    def basis(self, mm: np.ndarray) -> np.ndarray:
        """(n, 2) -> (n, 2, 8): displacement in mm for each parameter."""
        u, v = ((mm - self.centre) / self.half).T
        one, zero = np.ones_like(u), np.zeros_like(u)
        x = np.stack([one, u, v, zero, zero, zero, u * u, u * v], axis=1)
        y = np.stack([zero, zero, zero, one, u, v, u * v, v * v], axis=1)
        return self.half * np.stack([x, y], axis=1)

    def warp(self, p: np.ndarray) -> np.ndarray:
        """(3, 3) card mm -> card mm that makes these displacements (to first order)."""
        small = np.array([[1 + p[1], p[2], p[0]], [p[4], 1 + p[5], p[3]], [-p[6], -p[7], 1.0]])
        to = np.diag([1 / self.half, 1 / self.half, 1.0])
        to[:2, 2] = -self.centre / self.half
        return np.linalg.inv(to) @ small @ to


def _anchor_information(
    frame: _Frame, matrix: np.ndarray, mm: np.ndarray, px: np.ndarray, sd_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """(8, 8) information and (8,) pull of anchors on a correction of ``matrix``."""
    basis = frame.basis(mm).reshape(-1, 8)
    wanted = apply_homography(np.linalg.inv(matrix), px) - mm
    scale = np.sqrt(np.abs([np.linalg.det(local_jacobian(matrix, *place)) for place in mm]))
    weight = np.repeat((scale / sd_px) ** 2, 2)
    return (basis * weight[:, None]).T @ basis, (basis * weight[:, None]).T @ wanted.ravel()


# What is thought of the eight corrections before anything is seen: small.
_PRIOR = np.diag(np.array([0.3, 0.2, 0.2, 0.3, 0.2, 0.2, 0.15, 0.15]) ** -2.0)


def placement_sd_mm(
    card: CardDefinition, matrix: np.ndarray, mm: np.ndarray, px: np.ndarray, sd_px: float
) -> np.ndarray:
    """(n,) standard uncertainty of each patch's place in mm from anchors ``mm`` (k, 2) seen
    at ``px`` (k, 2) with standard uncertainty ``sd_px`` of each coordinate."""
    frame = _Frame(card)
    information, _ = _anchor_information(frame, matrix, mm, px, sd_px)
    return _sd(frame, card.centres_mm, information + _PRIOR)


def _sd(frame: _Frame, mm: np.ndarray, information: np.ndarray) -> np.ndarray:
    covariance = np.linalg.inv(information)
    basis = frame.basis(mm)
    return np.sqrt(np.einsum("nij,jk,nik->n", basis, covariance, basis) / 2)


class _Picture:
    """The photo around the card, reduced once, and seen from above through a placement."""

    def __init__(self, rgb_encoded: np.ndarray, matrix: np.ndarray, card: CardDefinition) -> None:
        rects = card.rects_mm
        side = card.side_mm
        low = rects[:, :2].min(axis=0) - 0.6 * side
        high = (rects[:, :2] + rects[:, 2:]).max(axis=0) + 0.6 * side
        self.scale = min(_SIDE_PX / side, _LONGEST_PX / float((high - low).max()))
        self.origin = low
        self.size = tuple(int(v) for v in np.ceil((high - low) * self.scale))
        reach = np.array([low - side, (high[0] + side, low[1] - side), high + side,
                          (low[0] - side, high[1] + side)])  # fmt: skip
        px = apply_homography(matrix, reach)
        height, width = rgb_encoded.shape[:2]
        x0, y0 = np.clip(np.floor(px.min(axis=0)), 0, (width - 2, height - 2)).astype(int)
        x1, y1 = np.clip(np.ceil(px.max(axis=0)) + 1, (x0 + 2, y0 + 2), (width, height)).astype(int)
        centre = (low + high) / 2
        ppm = np.sqrt(abs(np.linalg.det(local_jacobian(matrix, *centre))))
        k = max(1, int(ppm / self.scale + 0.25))
        part = rgb_encoded[y0:y1, x0:x1]
        columns, rows = max(1, part.shape[1] // k), max(1, part.shape[0] // k)
        part = part[: rows * k, : columns * k] if k > 1 else part
        small = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA) if k > 1 else part
        self.small = small if small.dtype == np.uint8 else (small >> 8).astype(np.uint8)
        self.to_small = to_reduced(x0, y0, k)

    def slopes(self, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(h, w) steepness across x and across y of the strongest channel."""
        to_mm = from_pixels(self.origin[0], self.origin[1], self.scale)
        flat = cv2.warpPerspective(
            self.small, self.to_small @ matrix @ to_mm, self.size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        return tuple(
            np.abs(cv2.Sobel(flat, cv2.CV_32F, dx, 1 - dx, scale=1 / 8)).max(axis=2)
            for dx in (1, 0)
        )

    def to_canvas(self, mm: np.ndarray) -> np.ndarray:
        return (mm - self.origin) * self.scale - 0.5


def _box_shift(profile: np.ndarray, start: float, length: float, reach: float) -> float:
    """How far a box that should begin at ``start`` is off along a profile of steepness, in
    pixels; NaN where its two edges are not both seen within ``reach``."""
    offsets = np.arange(-reach, reach + 0.125, 0.25)
    at = np.arange(len(profile))
    left = np.interp(start + offsets, at, profile, left=0.0, right=0.0)
    right = np.interp(start + length + offsets, at, profile, left=0.0, right=0.0)
    both = np.sqrt(left * right)
    best = int(both.argmax())
    if best in (0, len(both) - 1) or both[best] < _EDGE_LEVELS + 1.6 * float(np.median(both)):
        return np.nan
    # Half of the peak: its centre of mass is steadier than its top.
    near = np.abs(offsets - offsets[best]) <= 2.0
    weight = np.maximum(both[near] - 0.5 * both[best], 0.0)
    return float((weight * offsets[near]).sum() / weight.sum())


def _shifts(
    picture: _Picture, matrix: np.ndarray, card: CardDefinition, reach: np.ndarray
) -> np.ndarray:
    """(n, 2) shift of each patch in mm; NaN where it cannot be seen. ``reach`` (n,) in mm."""
    across_x, across_y = picture.slopes(matrix)
    out = np.full((len(card.patches), 2), np.nan)
    rows, columns = across_x.shape
    for i, rect in enumerate(card.rects_mm):
        if not reach[i] > 0:
            continue
        x, y = picture.to_canvas(rect[:2])
        w, h = rect[2:] * picture.scale
        far = reach[i] * picture.scale
        a, b = max(0, round(y + 0.25 * h)), min(rows, round(y + 0.75 * h) + 1)
        c, d = max(0, round(x + 0.25 * w)), min(columns, round(x + 0.75 * w) + 1)
        if b - a < 2 or d - c < 2:
            continue
        out[i, 0] = _box_shift(across_x[a:b].mean(axis=0), x, w, far)
        out[i, 1] = _box_shift(across_y[:, c:d].mean(axis=1), y, h, far)
    return out / picture.scale


def _correction(
    basis: np.ndarray, shift: np.ndarray, side: np.ndarray, before: np.ndarray, pull: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The eight corrections that move patches by ``shift`` (n, 2; NaN where unseen), held by
    anchors and prior (8, 8) that ``pull`` (8,); and what the patches say of them (8, 8)."""
    seen = np.isfinite(shift)
    design, target = basis[seen], shift[seen]
    sd = _SHIFT_SD * np.repeat(side[:, None], 2, axis=1)[seen]

    def weigh(left: np.ndarray) -> np.ndarray:
        spread = max(1.0, robust_sd(left / sd)) * sd
        return biweight(left, 4.0 * spread) / spread**2

    prior = Normal(np.linalg.solve(before, pull), before)
    p, weight = reweighed(design, target, prior, weigh, weigh(target))
    return p, (design * weight[:, None]).T @ design


def align(
    rgb_encoded: np.ndarray, card: CardDefinition, matrix: np.ndarray, anchors_mm: np.ndarray,
    anchors_px: np.ndarray, sd_px: float, error_mm: float,
) -> tuple[np.ndarray, float]:  # fmt: skip
    """``matrix`` (3, 3) moved so that the patches fall on those in the photo (h, w, 3), if that
    is clearly better and looks no worse; and the standard uncertainty of a patch's place in mm,
    ``error_mm`` before. Anchors (k, 2) hold it with standard uncertainty ``sd_px``."""
    frame, picture = _Frame(card), _Picture(rgb_encoded, matrix, card)
    centres, side = card.centres_mm, card.rects_mm[:, 2:].min(axis=1)
    basis = frame.basis(centres)
    seen_information = np.zeros((8, 8))
    now = matrix
    for turn in range(_TURNS):
        information, pull = _anchor_information(frame, now, anchors_mm, anchors_px, sd_px)
        sd = _sd(frame, centres, information + seen_information + _PRIOR)
        reach = np.clip(3 * sd / side, _LEAST_REACH, _MOST_REACH) * side
        # A patch that may lie half a patch away could be taken for its neighbour: later.
        sure = 2.2 * sd < 0.5 * side
        if sure.sum() < 4:
            sure = sd <= np.sort(sd)[min(3, len(sd) - 1)]
        reach = np.where(sure, reach, 0.0)
        shift = _shifts(picture, now, card, reach)
        known = np.isfinite(shift)
        if known.sum() < 6:
            return matrix, error_mm
        p, seen_information = _correction(basis, shift, side, information + _PRIOR, pull)
        now = now @ frame.warp(p)
        now = now / now[2, 2]
        if not is_in_front(now, card.corners_mm):
            return matrix, error_mm
        moved = np.linalg.norm(basis @ p, axis=1).max()
        if turn > 0 and sure.all() and moved < 0.004 * float(np.median(side)):
            break
    left = _shifts(picture, now, card, 0.2 * side)
    seen = np.isfinite(left)
    if seen.mean() < 0.4:
        return matrix, error_mm
    # Robust root mean squares: what is left, and of the same patches under the first placement.
    rms = robust_sd(left[seen])
    first = apply_homography(np.linalg.inv(matrix), apply_homography(now, centres)) - centres
    rms_first = float(np.sqrt(np.mean(first**2) + rms**2))
    before, after = (look(rgb_encoded, placement, card) for placement in (matrix, now))
    if rms > 0.12 * card.side_mm:
        return matrix, max(error_mm, min(rms, rms_first))
    if after.likeness < before.likeness - 0.02 or after.evenness > 1.05 * before.evenness + 0.01:
        return matrix, max(error_mm, rms)
    if rms > 0.8 * rms_first:
        return matrix, rms_first
    return now, float(np.hypot(rms, np.median(sd)))


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
    at_mm = card.centres_mm[:, None] + grid * card.rects_mm[:, None, 2:]
    px = apply_homography(matrix, at_mm)
    height, width = rgb_encoded.shape[:2]
    if not np.isfinite(px).all():
        return NOTHING
    at = np.rint(np.clip(px, -1e6, 1e6)).astype(int)
    inside = (at >= 0).all(axis=-1) & (at[..., 0] < width) & (at[..., 1] < height)
    shown = inside.all(axis=1)
    if shown.sum() < max(4, 0.4 * len(px)):
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
