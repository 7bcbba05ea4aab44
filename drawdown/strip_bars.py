"""Printed bars under the strips: where they are, and joining what they cut in two.

A bar that strips are pulled across shows how well they cover. Seen from a paper's colour it
is one more dark shape, and a strip of transparent ink seems to end at it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strip_ground import Ground
from drawdown.strip_picture import Picture, disc

BARE_MM2 = 600.0  # paper with a bar on it shows at least this much of itself
RUN_MM = 6.0  # the narrowest ink that counts beside a bar
EDGE_SHIFT_MM = 3.5  # how far an edge may move across a bar
BESIDE_BAR_MM = (0.8, 1.2, 1.6, 2.2, 2.8, 3.4, 4.0, 4.6, 5.2)
HIDDEN_MM = 60.0  # how much of a bar strips at its end may hide


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
        y, x = _beside(picture.usable.shape, corners, -share * height)[0]
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


def _beside(shape, corners: np.ndarray, depth_px: float) -> list[tuple[np.ndarray, np.ndarray]]:
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
    places = [_beside(ground.contrast.shape, corners, depth * ppm)[side] for depth in BESIDE_BAR_MM]
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
    edges = np.flatnonzero(np.diff(np.r_[0, on, 0].astype(int)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        inner = slice(a + (b - a) // 5, b - (b - a) // 5)
        run = np.median(contrast[:, inner], axis=1)
        gap = faded(run)
        ink = np.median(lab[:, inner].reshape(-1, 3), axis=0) - paper
        runs.append(_Run(float(a), float(b), ink, bool(gap)))
    return runs


def _quad(corners_px: np.ndarray) -> np.ndarray:
    return np.round(corners_px * 16).astype(np.int32)


def find_bars(grounds: list[Ground]) -> list[Bar]:
    """Unknown printed bars on some papers: black, straight, crossed by strips. Ink that covers
    leaves only pieces of the bar in sight; ink that does not shows one long bar."""
    found = [bar for ground in grounds if ground.area_mm2 > BARE_MM2 for bar in _bars_on(ground)]
    bars: list[np.ndarray] = []
    for _, corners_mm in sorted(found, key=lambda f: -f[0]):
        # Bars do not meet: what meets one is a strip, or the same bar on another paper.
        if all(_distance(corners_mm, other) > 3.0 for other in bars):
            bars.append(corners_mm)
    return [Bar(corners_mm) for corners_mm in bars[:3]]


def _bars_on(ground: Ground) -> list[tuple[float, np.ndarray]]:
    """How sure each bar on one paper is, and its corners (4, 2) in mm."""
    picture = ground.picture
    ppm, lab = picture.px_per_mm, picture.lab
    black = cv2.inRange(lab, (-20.0, -14.0, -14.0), (40.0, 14.0, 14.0))
    black[~picture.usable] = 0
    if cv2.countNonZero(black) < 60 * ppm**2:
        return []
    # A lane line printed across the bar does not divide it.
    black = cv2.morphologyEx(black, cv2.MORPH_CLOSE, disc(0.6 * ppm))
    mask = cv2.morphologyEx(black, cv2.MORPH_OPEN, disc(1.8 * ppm))
    _, label, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    pieces = []
    for k in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:80] + 1:
        x, y, w, h, area = stats[k]
        if area > 25 * ppm**2:
            if not _on_paper(ground, label, k, stats[k]):
                continue
            blob = (label[y : y + h, x : x + w] == k).view(np.uint8)
            # Pencil and faded ink on a bar leave holes.
            blob = _closed(blob, 1.6 * ppm)
            area = cv2.countNonZero(blob)
            hull = cv2.convexHull(cv2.findNonZero(blob))
            at = np.array([x, y])
            rect = cv2.minAreaRect(hull)
            if area > 0.85 * cv2.contourArea(hull):
                pieces.append(hull[:, 0].astype(float) + at)
            elif area > 0.68 * np.prod(rect[1]) and max(rect[1]) > 4 * min(rect[1]):
                # Strips that begin or end on a bar notch it.
                pieces.append(cv2.boxPoints(rect).astype(float) + at)
            elif 300 * ppm**2 < area < 9000 * ppm**2 and max(w, h) < 320 * ppm:
                pieces += [p + at for p in _straight_runs(blob, ppm)]
    pieces = sorted(pieces, key=lambda p: -cv2.contourArea(p.astype(np.float32)))[:14]
    tries = [(p, p) for p in pieces] + list(itertools.combinations(pieces, 2))
    found = [_bar_through(ground, a, b, pieces) for a, b in tries]
    return [
        (sure, picture.to_mm(_lengthened(ground, corners)))
        for sure, corners in (f for f in found if f is not None)
    ]


def _distance(a: np.ndarray, b: np.ndarray) -> float:
    """Least distance of two convex quadrilaterals (4, 2); 0 when they overlap."""
    a, b = a.astype(np.float32), b.astype(np.float32)
    if cv2.intersectConvexConvex(a, b)[0] > 0:
        return 0.0
    apart = [
        -cv2.pointPolygonTest(q, tuple(float(v) for v in point), True)
        for p, q in ((a, b), (b, a))
        for point in p
    ]
    return min(apart)


def _closed(blob: np.ndarray, radius_px: float) -> np.ndarray:
    m = round(radius_px) + 1
    wide = cv2.copyMakeBorder(blob, m, m, m, m, cv2.BORDER_CONSTANT, value=0)
    return cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc(radius_px))[m:-m, m:-m]


def _on_paper(ground: Ground, label: np.ndarray, k: int, box) -> bool:
    """Is there paper around a black piece, on more than one side?"""
    m, close = round(4.0 * ground.picture.px_per_mm), round(1.2 * ground.picture.px_per_mm)
    x, y, w, h = box[:4]
    part = (slice(max(0, y - m), y + h + m), slice(max(0, x - m), x + w + m))
    own = (label[part] == k).view(np.uint8)
    wide = cv2.dilate(own, disc(m)) > 0
    ring = wide & (cv2.dilate(own, disc(close)) == 0)
    rows, columns = np.nonzero(ring & (ground.contrast[part] < 2 * ground.low))
    if len(rows) < 0.1 * ring.sum():
        return False
    away = np.stack([columns - (wide.shape[1] - 1) / 2, rows - (wide.shape[0] - 1) / 2])
    away /= np.maximum(np.linalg.norm(away, axis=0), 1e-6)
    return bool(np.linalg.norm(away.mean(axis=1)) < 0.7)


def _straight_runs(blob: np.ndarray, ppm: float) -> list[np.ndarray]:
    """Hulls (n, 2) of the long straight band in a black shape that dark strips cross: what
    is left of it by opening with a line, in the direction that leaves most of a thin band."""
    small = cv2.resize(blob, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_NEAREST)
    n = round(28 * ppm / 2) | 1
    found: list[tuple[float, np.ndarray]] = []
    for degrees in range(0, 180, 6):
        line = np.zeros((n, n), np.uint8)
        step = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))]) * (n // 2)
        ends = [tuple(round(float(v)) for v in n // 2 + sign * step) for sign in (-1, 1)]
        cv2.line(line, ends[0], ends[1], 1)
        left = cv2.morphologyEx(
            small, cv2.MORPH_OPEN, line, borderType=cv2.BORDER_CONSTANT, borderValue=0
        )
        points = cv2.findNonZero(left)
        if points is None:
            continue
        hull = cv2.convexHull(points)
        (_, sides, _) = cv2.minAreaRect(hull)
        if min(sides) < 12 * ppm and len(points) > 0.8 * sides[0] * sides[1]:
            found.append((float(max(sides)), 2.0 * hull[:, 0] + 0.5))
    found.sort(key=lambda item: -item[0])
    return [hull for _, hull in found[:2]]


def _bar_through(ground: Ground, a, b, pieces) -> tuple[float, np.ndarray] | None:
    """The bar on the line through two black pieces (or along one): how sure it is, and
    corners."""
    ppm = ground.picture.px_per_mm
    if a is b:
        (_, (w, h), degrees) = cv2.minAreaRect(a.astype(np.float32))
        turn = np.radians(degrees if w >= h else degrees + 90)
        along = np.array([np.cos(turn), np.sin(turn)])
    else:
        along = b.mean(axis=0) - a.mean(axis=0)
        along = along / max(np.linalg.norm(along), 1e-6)
    down = np.array([-along[1], along[0]])

    def span(p):
        return (p @ down).min(), (p @ down).max()

    low, high = span(a)
    height = high - low
    other = span(b)
    if not 4 * ppm < height < 24 * ppm or abs(other[0] - low) + abs(other[1] - high) > 2.4 * ppm:
        return None
    inline = [p for p in pieces if np.abs(np.subtract(span(p), (low, high))).max() < 1.2 * ppm]
    if not any(p is b for p in inline):
        return None
    t = np.concatenate([p @ along for p in inline])
    length = t.max() - t.min()
    if length < 2.5 * height or length < 35 * ppm:
        return None
    origin = along * t.min() + down * low
    corners = origin + np.array(
        [[0, 0], along * length, along * length + down * height, down * height]
    )
    # What lies on the middle line and beside the bar: ink where it is covered or crossed.
    contrast = ground.contrast
    s = np.arange(int(length)) + 0.5
    middle = np.round(origin + s[:, None] * along + down * height / 2).astype(int)
    x = np.clip(middle[:, 0], 0, contrast.shape[1] - 1)
    y = np.clip(middle[:, 1], 0, contrast.shape[0] - 1)
    bare = contrast[y, x] <= ground.low
    if bare.mean() > 0.07 or np.diff(np.flatnonzero(~bare), prepend=-1).max() > 3 * ppm:
        return None  # paper between two dark strips in line
    if not _between_papers(ground, corners):
        return None
    if length > 110 * ppm and length > 8 * height:
        # No strip is as long and narrow as that.
        return 3.0 + _touched(ground, corners), corners
    touched = _touched(ground, corners)
    if not touched:
        return None
    # Of two that lie crosswise, the narrower is the bar.
    return touched + float(0.5 * (1 - height / length)), corners


def _between_papers(ground: Ground, corners: np.ndarray) -> bool:
    """Is there paper along some of both long sides, as beside no gap between paper and table?"""
    ppm, contrast = ground.picture.px_per_mm, ground.contrast
    seen = np.zeros((2, len(_beside(contrast.shape, corners, 0.0)[0][0])), bool)
    for depth in (2.0, 3.0, 4.0):
        for side, (y, x) in enumerate(_beside(contrast.shape, corners, depth * ppm)):
            usable = ground.picture.usable[y, x]
            seen[side] |= (contrast[y, x] < 2 * ground.low) & usable
    return bool(seen.mean(axis=1).min() > 0.08)


def _touched(ground: Ground, corners: np.ndarray) -> float:
    """How many strips cross a black band or end at it. Ink 7 mm wide or more lies right
    beside it, and paper beside the rest; a black strip has paper along both its long sides.
    Where black strips cross a bar, each strip looks like a bar as well: black counts half."""
    picture, contrast = ground.picture, ground.contrast
    ppm = picture.px_per_mm
    ink = np.ones((2, len(_beside(contrast.shape, corners, 0.0)[0][0])), bool)
    for depth in (1.2, 2.0, 3.0, 5.0, 7.0):
        for side, (y, x) in enumerate(_beside(contrast.shape, corners, depth * ppm)):
            ink[side] &= contrast[y, x] > max(1.5 * ground.low, 3.0)
    wide = cv2.morphologyEx(
        ink.astype(np.uint8), cv2.MORPH_OPEN, np.ones((1, int(7 * ppm)), np.uint8)
    )
    y, x = (np.stack(c) for c in zip(*_beside(contrast.shape, corners, 3.0 * ppm), strict=True))
    lab = picture.lab[y, x]
    black = (lab[..., 0] < 40) & (np.abs(lab[..., 1:]).max(axis=2) < 14)
    # Beside a bar there is ink or paper, and no slanting edge.
    level = np.median(contrast[y, x][ink]) if ink.any() else 60.0
    clean = (ink > 0) | (contrast[y, x] < max(0.35 * level, 2 * ground.low))
    if clean.mean(axis=1).min() < 0.75:
        return 0.0
    both = wide[0] & wide[1]
    crossed = both.any() and both.mean() < 0.95 and (ink[0] == ink[1]).mean() > 0.6
    count = [0.0, 0.0]
    for k, side in enumerate(wide):
        edges = np.flatnonzero(np.diff(np.r_[0, side, 0].astype(int)))
        runs = list(zip(edges[::2], edges[1::2], strict=True))
        # Two strips side by side touch along most of their length.
        if crossed or side.mean() < (0.85 if len(runs) > 1 else 0.6):
            count[k] = sum(0.5 if black[k, a:b].mean() > 0.5 else 1.0 for a, b in runs)
    return max(count)


def _lengthened(ground: Ground, corners: np.ndarray) -> np.ndarray:
    """A bar with the ends that a strip hides or cuts off: on as far as black follows with
    nothing but ink in between."""
    picture, contrast = ground.picture, ground.contrast
    ppm = picture.px_per_mm
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    length, height = np.linalg.norm(along), np.linalg.norm(down)
    along, down = along / length, down / height
    across = np.linspace(0.2, 0.8, 7) * height
    out = corners.copy()
    for near, far, way in ((corners[0], (0, 3), -along), (corners[1], (1, 2), along)):
        t = np.arange(1.0, HIDDEN_MM * ppm)
        p = near + t[:, None, None] * way + across[None, :, None] * down
        x, y = np.rint(p[..., 0]).astype(int), np.rint(p[..., 1]).astype(int)
        ok = (x >= 0) & (y >= 0) & (x < contrast.shape[1]) & (y < contrast.shape[0])
        x, y = np.clip(x, 0, contrast.shape[1] - 1), np.clip(y, 0, contrast.shape[0] - 1)
        inked = ((contrast[y, x] > ground.low) & ok).mean(axis=1) > 0.8
        on = int(inked.argmin()) if not inked.all() else len(inked)
        lab = picture.lab[y[:on], x[:on]]
        black = (lab[..., 0] < 40) & (np.abs(lab[..., 1:]).max(axis=2) < 14)
        found = np.flatnonzero(black.mean(axis=1) > 0.7)
        if len(found):
            for k in far:
                out[k] = out[k] + way * t[found[-1]]
    return out
