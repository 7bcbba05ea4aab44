"""Printed bars under the strips: where they are, and joining what they cut in two.

A bar that strips are pulled across shows how well they cover. Seen from a paper's colour it
is one more dark shape, and a strip of transparent ink seems to end at it.

Known printing on the sheet under the strips: our own test sheet, and stray markers.

The test sheet's markers tell exactly where its bar, ticks and text are; other markers are
only blanked out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strips.paper import Ground
from drawdown.strips.test_sheet import MARKER_IDS, SheetPlace, find_sheet
from drawdown.strips.working_picture import Picture

RUN_MM = 6.0  # the narrowest ink that counts beside a bar
HAZE_SHARE = 0.3  # what stands out less than this beside ink is none
EDGE_SHIFT_MM = 3.5  # how far an edge may move across a bar
BESIDE_BAR_MM = (0.8, 1.2, 1.6, 2.2, 2.8, 3.4, 4.0, 4.6, 5.2)


@dataclass(frozen=True)
class Bar:
    """A printed bar that strips may cross: its rectangle (4, 2) in mm, clockwise, the long
    side first."""

    corners_mm: np.ndarray


def _covered(picture: Picture, corners: np.ndarray) -> np.ndarray:
    """(n,) True where something lighter or coloured lies on a bar, pixel by pixel along it."""
    height = float(np.linalg.norm(corners[3] - corners[0]))
    colours = []
    for share in (0.3, 0.5, 0.7):
        y, x = beside(picture.usable.shape, corners, -share * height)[0]
        colours.append(picture.lab[y, x])
    colour = np.median(colours, axis=0)
    bare = np.median(colour[colour[:, 0] <= np.quantile(colour[:, 0], 0.3)], axis=0)
    return np.linalg.norm(colour - bare, axis=1) > 8.0


def grown_px(picture: Picture, bar: Bar, margin_mm: float, offset=(0, 0)) -> np.ndarray:
    """A bar grown on all sides, as a polygon for cv2.fillPoly with shift=4, on the part of
    the picture that begins at ``offset`` (row, column)."""
    c = bar.corners_mm
    along, down = c[1] - c[0], c[3] - c[0]
    along = margin_mm * along / np.linalg.norm(along)
    down = margin_mm * down / np.linalg.norm(down)
    grown = c + np.array([-along - down, along - down, along + down, down - along])
    return _quad(picture.to_px(grown) - np.array([offset[1], offset[0]]))


def beside(shape, corners: np.ndarray, depth_px: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Pixel indices (rows, columns) along a bar's two long sides, outside it."""
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    length, height = np.linalg.norm(along), np.linalg.norm(down)
    t = np.arange(int(length)) + 0.5
    out = []
    for position, sign in ((0.0, -1.0), (height, 1.0)):
        p = corners[0] + t[:, None] * along / length
        p = p + down / height * (position + sign * depth_px)
        p = np.round(p).astype(int)
        out.append((np.clip(p[:, 1], 0, shape[0] - 1), np.clip(p[:, 0], 0, shape[1] - 1)))
    return out


def bridge_bars(ground: Ground, mask: np.ndarray, bars: list[Bar], margin_mm: float) -> np.ndarray:
    """Take bars with ``margin_mm`` around them out of a mask of ink, and join the two halves
    of a strip that runs across: where ink of the same colour lies on both sides of the bar,
    between the same edges, the bar between counts as ink."""
    picture = ground.picture
    ppm = picture.px_per_mm
    for bar in bars:
        cv2.fillPoly(mask, [grown_px(picture, bar, margin_mm)], 0, shift=4)
    for bar in bars:
        corners = picture.to_px(bar.corners_mm)
        runs = [_runs(ground, corners, side) for side in (0, 1)]
        along, down = corners[1] - corners[0], corners[3] - corners[0]
        height = np.linalg.norm(down)
        along, down = along / np.linalg.norm(along), down / height
        covered = _covered(picture, corners)
        beyond = (margin_mm + 1.2) * ppm
        pairs = [
            (a, b, -beyond, height + beyond)
            for a, b in itertools.product(*runs)
            if a.goes_on_as(b, ppm)
        ]
        joined = {id(run) for a, b, _, _ in pairs for run in (a, b)}
        for side, run in ((k, run) for k in (0, 1) for run in runs[k]):
            # Opaque ink shows on the bar itself, even where it runs out right behind.
            shows = covered[int(run.first) : int(run.last)].mean() > 0.5
            if shows and not run.gap and id(run) not in joined:
                top, bottom = (
                    (-beyond, 0.9 * height) if side == 0 else (0.1 * height, height + beyond)
                )
                pairs.append((run, run, top, bottom))
        for one, other, top, bottom in pairs:
            ends = [(run.first, run.last) for run in (one, other)]
            wide = [last - first for first, last in ends]
            if min(wide) < 0.8 * max(wide):  # ragged: between the edges of the other side
                ends = [ends[int(np.argmax(wide))]] * 2
            quad = corners[0] + np.array(
                [
                    along * ends[0][0] + down * top,
                    along * ends[0][1] + down * top,
                    along * ends[1][1] + down * bottom,
                    along * ends[1][0] + down * bottom,
                ]
            )
            cv2.fillPoly(mask, [_quad(quad)], 1, shift=4)
    return mask


@dataclass(frozen=True, eq=False)
class _Run:
    """Ink right beside a bar: from where to where along it (px), how its colour differs from
    the paper's (3,), and whether it fades or ends before it reaches the bar."""

    first: float
    last: float
    ink: np.ndarray
    gap: bool

    def goes_on_as(self, other: _Run, ppm: float) -> bool:
        """Is the ink on the other side of the bar the same strip?"""
        if self.gap or other.gap:
            return False
        # The far side may be ragged, but lies between the same edges.
        low, high = sorted((self, other), key=lambda run: run.last - run.first)
        out = max(high.first - low.first, low.last - high.last) / ppm
        if out > EDGE_SHIFT_MM or low.last - low.first < 0.4 * (high.last - high.first):
            return False
        # The same ink, perhaps thinner; of pale ink the direction is uncertain.
        sizes = np.linalg.norm(self.ink), np.linalg.norm(other.ink)
        if min(sizes) < 8:
            return max(sizes) < 3 * min(sizes) + 4
        return bool(self.ink @ other.ink > 0.85 * sizes[0] * sizes[1])


def faded(run: np.ndarray) -> bool:
    """Does ink fade or end before it reaches a bar? ``run`` is its contrast to the paper at the
    depths ``BESIDE_BAR_MM``."""
    return bool(run[:5].min() < 0.5 * np.median(run[4:]))


def _runs(ground: Ground, corners: np.ndarray, side: int) -> list[_Run]:
    """The ink along one long side of a bar."""
    picture = ground.picture
    ppm = picture.px_per_mm
    places = [beside(ground.contrast.shape, corners, depth * ppm)[side] for depth in BESIDE_BAR_MM]
    if not len(places[0][0]):
        return []
    contrast = np.array([ground.contrast[y, x] for y, x in places])
    lab = np.array([picture.lab[y, x] for y, x in places[3:]])
    # Right beside the bar all is grey of its own blur: look farther off.
    depth = np.median(contrast[4:], axis=0)[None]
    most = cv2.morphologyEx(depth, cv2.MORPH_CLOSE, np.ones((1, int(4 * ppm) | 1), np.uint8))
    on = ((depth > max(1.5 * ground.low, 2.5)) & (depth > 0.4 * most)).view(np.uint8)
    on = cv2.morphologyEx(on, cv2.MORPH_CLOSE, np.ones((1, int(1.6 * ppm) | 1), np.uint8))
    on = cv2.morphologyEx(on, cv2.MORPH_OPEN, np.ones((1, int(RUN_MM * ppm) | 1), np.uint8))[0]
    paper = ground.paper_at(ground.whole_px(corners.mean(axis=0)))
    runs = []
    for a, b in _parted(depth[0], on, int(RUN_MM * ppm)):
        inner = slice(a + (b - a) // 5, b - (b - a) // 5)
        run = np.median(contrast[:, inner], axis=1)
        gap = faded(run)
        ink = np.median(lab[:, inner].reshape(-1, 3), axis=0) - paper
        runs.append(_Run(float(a), float(b), ink, bool(gap)))
    return runs


def _stretches(on: np.ndarray) -> list[tuple[int, int]]:
    """From where to where a mask (n,) is set."""
    edges = np.flatnonzero(np.diff(np.r_[0, on, 0].astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _parted(depth: np.ndarray, on: np.ndarray, least: int) -> list[tuple[int, int]]:
    """Stretches of ink along a bar, told from the haze beside them that they hang together
    by; ``depth`` (n,) is the contrast to paper."""
    out = []
    for a, b in _stretches(on):
        here = depth[a:b]
        strong = (here > HAZE_SHARE * np.quantile(here, 0.9)).view(np.uint8)[None]
        # A ragged end has gaps that narrow; strips stand farther apart where haze joins them.
        kernel = np.ones((1, least | 1), np.uint8)
        strong = cv2.morphologyEx(strong, cv2.MORPH_CLOSE, kernel)
        strong = cv2.morphologyEx(strong, cv2.MORPH_OPEN, kernel)[0]
        parts = _stretches(strong)
        if len(parts) > 1 or (parts and np.count_nonzero(strong) < 0.7 * (b - a)):
            out += [(a + c, a + d) for c, d in parts]
        else:
            out.append((a, b))
    return out


def _quad(corners_px: np.ndarray) -> np.ndarray:
    return np.round(corners_px * 16).astype(np.int32)


def _marker_corners_mm(view) -> dict[int, np.ndarray]:
    inverse = np.linalg.inv(view.mm_to_px)
    out = {}
    for number, corners in getattr(view, "other_markers", {}).items():
        p = np.c_[np.asarray(corners, dtype=float), np.ones(4)] @ inverse.T
        out[int(number)] = p[:, :2] / p[:, 2:]
    return out


def _grown(corners: np.ndarray, margin_mm: float) -> np.ndarray:
    """A quadrilateral with its corners moved outwards along the diagonals."""
    centre = corners.mean(axis=0)
    away = corners - centre
    reach = np.linalg.norm(away, axis=1, keepdims=True)
    return centre + away * (1 + margin_mm * np.sqrt(2) / np.maximum(reach, 1e-6))


def _sheet_place(view) -> SheetPlace | None:
    corners = _marker_corners_mm(view)
    return find_sheet({k: v for k, v in corners.items() if k in MARKER_IDS}) if corners else None


def _rect_corners(rect_mm, matrix: np.ndarray) -> np.ndarray:
    x, y, w, h = rect_mm
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)
    return corners @ matrix[:2, :2].T + matrix[:2, 2]


def printed_polygons(view) -> list[np.ndarray]:
    """Places (n, 2) in card mm where the printing is known."""
    polygons = [_grown(c, 1.0) for c in _marker_corners_mm(view).values()]
    place = _sheet_place(view)
    if place is not None:
        polygons += [_rect_corners(r, place.to_plane_mm) for r in place.sheet.printing_rects_mm]
    return polygons


def bars(view) -> list[Bar]:
    """Printed bars whose place is known."""
    place = _sheet_place(view)
    if place is None:
        return []
    return [Bar(_rect_corners(place.sheet.bar_mm, place.to_plane_mm))]


def printed_mask(sheet, view) -> np.ndarray | None:
    """(h, w) bool on the Sheet's grid: known printing, or None where nothing is known."""
    polygons = printed_polygons(view)
    if not polygons:
        return None
    mask = np.zeros(sheet.inside.shape, np.uint8)
    for polygon in polygons:
        px = (np.asarray(polygon) - sheet.origin_mm) * sheet.px_per_mm - 0.5
        cv2.fillPoly(mask, [np.round(px * 16).astype(np.int32)], 1, shift=4)
    return mask > 0
