"""The paper under the strips: which even surfaces are paper, how ink stands out from it, and
narrow rims of bare paper, which are known by being the lightest thing around."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.working_picture import ZONE_PX, Picture, Zones, crop, lengths

COARSE = 4  # the paper's colour is smoothed on every fourth pixel of the working picture
MAX_GROUNDS = 6
RIM_GROUND = 2 * MAX_GROUNDS  # the number of a paper that is known from rims only


@dataclass(frozen=True)
class Ground:
    """One kind of paper and the part of the working picture that it covers. ``part`` (rows,
    columns) is that part, ``picture`` the working picture cut to it; ``contrast`` (h, w) the
    colour distance from the paper, continued under the ink; ``lighter`` (h, w) how much
    lighter in L*; ``low`` the distance that noise reaches; ``lab`` (3,) its typical colour."""

    part: tuple[slice, slice]
    picture: Picture
    background: np.ndarray  # (h/4, w/4, 3) of the whole picture
    contrast: np.ndarray
    lighter: np.ndarray
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
    lab = np.ascontiguousarray(picture.lab[k::COARSE, k::COARSE])
    size = lab.shape[1::-1]
    edge = cv2.resize(edge.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    label = zones.label[k // ZONE_PX :: COARSE // ZONE_PX, k // ZONE_PX :: COARSE // ZONE_PX]
    return _Coarse(
        lab,
        np.ascontiguousarray(label[: size[1], : size[0]]),
        edge > 60,
        COARSE / picture.px_per_mm,
    )


def _spread(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """The paper's colour (h, w, 3), smoothed where it lies open and continued where not:
    near paper counts most, far paper only where none is near."""
    member8 = np.ascontiguousarray(member).view(np.uint8)
    stacked = cv2.copyTo(cv2.merge([*cv2.split(coarse.lab), member8.astype(np.float32)]), member8)
    total = np.zeros_like(stacked)
    height, width = member.shape
    factor = 1.0
    for sigma_mm in (5.0, 22.0, 90.0):
        shrink = max(1, int(sigma_mm / coarse.cell_mm / 2))
        size = (max(1, width // shrink), max(1, height // shrink))
        small = cv2.resize(stacked, size, interpolation=cv2.INTER_AREA)
        sigma = max(0.6, sigma_mm / coarse.cell_mm / shrink)
        small = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        small = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
        cv2.scaleAdd(small, factor, total, total)
        factor *= 0.02
    mean = cv2.mean(coarse.lab, member8)[:3]
    *planes, weight = cv2.split(total)
    weight += 1e-6
    return cv2.merge([(p + 1e-6 * float(m)) / weight for p, m in zip(planes, mean, strict=True)])


def _without_leaks(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """Take out of an even surface the ink that joins it through a faded end.

    A quadratic in position is fitted robustly; what lies off it and is bounded mostly by
    sharp edges is ink, what lies off it with soft edges all round is light or shadow."""
    rows, columns = np.nonzero(member)
    if len(rows) < 60:
        return member
    x, y = (columns - columns.mean()) / 50.0, (rows - rows.mean()) / 50.0
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y]).astype(np.float32)
    values = coarse.lab[rows, columns]
    step = max(1, len(rows) // 1000)
    a, v = basis[:, ::step].T.astype(float), values[::step].astype(float)
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
    values = values - basis.T @ theta.astype(np.float32)
    off[rows, columns] = np.einsum("ij,ij->i", values, values) > limit**2
    _, label, stats, _ = cv2.connectedComponentsWithStats(off, connectivity=4)
    out = member.copy()
    for k in np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] > 60 / coarse.cell_mm**2) + 1:
        blob = (label == k).astype(np.uint8)
        wide = cv2.dilate(blob, np.ones((3, 3), np.uint8)) > 0
        ring = wide & (blob == 0)
        if ring.any() and coarse.edge[ring].mean() > 0.45:
            out &= ~wide
    return out


def find_grounds(picture: Picture, zones: Zones, lightest: float) -> Iterator[list[Ground]]:
    """The kinds of paper that lie open: first those about as light as the ``lightest`` (L*),
    then others that may be coloured paper or a table, then black ones. Worked out one after the
    other, as they are asked for."""
    coarse = _coarse(picture, zones)
    light = zones.lab[:, 0] >= lightest - limits.LIGHT_SPAN_L
    yield _grounds_among(picture, zones, coarse, light, 0)
    dark = ~light & (zones.lab[:, 0] >= limits.LEAST_PAPER_L)
    yield _grounds_among(picture, zones, coarse, dark, MAX_GROUNDS)
    black = ~light & ~dark & (zones.lab[:, 0] >= limits.LEAST_BLACK_L)
    yield _grounds_among(picture, zones, coarse, black, RIM_GROUND + 1)


def _grounds_among(
    picture: Picture, zones: Zones, coarse: _Coarse, allowed: np.ndarray, first: int
) -> list[Ground]:
    order = np.argsort(-zones.area_mm2)
    order = order[allowed[order] & (zones.area_mm2[order] >= limits.LEAST_PAPER_PART_MM2)][:80]
    left = set(order)
    grounds: list[Ground] = []
    for seed in order:
        if seed not in left or zones.area_mm2[seed] < limits.LEAST_PAPER_MM2:
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


def ground_around(
    picture: Picture, rims: list[tuple[tuple[int, int], np.ndarray]]
) -> Ground | None:
    """The paper as it shows around strips that are known already, if it shows. ``rims`` holds
    masks (h, w) with their offsets (row, column): places of bare paper."""
    k = COARSE // 2
    member = np.zeros(picture.usable.shape, bool)
    for (y, x), rim in rims:
        member[y : y + rim.shape[0], x : x + rim.shape[1]] |= rim
    # A rim is thin: average it over the coarse cell rather than sample it.
    member8 = member.view(np.uint8)
    size = member[k::COARSE, k::COARSE].shape[::-1]
    total = cv2.resize(cv2.copyTo(picture.lab, member8), size, interpolation=cv2.INTER_AREA)
    weight = cv2.resize(member8.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    there = weight > 0.1
    if not there.any():
        return None
    lab = total / np.maximum(weight, 1e-3)[..., None]
    coarse = _Coarse(lab, np.zeros(there.shape, np.int32), ~there, COARSE / picture.px_per_mm)
    ground = _ground(picture, coarse, there, _spread(coarse, there), RIM_GROUND)
    # Other scraps may lie in slightly other light.
    return replace(ground, low=max(ground.low, limits.RIM_NOISE_DE))


def _fitted(wide: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """A picture cut, or continued by a pixel or two, to a shape (rows, columns)."""
    wide = wide[: shape[0], : shape[1]]
    down, right = shape[0] - wide.shape[0], shape[1] - wide.shape[1]
    return cv2.copyMakeBorder(wide, 0, down, 0, right, cv2.BORDER_REPLICATE)


def _ground(picture: Picture, coarse: _Coarse, member, background, number: int) -> Ground:
    rows = np.flatnonzero(member.any(axis=1))
    columns = np.flatnonzero(member.any(axis=0))
    m = round(limits.PAPER_REACH_MM * picture.px_per_mm)
    h, w = picture.usable.shape
    m = -(-m // COARSE)
    y0, x0 = max(0, rows[0] - m), max(0, columns[0] - m)
    cells = background[y0 : rows[-1] + 1 + m, x0 : columns[-1] + 1 + m]
    y1, x1 = y0 + cells.shape[0], x0 + cells.shape[1]
    # The last cells may reach beyond the picture, or not quite to its end.
    part = (
        slice(y0 * COARSE, h if y1 == len(background) else y1 * COARSE),
        slice(x0 * COARSE, w if x1 == background.shape[1] else x1 * COARSE),
    )
    cut = crop(picture, part)
    wide = cv2.resize(cells, (cells.shape[1] * COARSE, cells.shape[0] * COARSE))
    off = cv2.subtract(cut.lab, _fitted(wide, cut.usable.shape))
    lighter = off[..., 0]
    contrast = lengths(off)
    step = max(1, int(np.sqrt(member.sum() / 500)))
    some = member[::step, ::step]
    paper = background[::step, ::step][some]
    noise = np.linalg.norm(coarse.lab[::step, ::step][some] - paper, axis=1)
    return Ground(
        part=part,
        picture=cut,
        background=background,
        contrast=contrast,
        lighter=lighter,
        low=float(np.clip(1.3 * np.quantile(noise, 0.85), 1.3, 2.5)),
        lab=np.median(paper, axis=0),
        area_mm2=float(member.sum()) * coarse.cell_mm**2,
        number=number,
    )


def ridges(picture: Picture) -> np.ndarray:
    """(h, w) bool: places that are the lightest around, even surfaces among them."""
    light = cv2.blur(np.ascontiguousarray(picture.lab[..., 0]), (3, 3))
    light[~picture.usable] = 0
    side = 2 * round(limits.RIM_REACH_MM * picture.px_per_mm) + 1
    most = cv2.dilate(light, np.ones((side, side), np.uint8))
    return (light > most - limits.RIM_DIP_L) & picture.usable & ~picture.printed


def lightest_paper(picture: Picture, zones: Zones, ridge: np.ndarray) -> float:
    """L* of the lightest paper: of an even surface, or of rims lighter than all of them."""
    big = zones.area_mm2 >= limits.LEAST_PAPER_MM2
    big[0] = False
    lightest = float(zones.lab[big, 0].max()) if big.any() else 0.0
    some = picture.lab[..., 0][ridge]
    some = some[(some > lightest + limits.RIM_ABOVE_L) & (some < limits.MIRRORED_L)]
    if len(some) < limits.RIM_LIGHTER_MM2 * picture.px_per_mm**2:
        return lightest
    return float(np.median(some))


def rim_ground(
    picture: Picture, ridge: np.ndarray, grounds: Sequence[Ground], lightest: float
) -> Ground | None:
    """The paper that shows as rims only, beside the grounds known already; or None."""
    light = picture.lab[..., 0]
    rim = ridge & (light > lightest - limits.LIGHT_SPAN_L)
    for ground in grounds:
        rim[ground.part] &= (ground.contrast > max(limits.RIM_OFF_PAPER_DE, 2.5 * ground.low)) & (
            ground.lighter > 0
        )
    if np.count_nonzero(rim) < limits.LEAST_RIM_MM2 * picture.px_per_mm**2:
        return None
    return ground_around(picture, [((0, 0), rim)])
