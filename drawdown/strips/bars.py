"""Printed bars: where the test sheet has one, where something on paper looks like one, and
where one runs under a strip that was found."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.paper import Ground
from drawdown.strips.working_picture import Picture, disc, stretches


@dataclass(frozen=True)
class Bar:
    """A printed bar: its rectangle (4, 2) in mm, clockwise, the long side first."""

    corners_mm: np.ndarray


def grown_px(picture: Picture, bar: Bar, margin_mm: float, offset=(0, 0)) -> np.ndarray:
    """A bar grown on all sides, in pixels of the part that begins at ``offset`` (row, column)."""
    c = bar.corners_mm
    along, down = c[1] - c[0], c[3] - c[0]
    along = margin_mm * along / np.linalg.norm(along)
    down = margin_mm * down / np.linalg.norm(down)
    grown = c + np.array([-along - down, along - down, along + down, down - along])
    return picture.to_px(grown) - np.array([offset[1], offset[0]])


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


def find_bars(grounds: list[Ground]) -> list[Bar]:
    """Unknown printed bars on some papers: black, straight, crossed by strips. Ink that covers
    leaves only pieces of the bar in sight; ink that does not shows one long bar."""
    found = [
        bar
        for ground in grounds
        if ground.area_mm2 > limits.BAR_PAPER_MM2
        for bar in _bars_on(ground)
    ]
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
        if area > 25 * ppm**2 and _on_paper(ground, label, k, stats[k]):
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
    contrast = ground.contrast[part]
    around = contrast[ring]
    if not len(around):
        return False
    limit = max(2 * ground.low, limits.BAR_PALE_SHARE * float(np.quantile(around, 0.8)))
    rows, columns = np.nonzero(ring & (contrast < limit))
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
    right, below = along * length, down * height
    corners = origin + np.array([[0, 0], right, right + below, below])
    # What lies on the middle line and beside the bar: ink where it is covered or crossed.
    contrast = ground.contrast
    s = np.arange(int(length)) + 0.5
    middle = np.round(origin + s[:, None] * along + down * height / 2).astype(int)
    x = np.clip(middle[:, 0], 0, contrast.shape[1] - 1)
    y = np.clip(middle[:, 1], 0, contrast.shape[0] - 1)
    # No bar is seen through the card, either.
    picture = ground.picture
    bare = (contrast[y, x] <= ground.low) | (picture.inside[y, x] & ~picture.usable[y, x])
    if bare.mean() > 0.07 or np.diff(np.flatnonzero(~bare), prepend=-1).max() > 3 * ppm:
        return None  # paper between two dark strips in line
    if not _between_papers(ground, corners):
        return None
    touched = _touched(ground, corners)
    if length > 110 * ppm and length > 8 * height:
        # No strip is as long and narrow as that.
        return 3.0 + touched, corners
    if not touched:
        return None
    # Of two that lie crosswise, the narrower is the bar.
    return touched + float(0.5 * (1 - height / length)), corners


def _between_papers(ground: Ground, corners: np.ndarray) -> bool:
    """Is there paper along some of both long sides, as beside no gap between paper and table?"""
    ppm, contrast = ground.picture.px_per_mm, ground.contrast
    seen = np.zeros((2, len(beside(contrast.shape, corners, 0.0)[0][0])), bool)
    for depth in (2.0, 3.0, 4.0):
        for side, (y, x) in enumerate(beside(contrast.shape, corners, depth * ppm)):
            usable = ground.picture.usable[y, x]
            limit = max(
                2 * ground.low, limits.BAR_PALE_SHARE * float(np.quantile(contrast[y, x], 0.8))
            )
            seen[side] |= (contrast[y, x] < limit) & usable
    return bool(seen.mean(axis=1).min() > 0.08)


def _touched(ground: Ground, corners: np.ndarray) -> float:
    """How many strips cross a black band or end at it. Ink 7 mm wide or more lies right
    beside it, and paper beside the rest; a black strip has paper along both its long sides.
    Where black strips cross a bar, each strip looks like a bar as well: black counts half."""
    picture, contrast = ground.picture, ground.contrast
    ppm = picture.px_per_mm
    ink = np.ones((2, len(beside(contrast.shape, corners, 0.0)[0][0])), bool)
    for depth in (1.2, 2.0, 3.0, 5.0, 7.0):
        for side, (y, x) in enumerate(beside(contrast.shape, corners, depth * ppm)):
            ink[side] &= contrast[y, x] > max(1.5 * ground.low, 3.0)
    wide = cv2.morphologyEx(
        ink.astype(np.uint8), cv2.MORPH_OPEN, np.ones((1, int(7 * ppm)), np.uint8)
    )
    y, x = (np.stack(c) for c in zip(*beside(contrast.shape, corners, 3.0 * ppm), strict=True))
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
        runs = stretches(side)
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
        t = np.arange(1.0, limits.BAR_HIDDEN_MM * ppm)
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
            out[list(far)] += way * t[found[-1]]
    return out


@dataclass(frozen=True)
class Span:
    """A bar's two edges along u, each as a line over v: u = edge[0] + edge[1] v."""

    start: np.ndarray  # (2,)
    end: np.ndarray  # (2,)
    paper_y: float
    sides: tuple[int, ...]  # -1, 1: where it was seen

    def crossed(self, half_length: float) -> float:
        """The share of its breadth, 0..1, that lies between the strip's ends."""
        start, end = float(self.start[0]), float(self.end[0])
        return (min(end, half_length) - max(start, -half_length)) / (end - start)


def bars_across(
    u: np.ndarray, v: np.ndarray, y: np.ndarray, half_length: float, half_width: float
) -> list[Span]:
    """Bars under a strip, seen beside it, on both sides where both show. ``u``, ``v``, ``y``
    (n,) are bare places about it: mm along the pull and across it from the strip's centre, and
    their luminous reflectance."""
    reach = half_length + limits.BAR_BEYOND_MM
    steps = np.arange(-reach, reach, 0.4)
    near, far = limits.BESIDE_STRIP_MM
    profiles = {}
    for side in (-1, 1):
        depth = side * v - half_width
        here = (depth > near) & (depth < far)
        slot = np.searchsorted(steps, u[here], side="right") - 1
        profiles[side] = medians(y[here], slot, len(steps))
    known = np.concatenate(list(profiles.values()))
    known = known[np.isfinite(known)]
    if len(known) < 10:
        return []
    paper = float(np.quantile(known, 0.8))
    left, right = (_dark_runs(profiles[side], steps + 0.2, paper) for side in (-1, 1))
    apart = 2 * half_width + near + far
    spans = []
    for a in left:
        middle = np.mean(a)
        # The bar may lie up to 20 degrees off square.
        most = min(0.36 * apart, 0.8 * (a[1] - a[0]) + 3)
        pair = [b for b in right if abs(np.mean(b) - middle) < most]
        if pair:
            b = min(pair, key=lambda b: abs(np.mean(b) - middle))
            right.remove(b)
            lines = [np.array([(p + q) / 2, (q - p) / apart]) for p, q in zip(a, b, strict=True)]
            spans.append(Span(*lines, paper, (-1, 1)))
        elif not _seen(profiles[1], steps, a):
            spans.append(Span(np.array([a[0], 0.0]), np.array([a[1], 0.0]), paper, (-1,)))
    for b in right:
        if not _seen(profiles[-1], steps, b):
            spans.append(Span(np.array([b[0], 0.0]), np.array([b[1], 0.0]), paper, (1,)))
    return [s for s in spans if s.crossed(half_length) > limits.LEAST_CROSSED]


def _seen(profile: np.ndarray, steps: np.ndarray, run: tuple[float, float]) -> bool:
    """Whether that side shows anything bare there; if so, and it is no bar, there is none."""
    here = (steps >= run[0]) & (steps <= run[1])
    return bool(np.isfinite(profile[here]).mean() > 0.5)


def medians(values: np.ndarray, slot: np.ndarray, count: int) -> np.ndarray:
    """Median of the values in each slot, NaN where there are fewer than 3."""
    order = np.lexsort((values, slot))
    first, end = (np.searchsorted(slot[order], np.arange(count) + k) for k in (0, 1))
    ranked = values[order]
    low, high = (np.minimum((first + end - k) // 2, len(values) - 1) for k in (1, 0))
    middle = (ranked[low] + ranked[high]) / 2 if len(values) else np.zeros(count)
    return np.where(end - first >= 3, middle, np.nan)


def _dark_runs(profile: np.ndarray, u: np.ndarray, paper: float) -> list[tuple[float, float]]:
    """Stretches of bar (u from, to), edges where the light crosses the middle."""
    good = np.isfinite(profile)
    if good.sum() < 5:
        return []
    filled = np.interp(u, u[good], profile[good])
    dark = filled < limits.BAR_DARK_SHARE * paper
    out = []
    for a, b in stretches(dark):
        if a == 0 or b == len(u):
            continue  # no bar that is crossed, or the end of the paper
        sized = limits.LEAST_BAR_MM - 1 < u[b - 1] - u[a] < limits.MOST_BAR_MM
        if not sized or good[a:b].mean() < 0.5:
            continue
        middle = (float(np.median(filled[a:b])) + paper) / 2
        begin = _crossing(filled, u, a, -1, middle)
        end = _crossing(filled, u, b - 1, 1, middle)
        if end - begin >= limits.LEAST_BAR_MM:
            out.append((begin, end))
    return out


def _crossing(profile: np.ndarray, u: np.ndarray, k: int, step: int, level: float) -> float:
    """Where the profile rises through ``level``, going from index k outwards."""
    while 0 <= k + step < len(u) and profile[k + step] < level:
        k += step
    other = k + step
    if not 0 <= other < len(u):
        return float(u[k])
    share = (level - profile[k]) / max(profile[other] - profile[k], 1e-9)
    return float(u[k] + np.clip(share, 0, 1) * (u[other] - u[k]))
