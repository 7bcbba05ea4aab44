"""Shapes that stand out from one kind of paper, cleaned of pencil and text; one that is no
draw-down is cut along its inner colour edges and at its narrow places, and its parts are tested."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.bars import Bar, grown_px
from drawdown.strips.bridge import bridge_bars
from drawdown.strips.paper import Ground
from drawdown.strips.rectangle import middle_colour
from drawdown.strips.shapes import Shape, View, bounding_rect, measure_shape, size_alone
from drawdown.strips.working_picture import (
    Picture,
    disc,
    eroded,
    fill,
    filled,
    part_at,
    paste,
    shared_part,
    square,
)


@dataclass(frozen=True)
class Candidate:
    """A shape, its pixels ``on`` (h, w) on the part of the working picture that begins at
    ``offset`` (row, column), its paper's Lab, how much darker than that it is in L*, and the
    number of the paper among those seen (-1: only the colour around it was taken)."""

    shape: Shape
    on: np.ndarray
    offset: tuple[int, int]
    paper_lab: np.ndarray
    darker: float
    ground: int = -1

    @property
    def part(self) -> tuple[slice, slice]:
        return part_at(self.offset, self.on)

    def rejected(self, reason: str) -> Candidate:
        """The same candidate, rejected."""
        return replace(self, shape=replace(self.shape, reason=reason))


def ink_mask(ground: Ground, blur_mm: float) -> np.ndarray:
    """(h, w) uint8: what stands out from this paper, gaps between neighbours kept open."""
    picture, contrast = ground.picture, ground.contrast
    ppm = picture.px_per_mm
    on = (contrast > ground.low) & picture.usable
    # A gap whose contrast is far below that of both its sides is a gap, however dark they are.
    closed = cv2.morphologyEx(contrast, cv2.MORPH_CLOSE, square(limits.GAP_MM * ppm))
    on &= contrast > 0.4 * closed
    if blur_mm > limits.BLURRED_MM:
        # Colour bleeds farther than light.
        around = cv2.dilate(contrast, disc(limits.BLEEDS * blur_mm * ppm))
        on &= contrast > limits.BLEED_SHARE * around
    on &= ~picture.printed
    mask = cv2.morphologyEx(on.view(np.uint8), cv2.MORPH_CLOSE, disc(limits.CLOSE_MM * ppm / 2))
    if picture.printed.any():
        # Thin printing under ink: what is ink on both sides is ink.
        across = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2.0 * ppm))
        mask |= across & picture.printed.view(np.uint8)
    return mask


def shapes_on_ground(
    whole: Picture, ground: Ground, bars: list[Bar], view: View
) -> list[Candidate]:
    """All shapes that stand out from one paper, judged, taken apart where they touch.
    ``whole`` is the working picture that the ground is a part of; ``bars`` the printed bars
    in it."""
    picture = ground.picture
    mask = ink_mask(ground, view.blur_mm)
    mask = bridge_bars(ground, mask, bars, 0.5 + view.blur_mm)
    # A bar is neither ink nor paper: beside a strip that crosses it, it says nothing.
    neutral = np.zeros(mask.shape, np.uint8) if bars else None
    for bar in bars:
        fill(neutral, grown_px(picture, bar, 1.0 + view.blur_mm))
    work = _Work(whole, ground, view, None if neutral is None else neutral.view(bool))
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(limits.THIN_MM * picture.px_per_mm / 2))
    count, label, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    out: list[Candidate] = []
    for k in range(1, count):
        x, y, w, h, area = stats[k]
        if area >= limits.LEAST_SHAPE_MM2 * picture.px_per_mm**2:
            blob = filled(label[y : y + h, x : x + w] == k, 15 * picture.px_per_mm**2)
            out += work.take_apart(Piece(blob, (y, x)), depth=0)
    return out


class _Work:
    """One ground, and the ways to take apart what lies on it. ``neutral`` (h, w) marks what
    is neither ink nor paper, if anything is."""

    def __init__(self, whole: Picture, ground: Ground, view: View, neutral):
        self.whole, self.ground, self.view, self.neutral = whole, ground, view, neutral
        self.ppm = whole.px_per_mm
        self.start = (ground.part[0].start, ground.part[1].start)

    def judge(self, piece: Piece, beside: list[Piece] | None = None) -> Candidate | None:
        """Measure and judge a piece; ``beside`` are pieces that may touch it."""
        ground, picture = self.ground, self.whole
        rect = bounding_rect(piece.mask)
        if rect is None:
            return None
        top, left = self.start[0] + piece.corner[0], self.start[1] + piece.corner[1]
        refused = size_alone(picture, rect, piece.area, (top, left), ground.low)
        if refused is not None:
            return Candidate(refused, piece.mask, (top, left), ground.lab, 0.0, ground.number)
        m = round(9 * self.ppm)
        rows, columns = picture.usable.shape
        offset = (max(0, top - m), max(0, left - m))
        end = (top + piece.mask.shape[0] + m, left + piece.mask.shape[1] + m)
        size = (min(rows, end[0]) - offset[0], min(columns, end[1]) - offset[1])
        on = np.zeros(size, bool)
        at = (self.start[0] - offset[0], self.start[1] - offset[1])
        paste(on, piece.mask, (at[0] + piece.corner[0], at[1] + piece.corner[1]))
        near = None
        if beside or self.neutral is not None:
            near = np.zeros(size, bool)
            for other in beside or ():
                paste(near, other.mask, (at[0] + other.corner[0], at[1] + other.corner[1]))
            near &= ~on
            if self.neutral is not None:
                paste(near, self.neutral, at)
        # Beyond the ground's part all is taken to be something else than this paper.
        contrast = np.full(size, 60.0, np.float32)
        shared = shared_part(contrast, ground.contrast, at)
        if shared is not None:
            contrast[shared[0]] = ground.contrast[shared[1]]
        dx, dy = self.start[1] + piece.corner[1] - offset[1], top - offset[0]
        rect = ((rect[0][0] + dx, rect[0][1] + dy), *rect[1:])
        shape = measure_shape(picture, on, contrast, ground.low, offset, near, self.view, rect)
        if shape is None:
            return None
        paper = ground.paper_at(picture.to_px(shape.centre_mm)).astype(float)
        darker = self.darker(piece, shape.level) if not shape.reason else 0.0
        return Candidate(shape, on, offset, paper, darker, ground.number)

    def darker(self, piece: Piece, level: float) -> float:
        """How much darker than its paper the ink of a piece is in L*."""
        contrast, lighter = (
            layer[piece.part][::2, ::2][piece.mask[::2, ::2]]
            for layer in (self.ground.contrast, self.ground.lighter)
        )
        ink = lighter[contrast > 0.5 * level]
        return -float(np.median(ink if len(ink) else lighter))

    def take_apart(
        self, piece: Piece, depth: int, whole: Candidate | None = None
    ) -> list[Candidate]:
        """The candidates in a piece; rejected ones too, with the reason. ``whole`` is the
        piece as judged, where that has been done."""
        whole = whole or self.judge(piece)
        # What shows no edges at all may be many strips that hang together.
        seen = [] if whole is None else [whole]
        reason = "ragged" if whole is None else whole.shape.reason
        if reason == "faint" or (
            reason == "small" and piece.area < limits.SMALL_SHAPE_MM2 * self.ppm**2
        ):
            return seen
        if not reason:
            parts = [] if self.one_colour(piece, whole) else self.by_colour(piece)
            if len(parts) > 1 and self.two_colours(parts, whole):
                fine = [c for c, _ in self.judge_parts(parts) if not c.shape.reason]
                if len(fine) > 1 and _neighbours_indeed(whole, fine):
                    return fine
            return [whole]
        if depth >= 2:
            return seen
        for parts in self.cuts(piece, reason == "large"):
            judged = self.judge_parts(parts, haze=False)
            if any(not c.shape.reason for c, _ in judged):
                judged += self.judge_parts(parts, haze=True)
                out = []
                for c, part in judged:
                    keep = not c.shape.reason or c.shape.reason in ("small", "faint")
                    out += [c] if keep else self.take_apart(part, depth + 1, c)
                return out
        return seen

    def cuts(self, piece: Piece, large: bool) -> Iterator[list[Piece]]:
        """Ways to cut a piece, out of haze and then the gentler first; fewer for a table or
        the like."""
        area = piece.area
        if len(parts := self.by_level(piece)) > 1:
            yield parts
        for radius_mm in (3.0,) if large else (1.5, 3.0):
            parts = self.by_bridges(piece, radius_mm)
            if len(parts) > 1 or (parts and parts[0].area < 0.97 * area):
                yield parts
        parts = self.by_colour(piece)
        if len(parts) > 1 or (parts and parts[0].area < 0.9 * area):
            yield parts
        if not large and (parts := self.by_bridges(piece, 4.5)):
            yield parts

    def one_colour(self, piece: Piece, whole: Candidate) -> bool:
        """Is the piece, but for its fringes, of one colour?"""
        if whole.shape.width_mm < 15:
            return True
        lab = self.ground.picture.lab[piece.part][::3, ::3][piece.mask[::3, ::3]]
        low, high = np.quantile(lab, [0.15, 0.85], axis=0)
        return bool(np.linalg.norm(high - low) < max(4.0, 0.12 * whole.shape.level))

    def two_colours(self, parts: list[Piece], whole: Candidate) -> bool:
        """Do two large parts differ in colour, other than by a bar that lies under them?"""
        parts = [p for p in parts if not self.over_bar(p)]
        total = sum(p.area for p in parts)
        colours = [self.colour(p) for p in parts if p.area > 0.12 * total]
        limit = max(4.0, 0.12 * whole.shape.level)
        return any(np.linalg.norm(a - b) > limit for a, b in itertools.combinations(colours, 2))

    def over_bar(self, piece: Piece) -> bool:
        """Does most of a piece lie on a printed bar?"""
        neutral = self.neutral
        return neutral is not None and bool(neutral[piece.part][piece.mask].mean() > 0.5)

    def colour(self, piece: Piece) -> np.ndarray:
        """(3,) median Lab."""
        step = max(1, int(np.sqrt(piece.mask.size / 600)))
        lab = self.ground.picture.lab[piece.part][::step, ::step]
        some = lab[piece.mask[::step, ::step]]
        if not len(some):
            some = self.ground.picture.lab[piece.part][piece.mask]
        return middle_colour(some)

    def judge_parts(self, parts: list[Piece], haze=False) -> list[tuple[Candidate, Piece]]:
        """The parts that are haze, or those that are not, judged beside all the others."""
        some = [p for p in parts if p.haze == haze]
        judged = [(self.judge(p, [o for o in parts if o is not p]), p) for p in some]
        return [(c, p) for c, p in judged if c is not None]

    def by_colour(self, piece: Piece) -> list[Piece]:
        """Cut along strong colour edges inside the piece."""
        picture = self.ground.picture
        inner = eroded(piece.mask, 1.0 * self.ppm)
        level = float(np.median(self.ground.contrast[piece.part][piece.mask]))
        limit = max(1.6 * picture.slope_limit, 0.10 * level)
        calm = inner & (picture.slope[piece.part] < limit).view(np.uint8)
        calm = cv2.morphologyEx(calm, cv2.MORPH_OPEN, disc(1.2 * self.ppm))
        return self.grouped(self.regrown(calm, piece, 2.3 * self.ppm), level)

    def by_level(self, piece: Piece) -> list[Piece]:
        """Cut out what stands out far more than what it hangs together by: haze around ink."""
        contrast = self.ground.contrast[piece.part]
        some = contrast[::2, ::2][piece.mask[::2, ::2]]
        level = float(np.quantile(some, 0.8))
        if (some > limits.STRONG_SHARE * level).mean() > 0.995:
            return []
        strong = ((contrast > limits.STRONG_SHARE * level) & piece.mask).view(np.uint8)
        strong = cv2.morphologyEx(strong, cv2.MORPH_OPEN, disc(1.2 * self.ppm))
        parts = self.regrown(strong, piece, 1.2 * self.ppm)
        if len(parts) == 1 and parts[0].area > 0.995 * piece.area:
            return []
        rest = piece.mask.copy()
        for part in parts:
            y, x = (part.corner[k] - piece.corner[k] for k in (0, 1))
            rest[y : y + part.mask.shape[0], x : x + part.mask.shape[1]] &= ~part.mask
        rest = cv2.morphologyEx(
            rest.view(np.uint8), cv2.MORPH_OPEN, disc(limits.THIN_MM * self.ppm / 2)
        )
        return parts + [replace(p, haze=True) for p in self.regrown(rest, piece, 1.0)]

    def by_bridges(self, piece: Piece, radius_mm: float) -> list[Piece]:
        """Cut off what hangs on by less than twice the radius."""
        radius = round(radius_mm * self.ppm)
        more = max(1, round(0.4 * self.ppm))
        return self.regrown(eroded(piece.mask, radius), piece, radius + more)

    def regrown(self, cores: np.ndarray, piece: Piece, radius_px: float) -> list[Piece]:
        """The separate cores, the largest first, grown back within the piece."""
        _, label, stats, _ = cv2.connectedComponentsWithStats(cores, connectivity=4)
        areas = stats[:, cv2.CC_STAT_AREA]
        floor = limits.LEAST_PART_MM2 * self.ppm**2
        keep = [k for k in np.argsort(-areas) if k and areas[k] > floor][: limits.MOST_PARTS]
        if not keep:
            return []
        table = np.zeros(len(areas), bool)
        table[keep] = True
        taken = table[label]
        m = int(radius_px) + 2
        parts = []
        for k in keep:
            x, y, w, h = stats[k, :4]
            y0, x0 = max(0, y - m), max(0, x - m)
            near = (slice(y0, y + h + m), slice(x0, x + w + m))
            own = label[near] == k
            grown = cv2.dilate(own.view(np.uint8), disc(radius_px)).view(bool)
            own |= grown & piece.mask[near] & ~taken[near]
            taken[near] |= own
            parts.append(Piece(own, (piece.corner[0] + y0, piece.corner[1] + x0)))
        return parts

    def grouped(self, parts: list[Piece], level: float) -> list[Piece]:
        """Put touching parts of one colour together again: a streak is no border."""
        if len(parts) < 2:
            return parts
        colours = [self.colour(p) for p in parts]
        group = list(range(len(parts)))
        for i, j in itertools.combinations(range(len(parts)), 2):
            if group[i] == group[j]:
                continue
            alike = np.linalg.norm(colours[i] - colours[j]) < max(4.0, 0.12 * level)
            if alike and self.touch(parts[i], parts[j]):
                group = [group[i] if g == group[j] else g for g in group]
        out = []
        for g in dict.fromkeys(group):
            members = [p for p, k in zip(parts, group, strict=True) if k == g]
            out.append(members[0] if len(members) == 1 else self.united(members))
        return out

    def touch(self, a: Piece, b: Piece) -> bool:
        """Do two pieces run along each other within 2.6 mm?"""
        m = round(1.3 * self.ppm)
        wide_a = cv2.dilate(np.pad(a.mask, m).view(np.uint8), disc(m)).view(bool)
        wide_b = cv2.dilate(np.pad(b.mask, m).view(np.uint8), disc(m)).view(bool)
        shared = shared_part(wide_a, wide_b, (b.corner[0] - a.corner[0], b.corner[1] - a.corner[1]))
        if shared is None:
            return False
        return int((wide_a[shared[0]] & wide_b[shared[1]]).sum()) > 4 * self.ppm**2

    def united(self, members: list[Piece]) -> Piece:
        """One piece of several, narrow gaps closed."""
        m = round(1.0 * self.ppm) + 1
        y0, x0 = (min(p.corner[k] for p in members) for k in (0, 1))
        y1, x1 = (max(p.corner[k] + p.mask.shape[k] for p in members) for k in (0, 1))
        union = np.zeros((y1 - y0 + 2 * m, x1 - x0 + 2 * m), bool)
        for p in members:
            paste(union, p.mask, (p.corner[0] - y0 + m, p.corner[1] - x0 + m))
        closed = cv2.morphologyEx(union.view(np.uint8), cv2.MORPH_CLOSE, disc(1.0 * self.ppm))
        return Piece(np.ascontiguousarray(closed[m:-m, m:-m]).view(bool), (y0, x0))


def _neighbours_indeed(whole: Candidate, parts: list[Candidate]) -> bool:
    """Are these neighbours that touch, rather than one uneven strip? They must run side by
    side over most of their length, fill the whole, and differ in colour clearly."""
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


@dataclass(frozen=True)
class Piece:
    """A connected mask (h, w) that begins at ``corner`` (row, column) of a ground's part;
    ``haze`` when it is only what was left of a piece without its strong parts."""

    mask: np.ndarray
    corner: tuple[int, int]
    haze: bool = False

    @property
    def area(self) -> int:
        return cv2.countNonZero(self.mask.view(np.uint8))

    @property
    def part(self) -> tuple[slice, slice]:
        return part_at(self.corner, self.mask)
