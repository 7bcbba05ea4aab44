"""The paper under the strips: which even surfaces are paper, and how ink stands out from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from drawdown.strip_picture import LIGHT_SPAN, MIN_GROUND_L, Picture, Zones, crop

COARSE = 4  # the paper's colour is smoothed on every fourth pixel of the working picture
MAX_GROUNDS = 6
RIM_LOW = 3.0
REACH_MM = 8.0  # how far beyond its open parts a paper is looked at
MIN_GROUND_MM2 = 120.0
MIN_PART_MM2 = 20.0


@dataclass(frozen=True)
class Ground:
    """One kind of paper and the part of the working picture that it covers. ``part`` (rows,
    columns) is that part, ``picture`` the working picture cut to it; ``contrast`` (h, w) the
    colour distance from the paper, continued under the ink; ``darker`` (h, w) how much darker
    in L*; ``low`` the distance that noise reaches; ``lab`` (3,) its typical colour."""

    part: tuple[slice, slice]
    picture: Picture
    background: np.ndarray  # (h/4, w/4, 3) of the whole picture
    contrast: np.ndarray
    darker: np.ndarray
    low: float
    lab: np.ndarray
    area_mm2: float
    number: int

    def whole_px(self, xy: np.ndarray) -> np.ndarray:
        """Pixels (x, y) of the part -> of the whole working picture."""
        return np.asarray(xy) + np.array([self.part[1].start, self.part[0].start])

    def paper_at(self, xy: np.ndarray) -> np.ndarray:
        """(3,) Lab of the paper under a place (x, y) of the whole working picture."""
        x, y = (np.asarray(xy) / COARSE).astype(int)
        rows, columns = self.background.shape[:2]
        return self.background[min(max(y, 0), rows - 1), min(max(x, 0), columns - 1)]


@dataclass(frozen=True)
class _Coarse:
    """Every ``COARSE``-th pixel: where the paper's colour is smoothed and continued."""

    lab: np.ndarray
    label: np.ndarray
    edge: np.ndarray
    cell_mm: float


def _coarse(picture: Picture, zones: Zones) -> _Coarse:
    k = COARSE // 2
    edge = (picture.slope > picture.slope_limit) | ~picture.usable
    edge = cv2.resize(
        edge.view(np.uint8) * np.uint8(255),
        zones.label[k::COARSE, k::COARSE].shape[::-1],
        interpolation=cv2.INTER_AREA,
    )
    return _Coarse(
        np.ascontiguousarray(picture.lab[k::COARSE, k::COARSE]),
        np.ascontiguousarray(zones.label[k::COARSE, k::COARSE]),
        edge > 60,
        COARSE / picture.px_per_mm,
    )


def _spread(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """The paper's colour (h, w, 3), smoothed where it lies open and continued where not:
    near paper counts most, far paper only where none is near."""
    weight = member.astype(np.float32)
    stacked = np.empty((*weight.shape, 4), np.float32)
    stacked[..., :3] = coarse.lab * weight[..., None]
    stacked[..., 3] = weight
    total = np.zeros_like(stacked)
    factor = 1.0
    for sigma_mm in (5.0, 22.0, 90.0):
        shrink = max(1, int(sigma_mm / coarse.cell_mm / 3))
        size = (max(1, weight.shape[1] // shrink), max(1, weight.shape[0] // shrink))
        small = cv2.resize(stacked, size, interpolation=cv2.INTER_AREA)
        sigma = max(0.6, sigma_mm / coarse.cell_mm / shrink)
        small = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        total += factor * cv2.resize(small, weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
        factor *= 0.02
    mean = coarse.lab[member].mean(axis=0) if member.any() else np.zeros(3)
    return (total[..., :3] + 1e-6 * mean.astype(np.float32)) / (total[..., 3:] + 1e-6)


def _without_leaks(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """Take out of an even surface the ink that joins it through a faded end.

    A quadratic in position is fitted robustly; what lies off it and is bounded mostly by
    sharp edges is ink, what lies off it with soft edges all round is light or shadow."""
    rows, columns = np.nonzero(member)
    if len(rows) < 60:
        return member
    x, y = (columns - columns.mean()) / 50.0, (rows - rows.mean()) / 50.0
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    values = coarse.lab[rows, columns].astype(float)
    step = max(1, len(rows) // 2000)
    a, v = basis[::step], values[::step]
    weight = np.ones(len(a))
    ridge = np.diag([1e-9, 1e-3, 1e-3, 1e-1, 1e-1, 1e-1]) * len(a) * 0.01
    for _ in range(6):
        aw = a * weight[:, None]
        theta = np.linalg.solve(aw.T @ a + ridge, aw.T @ v)
        miss = np.linalg.norm(v - a @ theta, axis=1)
        scale = max(1.0, 2.5 * float(np.median(miss)))
        weight = np.maximum(0, 1 - (miss / (1.6 * scale)) ** 2) ** 2 + 1e-4
    off = np.zeros(member.shape, np.uint8)
    limit = max(1.8, 2.5 * float(np.median(miss)))
    off[rows, columns] = np.linalg.norm(values - basis @ theta, axis=1) > limit
    _, label, stats, _ = cv2.connectedComponentsWithStats(off, connectivity=4)
    out = member.copy()
    for k in np.flatnonzero(stats[:, cv2.CC_STAT_AREA] > 60 / coarse.cell_mm**2):
        if k == 0:
            continue
        blob = (label == k).astype(np.uint8)
        wide = cv2.dilate(blob, np.ones((3, 3), np.uint8)) > 0
        ring = wide & (blob == 0)
        if ring.any() and coarse.edge[ring].mean() > 0.45:
            out &= ~wide
    return out


def find_grounds(picture: Picture, zones: Zones) -> Iterator[list[Ground]]:
    """The kinds of paper that lie open: first the lightest ones, then others that may be
    coloured paper or a table. Worked out one after the other, as they are asked for."""
    big = zones.area_mm2 >= MIN_GROUND_MM2
    big[0] = False
    if not big.any():
        yield []
        return
    lightest = float(zones.lab[big, 0].max())
    coarse = _coarse(picture, zones)
    light = zones.lab[:, 0] >= lightest - LIGHT_SPAN
    yield _grounds_among(picture, zones, coarse, light, 0)
    dark = ~light & (zones.lab[:, 0] >= MIN_GROUND_L)
    yield _grounds_among(picture, zones, coarse, dark, MAX_GROUNDS)


def _grounds_among(
    picture: Picture, zones: Zones, coarse: _Coarse, allowed: np.ndarray, first: int
) -> list[Ground]:
    order = np.argsort(-zones.area_mm2)
    order = [k for k in order if allowed[k] and zones.area_mm2[k] >= MIN_PART_MM2][:80]
    left = set(order)
    grounds: list[Ground] = []
    for seed in order:
        if seed not in left or zones.area_mm2[seed] < MIN_GROUND_MM2:
            continue
        if len(grounds) >= MAX_GROUNDS:
            break
        left.discard(seed)
        member = _without_leaks(coarse, coarse.label == seed)
        if not member.any():
            continue
        background = _spread(coarse, member)
        joined = _join(zones, coarse, left, member, background)
        if joined:
            left -= set(joined)
            lookup = np.zeros(len(zones.area_mm2), bool)
            lookup[joined] = True
            member = member | lookup[coarse.label]
            background = _spread(coarse, member)
        grounds.append(_ground(picture, coarse, member, background, first + len(grounds)))
    return grounds


def _join(zones: Zones, coarse: _Coarse, left, member, background) -> list[int]:
    """Zones of the same paper: their colour continues the background. The farther off, the
    more the light may have changed."""
    distance = cv2.distanceTransform((~member).view(np.uint8), cv2.DIST_L2, 3) * coarse.cell_mm
    joined = []
    for k in left:
        x, y, w, h = zones.box[k] // COARSE
        part = (slice(y, y + h + 2), slice(x, x + w + 2))
        own = coarse.label[part] == k
        if not own.any():
            continue
        off = np.median(coarse.lab[part][own] - background[part][own], axis=0)
        near = float(distance[part][own].min())
        if np.linalg.norm(off) < min(1.5 + 0.02 * near, 3.5):
            joined.append(k)
    return joined


def ground_around(picture: Picture, rims: list[tuple[tuple[int, int], np.ndarray]]) -> Ground:
    """The paper as it shows around strips that are known already. ``rims`` holds masks (h, w)
    with their offsets (row, column): places of bare paper."""
    k = COARSE // 2
    member = np.zeros(picture.usable.shape, bool)
    for (y, x), rim in rims:
        member[y : y + rim.shape[0], x : x + rim.shape[1]] |= rim
    # A rim is thin: average it over the coarse cell rather than sample it.
    weight = member.astype(np.float32)
    size = member[k::COARSE, k::COARSE].shape[::-1]
    both = np.dstack([picture.lab * weight[..., None], weight])
    both = cv2.resize(both, size, interpolation=cv2.INTER_AREA)
    there = both[..., 3] > 0.1
    lab = both[..., :3] / np.maximum(both[..., 3:], 1e-3)
    coarse = _Coarse(lab, np.zeros(there.shape, np.int32), ~there, COARSE / picture.px_per_mm)
    ground = _ground(picture, coarse, there, _spread(coarse, there), 2 * MAX_GROUNDS)
    # Other scraps may lie in slightly other light.
    return replace(ground, low=max(ground.low, RIM_LOW))


def _ground(picture: Picture, coarse: _Coarse, member, background, number: int) -> Ground:
    rows = np.flatnonzero(member.any(axis=1))
    columns = np.flatnonzero(member.any(axis=0))
    m = round(REACH_MM * picture.px_per_mm)
    h, w = picture.usable.shape
    part = (
        slice(max(0, rows[0] * COARSE - m), min(h, (rows[-1] + 1) * COARSE + m)),
        slice(max(0, columns[0] * COARSE - m), min(w, (columns[-1] + 1) * COARSE + m)),
    )
    cut = crop(picture, part)
    # Coarse cell i is pixel i * COARSE + COARSE // 2 of the whole picture.
    k = COARSE // 2
    matrix = np.array(
        [
            [1 / COARSE, 0, (part[1].start - k) / COARSE],
            [0, 1 / COARSE, (part[0].start - k) / COARSE],
        ]
    )
    wide = cv2.warpAffine(
        background,
        matrix,
        cut.usable.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    off = cv2.subtract(cut.lab, wide)
    darker = -off[..., 0]
    contrast = cv2.sqrt(cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32)))
    noise = np.linalg.norm(coarse.lab[member] - background[member], axis=1)
    return Ground(
        part=part,
        picture=cut,
        background=background,
        contrast=contrast,
        darker=darker,
        low=float(np.clip(1.3 * np.quantile(noise, 0.85), 1.3, 2.5)),
        lab=np.median(background[member], axis=0),
        area_mm2=float(member.sum()) * coarse.cell_mm**2,
        number=number,
    )
