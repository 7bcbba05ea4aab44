"""A strip across a printed black bar: its colour over paper and over the bar, and both grounds.

All four are read close together, so that they share light, card and correction: row i of
every ensemble belongs to the same correction under the same light. The bar's own colour is
read beside the strip, never assumed: home-printed black is a dark grey.

Pure: arrays in, frozen records out. XYZ are D50, 2 degree, Y = 1 for the perfect diffuser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import local_metric
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.correct import Correction
from calibration.locate.sheet import Sheet
from drawdown import flags as fl
from drawdown.reading.budget import jpeg_sd_de
from drawdown.strips.bars import Bar
from drawdown.strips.find import Strip

# How far inside its own outline each area keeps: blur, the bar's place, and the ridge that
# a blade leaves along a strip's edges.
BAR_INSET_MM, SIDE_SHARE, SIDE_MM, CLEAR_MM = 1.8, 0.16, 2.5, 1.8
NEAR_MM = 25.0  # ink over paper is read within this of the bar, where the film is the same
BESIDE_MM = 30.0  # the bare bar is looked for within this of the strip
PAPER_MM = (2.0, 9.0)  # the ring of bare paper beside the strip
LEAST_MM2, SMALL_MM2 = 12.0, 60.0
CELL_MM = 4.0
OUTLIER_SDS = 3.5
PALE_BAR_L = 38.0
LIGHT_CHROMA = 0.3  # share of the light's uncertainty that also changes its colour
LAST_LEVEL = 1 / 255 / 12.92  # linear: one 8-bit level near black


@dataclass(frozen=True, eq=False)
class Area:
    """The colour of one even area: ``xyz_d50`` and ``lab_d50`` (3,) from its mean linear XYZ,
    ``lab_samples`` (m, 3) the ensemble, ``area_mm2`` its size."""

    xyz_d50: np.ndarray
    lab_d50: np.ndarray
    lab_samples: np.ndarray
    area_mm2: float

    @property
    def xyz_samples(self) -> np.ndarray:
        """(m, 3) the ensemble in XYZ D50."""
        return lab_to_xyz(self.lab_samples)

    @property
    def lab_u95(self) -> np.ndarray:
        """(3,) half width of the 95 % interval, without what all areas of a photo share of
        the card's own uncertainty."""
        return 1.96 * self.lab_samples.std(axis=0)


@dataclass(frozen=True, eq=False)
class OverBar:
    """What strip ``number`` looks like over paper and over the bar, and the bare grounds
    beside it; ``paper`` or ``bar`` is None where none of it shows near the strip."""

    number: int
    ink_on_paper: Area
    ink_on_bar: Area
    paper: Area | None
    bar: Area | None
    flags: tuple[fl.Flag, ...]


def bars_in_view(sheet: Sheet, view, correction: Correction) -> list[Bar]:
    """The printed bars on a sheet: the test sheet's where its markers show, else what looks
    like one (black, straight, crossed by strips)."""
    from calibration.correction.lamp_field import flatten
    from drawdown.strips import bars as strip_printing
    from drawdown.strips.bar_search import find_bars
    from drawdown.strips.paper import find_grounds, lightest_paper, ridges
    from drawdown.strips.working_picture import find_zones, make_picture, sheet_white

    known = strip_printing.bars(view)
    if known:
        return known
    flat = flatten(sheet, correction.field)
    picture = make_picture(
        flat, view, sheet_white(flat, view), None, strip_printing.printed_polygons(view)
    )
    zones = find_zones(picture)
    lightest = lightest_paper(picture, zones, ridges(picture))
    for tier in find_grounds(picture, zones, lightest):
        found = find_bars(tier)
        if found:
            return found
    return []


def read_over_bar(
    strip: Strip,
    others: Sequence[Strip],
    bars: Sequence[Bar],
    sheet: Sheet,
    correction: Correction,
    jpeg_quality: int | None = None,
) -> OverBar | None:
    """Read one strip over the bar that it crosses; None when it crosses none, or when too
    little of it lies on one. ``others`` are the photo's strips (this one may be among them).
    """
    rows, columns, xy_mm = _around(strip, sheet)
    read = _Reader(sheet, correction, rows, columns, xy_mm, jpeg_quality, strip.number)
    inside = _inset(xy_mm, strip.corners_mm, _side(strip), 1.0)
    free = np.ones(inside.shape, bool)  # bare of ink
    for other in (strip, *others):
        free &= ~_inset(xy_mm, other.corners_mm, -CLEAR_MM, -CLEAR_MM)
    best: tuple[float, Bar] | None = None
    for bar in bars:
        size = float((inside & _on_bar(xy_mm, bar)).sum()) / sheet.px_per_mm**2
        if size >= LEAST_MM2 and (best is None or size > best[0]):
            best = size, bar
    if best is None or _crossed(strip, best[1]) < 0.6:
        return None
    bar = best[1]
    c = bar.corners_mm
    down = (c[3] - c[0]) / np.linalg.norm(c[3] - c[0])
    away = np.abs((xy_mm - c.mean(axis=0)) @ down) - np.linalg.norm(c[3] - c[0]) / 2
    off_bar = np.ones(inside.shape, bool)
    for one in bars:
        off_bar &= ~_inset(xy_mm, one.corners_mm, -CLEAR_MM, -CLEAR_MM)
    body = strip.body[rows, columns] & inside & off_bar
    near = body & (away < NEAR_MM)
    if near.sum() < SMALL_MM2 * sheet.px_per_mm**2:
        near = body
    on_paper = read(near, 1)
    on_bar = read(inside & _on_bar(xy_mm, bar), 2)
    if on_paper is None or on_bar is None:
        return None
    middle = strip.corners_mm.mean(axis=0)
    along = (c[1] - c[0]) / np.linalg.norm(c[1] - c[0])
    across = np.abs((strip.corners_mm - middle) @ along).max()
    reach = np.abs((xy_mm - middle) @ along) - across
    bare_bar = read(free & _on_bar(xy_mm, bar) & (reach < BESIDE_MM), 3, darker=True)
    ring = free & off_bar & (reach > PAPER_MM[0]) & (reach < PAPER_MM[1]) & (away < NEAR_MM)
    paper = read(ring, 4, lighter=True)
    return OverBar(strip.number, on_paper, on_bar, paper, bare_bar, _flags(on_bar, paper, bare_bar))


def _flags(on_bar: Area, paper: Area | None, bar: Area | None) -> tuple[fl.Flag, ...]:
    out = []
    if on_bar.area_mm2 < SMALL_MM2:
        out.append(fl.BAR_SMALL(f"{on_bar.area_mm2:.0f} mm²"))
    missing = [n for n, a in (("bare bar", bar), ("bare paper", paper)) if a is None]
    if missing:
        out.append(fl.BAR_NO_GROUND(" or ".join(missing)))
    if bar is not None and bar.lab_d50[0] > PALE_BAR_L:
        out.append(fl.BAR_PALE(f"{bar.lab_d50[0]:.0f}"))
    return tuple(out)


def _side(strip: Strip) -> float:
    return max(SIDE_SHARE * strip.width_mm, min(SIDE_MM, 0.25 * strip.width_mm))


def _around(strip: Strip, sheet: Sheet) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows, columns and millimetres (n, 2) of the sheet's pixels about a strip."""
    reach = BESIDE_MM + 2
    low = strip.corners_mm.min(axis=0) - reach
    size = strip.corners_mm.max(axis=0) + reach - low
    part = sheet.window((*low, *size))
    rows, columns = np.nonzero(sheet.inside[part])
    rows, columns = rows + part[0].start, columns + part[1].start
    return rows, columns, sheet.to_mm(np.stack([columns, rows], axis=-1))


def _inset(xy_mm: np.ndarray, corners: np.ndarray, side_mm: float, end_mm: float) -> np.ndarray:
    """(n,) True within a rectangle (4, 2), kept off its long sides and ends (from its first
    corner to its last is the length; negative numbers reach beyond it)."""
    edges = np.roll(corners, -1, axis=0) - corners
    long = int(np.linalg.norm(edges[1]) > np.linalg.norm(edges[0]))
    inside = np.ones(len(xy_mm), bool)
    for axis, margin in ((long, end_mm), (1 - long, side_mm)):
        length = np.linalg.norm(edges[axis])
        t = (xy_mm - corners[axis]) @ (edges[axis] / length)
        inside &= (t > margin) & (t < length - margin)
    return inside


def _on_bar(xy_mm: np.ndarray, bar: Bar) -> np.ndarray:
    c = bar.corners_mm
    height = min(np.linalg.norm(c[3] - c[0]), np.linalg.norm(c[1] - c[0]))
    inset = min(BAR_INSET_MM, 0.3 * height)
    return _inset(xy_mm, c, inset, inset)


def _crossed(strip: Strip, bar: Bar) -> float:
    """What share of the bar's height (0..1) the strip covers along the middle of its width."""
    c = bar.corners_mm
    if np.linalg.norm(c[1] - c[0]) < np.linalg.norm(c[3] - c[0]):
        c = np.roll(c, -1, axis=0)
    height = np.linalg.norm(c[3] - c[0])
    down = (c[3] - c[0]) / height
    t = (strip.corners_mm - c[0]) @ down
    return float((min(t.max(), height) - max(t.min(), 0.0)) / height)


class _Reader:
    """Reads areas about one strip. What the areas share (correction, light) is drawn once."""

    def __init__(self, sheet, correction, rows, columns, xy_mm, jpeg_quality, number) -> None:
        self.sheet, self.correction = sheet, correction
        self.rows, self.columns, self.xy_mm = rows, columns, xy_mm
        self.jpeg_quality, self.number = jpeg_quality, number
        count = len(correction.tone_members)
        rng = np.random.default_rng(1000 + number)  # the light's draws, as for the strip itself
        self.light = rng.standard_normal((count, 1)) + LIGHT_CHROMA * rng.standard_normal(
            (count, 3)
        )

    def __call__(self, where: np.ndarray, part: int, darker=False, lighter=False) -> Area | None:
        """The area of the pixels ``where`` (n,), without glare and outliers; of ``darker`` or
        ``lighter`` grounds the half that is least likely to be something else."""
        sheet, correction = self.sheet, self.correction
        where = where & (sheet.clipped[self.rows, self.columns] < 0.05)
        if where.sum() < LEAST_MM2 * sheet.px_per_mm**2:
            return None
        rows, columns, xy_mm = self.rows[where], self.columns[where], self.xy_mm[where]
        rgb = sheet.rgb_linear[rows, columns].astype(float)
        level = rgb.sum(axis=1)
        if darker:
            keep = level <= np.quantile(level, 0.6)
        elif lighter:
            keep = level >= np.quantile(level, 0.4)
        else:
            spread = 1.48 * float(np.median(np.abs(level - np.median(level)))) + 1e-6
            keep = np.abs(level - np.median(level)) < OUTLIER_SDS * spread
        rgb, xy_mm = rgb[keep], xy_mm[keep]
        crushed = float(np.mean(sheet.crushed[rows[keep], columns[keep]] > 0.5))
        xyz = correction.xyz_d50(correction.light(rgb, xy_mm))
        mean = xyz.mean(axis=0)
        lab = xyz_to_lab(mean)
        return Area(
            mean, lab, self._samples(rgb, xy_mm, xyz, lab, crushed, part),
            float(keep.sum()) / sheet.px_per_mm**2,
        )  # fmt: skip

    def _samples(self, rgb, xy_mm, xyz, lab, crushed: float, part: int) -> np.ndarray:
        correction, count = self.correction, len(self.light)
        rng = np.random.default_rng([4000, self.number, part])
        mean_rgb, at = rgb.mean(axis=0, keepdims=True), xy_mm.mean(axis=0, keepdims=True)
        central = correction.xyz_d50(correction.light(mean_rgb, at))[0]
        members = correction.ensemble_xyz_d50(mean_rgb, correction.field.log_gain(at))[:, 0]
        for channel in np.flatnonzero(mean_rgb[0] < 8 * LAST_LEVEL):
            # Near the last levels of 8 bits the truth may lie anywhere between two of them.
            moved = mean_rgb.copy()
            moved[0, channel] += LAST_LEVEL * (0.3 + crushed)
            change = correction.xyz_d50(correction.light(moved, at))[0] - central
            members = members + rng.standard_normal((count, 1)) * change
        shake = float(correction.field.scatter_at(at)[0]) * self.light
        mean = xyz.mean(axis=0)
        samples = lab + xyz_to_lab(members * np.exp(shake) + (mean - central)) - xyz_to_lab(mean)
        cells = _cells(xyz, xy_mm)
        # Cells next to each other share streaks and film: a third count as independent.
        error = xyz_to_lab(cells).std(axis=0) / np.sqrt(max(1.0, len(cells) / 3))
        samples = samples + error * rng.standard_normal((count, 3))
        if self.jpeg_quality is not None:
            noise = jpeg_sd_de(self.jpeg_quality) * rng.standard_normal((count, 3))
            samples = samples + noise @ np.linalg.inv(local_metric(lab)).T
        return samples


def _cells(xyz: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
    """Mean XYZ of the 4 mm cells that hold at least a quarter of the fullest cell."""
    place = np.floor((xy_mm - xy_mm.min(axis=0)) / CELL_MM).astype(int)
    _, inverse, counts = np.unique(
        place[:, 1] * 10000 + place[:, 0], return_inverse=True, return_counts=True
    )
    sums = np.stack([np.bincount(inverse, xyz[:, k]) for k in range(3)], axis=-1)
    full = counts >= 0.25 * counts.max()
    return sums[full] / counts[full, None]
