"""Shapes that stand out from one kind of paper, taken apart where they touch.

Everything that differs from the paper's colour is cleaned of pencil and text; each piece is
tested by ``strip_shapes``. A piece that fails is cut along its inner colour edges and at its
narrow places, and the parts are tested again.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np

from drawdown.strip_ground import Ground, Picture, disc
from drawdown.strip_shapes import Shape, View, measure_shape

OPEN_MM = 3.2  # what is thinner is pencil, text or a writing line
CLOSE_MM = 0.8
MIN_AREA_MM2 = 60.0
MIN_PART_MM2 = 40.0
MAX_PARTS = 16


@dataclass(frozen=True)
class Candidate:
    """A shape, its pixels ``on`` (h, w) on the part of the working picture that begins at
    ``offset`` (row, column), its paper's Lab, and how much darker than that it is in L*."""

    shape: Shape
    on: np.ndarray
    offset: tuple[int, int]
    paper_lab: np.ndarray
    darker: float
    ground: int = -1  # which of the papers seen; -1 when only the colour around it was taken

    @property
    def part(self) -> tuple[slice, slice]:
        rows, columns = self.on.shape
        return (
            slice(self.offset[0], self.offset[0] + rows),
            slice(self.offset[1], self.offset[1] + columns),
        )

    def rejected(self, reason: str) -> Candidate:
        """The same candidate, rejected."""
        return replace(self, shape=replace(self.shape, reason=reason))


@dataclass(frozen=True)
class Bar:
    """A printed bar that strips may cross: its rectangle (4, 2) in mm, clockwise, the long
    side first."""

    corners_mm: np.ndarray


def ink_mask(ground: Ground) -> np.ndarray:
    """(h, w) uint8: what stands out from this paper, gaps between neighbours kept open."""
    picture, contrast = ground.picture, ground.contrast
    ppm = picture.px_per_mm
    on = (contrast > ground.low) & picture.usable
    # A gap whose contrast is far below that of both its sides is a gap, however dark they are.
    closed = cv2.morphologyEx(contrast, cv2.MORPH_CLOSE, disc(1.3 * ppm))
    on &= contrast > 0.4 * closed
    on &= ~picture.printed
    mask = cv2.morphologyEx(on.view(np.uint8), cv2.MORPH_CLOSE, disc(CLOSE_MM * ppm / 2))
    if picture.printed.any():
        # Thin printing under ink: what is ink on both sides is ink.
        across = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2.0 * ppm))
        mask |= across & picture.printed.view(np.uint8)
    return mask


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


def bridge_bars(ground: Ground, mask: np.ndarray, bars: list[Bar]) -> np.ndarray:
    """Join the two halves of a strip that runs across a printed bar: where ink of the same
    colour lies on both sides of the bar, the bar between counts as ink."""
    picture = ground.picture
    ppm = picture.px_per_mm
    for bar in bars:
        corners = picture.to_px(bar.corners_mm)
        on, colour = ([], []), ([], [])
        for depth in (1.6, 2.2, 2.8, 3.4):
            for side, (y, x) in enumerate(_beside(mask.shape, corners, depth * ppm)):
                on[side].append(mask[y, x])
                colour[side].append(picture.lab[y, x])
        if not len(on[0][0]):
            continue
        paper = ground.paper_at(ground.whole_px(corners.mean(axis=0)))
        one, other = (np.median(c, axis=0) - paper for c in colour)
        dot = np.sum(one * other, axis=1)
        size = np.linalg.norm(one, axis=1) * np.linalg.norm(other, axis=1)
        both = (np.mean(on[0], axis=0) >= 0.5) & (np.mean(on[1], axis=0) >= 0.5)
        # The same ink, perhaps thinner; of pale ink the direction is uncertain.
        pale = np.minimum(np.linalg.norm(one, axis=1), np.linalg.norm(other, axis=1)) < 8
        both &= (dot > 0.85 * size) | pale
        both = cv2.morphologyEx(
            both.astype(np.uint8)[None], cv2.MORPH_OPEN, np.ones((1, int(4 * ppm)), np.uint8)
        )[0]
        along, down = corners[1] - corners[0], corners[3] - corners[0]
        height = np.linalg.norm(down)
        along, down = along / np.linalg.norm(along), down / height
        edges = np.flatnonzero(np.diff(np.r_[0, both, 0]))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            top, bottom = -down * 1.6 * ppm, down * (height + 1.6 * ppm)
            quad = corners[0] + np.array(
                [along * a + top, along * b + top, along * b + bottom, along * a + bottom]
            )
            cv2.fillPoly(mask, [_quad(quad)], 1, shift=4)
    return mask


def _quad(corners_px: np.ndarray) -> np.ndarray:
    return np.round(corners_px * 16).astype(np.int32)


def _wider(corners: np.ndarray, margin: float) -> np.ndarray:
    """A rectangle grown by a margin on all sides."""
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    along, down = margin * along / np.linalg.norm(along), margin * down / np.linalg.norm(down)
    return corners + np.array([-along - down, along - down, along + down, down - along])


def find_bars(ground: Ground) -> list[Bar]:
    """Unknown printed bars: black, straight, crossed by strips. Ink that covers leaves only
    pieces of the bar in sight; ink that does not shows one long bar."""
    picture = ground.picture
    ppm, lab = picture.px_per_mm, picture.lab
    black = cv2.inRange(lab, (-20.0, -14.0, -14.0), (40.0, 14.0, 14.0))
    black[~picture.usable] = 0
    if cv2.countNonZero(black) < 60 * ppm**2:
        return []
    mask = cv2.morphologyEx(black, cv2.MORPH_OPEN, disc(1.8 * ppm))
    count, label, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    pieces = []
    for k in range(1, min(count, 60)):
        x, y, w, h, area = stats[k]
        if area > 25 * ppm**2:
            blob = (label[y : y + h, x : x + w] == k).view(np.uint8)
            hull = cv2.convexHull(cv2.findNonZero(blob))
            if area > 0.85 * cv2.contourArea(hull):
                pieces.append(hull[:, 0].astype(float) + np.array([x, y]))
    pieces = sorted(pieces, key=lambda p: -len(p))[:24]
    bars: list[Bar] = []
    tries = [(p, p) for p in pieces] + list(itertools.combinations(pieces, 2))
    best: list[tuple[float, np.ndarray]] = []
    for a, b in tries:
        found = _bar_through(ground, a, b, pieces)
        if found is not None:
            best.append(found)
    for _, corners in sorted(best, key=lambda item: -item[0]):
        centre = corners.mean(axis=0)
        if all(
            cv2.pointPolygonTest(o.corners_mm.astype(np.float32), picture.to_mm(centre), False) < 0
            for o in bars
        ):
            bars.append(Bar(picture.to_mm(corners)))
    return bars[:3]


def _bar_through(ground: Ground, a, b, pieces) -> tuple[float, np.ndarray] | None:
    """The bar on the line through two black pieces (or along one): length and corners."""
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
    if not 4 * ppm < height < 24 * ppm:
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
    if (contrast[y, x] > ground.low).mean() < 0.93:
        return None
    # A strip crosses where the same 7 mm or more are ink on both sides; between strips there
    # is paper on both sides.
    ink = np.ones((2, int(length)), bool)
    for depth in (2.0, 3.5):
        for side, (y, x) in enumerate(_beside(contrast.shape, corners, depth * ppm)):
            ink[side] &= contrast[y, x] > 1.5 * ground.low
    both = (ink[0] & ink[1]).astype(np.uint8)[None]
    crossed = cv2.morphologyEx(both, cv2.MORPH_OPEN, np.ones((1, int(7 * ppm)), np.uint8))
    if crossed.any() and both.mean() < 0.95 and (ink[0] == ink[1]).mean() > 0.6:
        return float(length), corners
    return None


def shapes_on_ground(
    whole: Picture, ground: Ground, known_bars: list[Bar], view: View
) -> list[Candidate]:
    """All shapes that stand out from one paper, judged, taken apart where they touch."""
    picture = ground.picture
    mask = ink_mask(ground)
    bars = known_bars
    if not bars:
        bars = find_bars(ground)
        for bar in bars:
            cv2.fillPoly(mask, [_quad(picture.to_px(_wider(bar.corners_mm, 0.5)))], 0, shift=4)
    mask = bridge_bars(ground, mask, bars)
    # A bar is neither ink nor paper: beside a strip that crosses it, it says nothing.
    neutral = np.zeros(mask.shape, np.uint8)
    for bar in bars:
        cv2.fillPoly(neutral, [_quad(picture.to_px(_wider(bar.corners_mm, 1.0)))], 1, shift=4)
    neutral = neutral > 0
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(OPEN_MM * picture.px_per_mm / 2))
    count, label, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    out: list[Candidate] = []
    for k in range(1, count):
        x, y, w, h, area = stats[k]
        if area < MIN_AREA_MM2 * picture.px_per_mm**2:
            continue
        part = (slice(y, y + h), slice(x, x + w))
        blob = filled(label[part] == k, 15 * picture.px_per_mm**2)
        out += _Work(whole, ground, view, (y, x), neutral).take_apart(blob, depth=0)
    return out


def filled(blob: np.ndarray, limit_px: float) -> np.ndarray:
    """Fill holes up to a size: streaks that show paper inside the ink."""
    holes = (~blob).view(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(holes, connectivity=4)
    x, y, w, h = (stats[:, k] for k in range(4))
    closed = (x > 0) & (y > 0) & (x + w < blob.shape[1]) & (y + h < blob.shape[0])
    small = closed & (stats[:, cv2.CC_STAT_AREA] < limit_px)
    small[0] = False
    return blob | small[label]


class _Work:
    """One blob on one ground, and the ways to take it apart. ``corner`` (row, column) is
    where the blob's pixels begin on the ground's picture; ``neutral`` (h, w) marks there what
    is neither ink nor paper."""

    def __init__(self, whole: Picture, ground: Ground, view: View, corner, neutral: np.ndarray):
        self.whole, self.ground, self.view = whole, ground, view
        self.corner, self.neutral = corner, neutral

    def judge(self, blob: np.ndarray, beside: np.ndarray | None = None) -> Candidate | None:
        ground, picture = self.ground, self.whole
        y, x, h, w = _bounds(blob)
        if h < 4 or w < 4:
            return None
        m = round(9 * picture.px_per_mm)
        start = (ground.part[0].start, ground.part[1].start)
        top, left = start[0] + self.corner[0] + y, start[1] + self.corner[1] + x
        rows, columns = picture.usable.shape
        part = (
            slice(max(0, top - m), min(rows, top + h + m)),
            slice(max(0, left - m), min(columns, left + w + m)),
        )
        offset = (part[0].start, part[1].start)
        size = (part[0].stop - offset[0], part[1].stop - offset[1])
        on, near = np.zeros(size, bool), np.zeros(size, bool)
        at = (start[0] + self.corner[0] - offset[0], start[1] + self.corner[1] - offset[1])
        paste(on, blob, at)
        if beside is not None:
            paste(near, beside, at)
        # Beyond the ground's part all is taken to be something else than this paper.
        at = (start[0] - offset[0], start[1] - offset[1])
        contrast, darker = np.full(size, 60.0, np.float32), np.zeros(size, np.float32)
        paste(near, self.neutral, at)
        put(contrast, ground.contrast, at)
        put(darker, ground.darker, at)
        shape = measure_shape(picture, on, contrast, ground.low, offset, near, self.view)
        if shape is None:
            return None
        ink = on & (contrast > 0.5 * shape.level)
        ink = ink if ink.any() else on
        paper = ground.paper_at(picture.to_px(shape.centre_mm)).astype(float)
        return Candidate(shape, on, offset, paper, float(np.median(darker[ink])), ground.number)

    def take_apart(self, blob: np.ndarray, depth: int) -> list[Candidate]:
        """The candidates in a blob; rejected ones too, with the reason."""
        whole = self.judge(blob)
        if whole is None:
            return []
        reason = whole.shape.reason
        if reason in ("small", "faint"):
            return [whole]
        if not reason:
            parts = self.by_colour(blob)
            if len(parts) > 1:
                fine = [c for c in self.judge_parts(parts) if not c.shape.reason]
                if len(fine) > 1 and self.neighbours_indeed(whole, fine):
                    return fine
            return [whole]
        if depth >= 2:
            return [whole]
        for parts in self.cuts(blob):
            judged = self.judge_parts(parts)
            if any(not c.shape.reason for c in judged):
                out = []
                for c in judged:
                    out += [c] if not c.shape.reason else self.again(c, depth + 1)
                return out
        return [whole]

    def again(self, c: Candidate, depth: int) -> list[Candidate]:
        """Take a rejected part apart in turn."""
        if c.shape.reason in ("small", "faint", "soft"):
            return [c]
        y, x, h, w = _bounds(c.on)
        corner = (
            c.offset[0] + y - self.ground.part[0].start,
            c.offset[1] + x - self.ground.part[1].start,
        )
        blob = c.on[y : y + h, x : x + w]
        work = _Work(self.whole, self.ground, self.view, corner, self.neutral)
        return work.take_apart(blob, depth)

    def cuts(self, blob: np.ndarray):
        """Ways to cut a blob, the gentler first."""
        for radius_mm in (1.5, 3.0):
            parts = self.by_bridges(blob, radius_mm)
            if len(parts) > 1 or (parts and parts[0].sum() < 0.97 * blob.sum()):
                yield parts
        parts = self.by_colour(blob)
        if len(parts) > 1 or (parts and parts[0].sum() < 0.9 * blob.sum()):
            yield parts
        parts = self.by_bridges(blob, 4.5)
        if parts:
            yield parts

    def judge_parts(self, parts: list[np.ndarray]) -> list[Candidate]:
        union = np.any(parts, axis=0)
        judged = [self.judge(p, union & ~p) for p in parts]
        return [c for c in judged if c is not None]

    def neighbours_indeed(self, whole: Candidate, parts: list[Candidate]) -> bool:
        """Are these neighbours that touch, rather than one uneven strip? They must run side
        by side over most of their length, fill the whole, and differ in colour clearly."""
        area = sum(c.shape.width_mm * c.shape.length_mm for c in parts)
        if area < 0.8 * whole.shape.width_mm * whole.shape.length_mm:
            return False
        axis = parts[0].shape.axis
        if any(abs(axis @ c.shape.axis) < 0.97 for c in parts):
            return False
        side = np.array([axis[1], -axis[0]])
        parts = sorted(parts, key=lambda c: c.shape.centre_mm @ side)
        for a, b in itertools.pairwise(parts):
            apart = np.linalg.norm(a.shape.lab - b.shape.lab)
            if apart < max(4.0, 0.12 * whole.shape.level):
                return False
            if (b.shape.centre_mm - a.shape.centre_mm) @ side < 6.0:
                return False
        lengths = [c.shape.length_mm for c in parts]
        return min(lengths) > 0.6 * max(lengths)

    def by_colour(self, blob: np.ndarray) -> list[np.ndarray]:
        """Cut along strong colour edges inside the blob."""
        picture = self.ground.picture
        ppm = picture.px_per_mm
        h, w = blob.shape
        part = (
            slice(self.corner[0], self.corner[0] + h),
            slice(self.corner[1], self.corner[1] + w),
        )
        inner = cv2.erode(
            np.pad(blob, 1).view(np.uint8), disc(1.0 * ppm), borderType=cv2.BORDER_CONSTANT
        )[1:-1, 1:-1]
        level = float(np.median(self.ground.contrast[part][blob]))
        limit = max(1.6 * picture.slope_limit, 0.10 * level)
        calm = inner & (picture.slope[part] < limit).view(np.uint8)
        calm = cv2.morphologyEx(calm, cv2.MORPH_OPEN, disc(1.2 * ppm))
        return self.grouped(self.regrown(calm, blob, 2.0 * ppm), level)

    def grouped(self, parts: list[np.ndarray], level: float) -> list[np.ndarray]:
        """Put touching parts of one colour together again: a streak is no border."""
        if len(parts) < 2:
            return parts
        ppm = self.ground.picture.px_per_mm
        y, x = self.corner
        h, w = parts[0].shape
        lab = self.ground.picture.lab[y : y + h, x : x + w]
        colours = [np.median(lab[p], axis=0) for p in parts]
        wide = [cv2.dilate(p.view(np.uint8), disc(1.3 * ppm)) > 0 for p in parts]
        group = list(range(len(parts)))
        for i, j in itertools.combinations(range(len(parts)), 2):
            alike = np.linalg.norm(colours[i] - colours[j]) < max(4.0, 0.12 * level)
            if alike and (wide[i] & wide[j]).sum() > 4 * ppm * ppm:
                group = [group[i] if g == group[j] else g for g in group]
        out = []
        for g in dict.fromkeys(group):
            members = [p for p, k in zip(parts, group, strict=True) if k == g]
            union = np.any(members, axis=0)
            if len(members) > 1:
                closed = cv2.morphologyEx(
                    np.pad(union, 8).view(np.uint8), cv2.MORPH_CLOSE, disc(1.0 * ppm)
                )
                union = closed[8:-8, 8:-8] > 0
            out.append(union)
        return out

    def by_bridges(self, blob: np.ndarray, radius_mm: float) -> list[np.ndarray]:
        """Cut off what hangs on by less than twice the radius."""
        ppm = self.ground.picture.px_per_mm
        core = cv2.erode(
            np.pad(blob, 1).view(np.uint8), disc(radius_mm * ppm), borderType=cv2.BORDER_CONSTANT
        )[1:-1, 1:-1]
        return self.regrown(core, blob, (radius_mm + 0.4) * ppm)

    def regrown(self, cores: np.ndarray, blob: np.ndarray, radius_px: float) -> list[np.ndarray]:
        """The separate cores, the largest first, grown back within the blob."""
        _, label, stats, _ = cv2.connectedComponentsWithStats(cores, connectivity=4)
        areas = stats[:, cv2.CC_STAT_AREA]
        keep = [k for k in np.argsort(-areas) if k]
        floor = MIN_PART_MM2 * self.ground.picture.px_per_mm**2
        keep = [k for k in keep if areas[k] > floor][:MAX_PARTS]
        taken = np.isin(label, keep) if keep else np.zeros(blob.shape, bool)
        m = int(radius_px) + 2
        parts = []
        for k in keep:
            x, y, w, h = stats[k, :4]
            near = (slice(max(0, y - m), y + h + m), slice(max(0, x - m), x + w + m))
            own = label[near] == k
            grown = cv2.dilate(own.view(np.uint8), disc(radius_px)).astype(bool)
            own = own | (grown & blob[near] & ~taken[near])
            taken[near] |= own
            part = np.zeros(blob.shape, bool)
            part[near] = own
            parts.append(part)
        return parts


def _bounds(mask: np.ndarray) -> tuple[int, int, int, int]:
    """First row, first column, height, width of what is set."""
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    return y, x, h, w


def _shared(target, source, at):
    a0, b0 = max(0, at[0]), max(0, at[1])
    a1 = min(target.shape[0], at[0] + source.shape[0])
    b1 = min(target.shape[1], at[1] + source.shape[1])
    if a1 <= a0 or b1 <= b0:
        return None
    there = (slice(a0, a1), slice(b0, b1))
    return there, (slice(a0 - at[0], a1 - at[0]), slice(b0 - at[1], b1 - at[1]))


def paste(target: np.ndarray, source: np.ndarray, at: tuple[int, int]) -> None:
    """OR ``source`` into ``target`` with its corner at (row, column), clipped."""
    shared = _shared(target, source, at)
    if shared is not None:
        target[shared[0]] |= source[shared[1]]


def put(target: np.ndarray, source: np.ndarray, at: tuple[int, int]) -> None:
    """Copy ``source`` into ``target`` with its corner at (row, column), clipped."""
    shared = _shared(target, source, at)
    if shared is not None:
        target[shared[0]] = source[shared[1]]
