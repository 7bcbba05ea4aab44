"""Candidates: where ink stands out from each kind of paper, taken apart where shapes touch.

Two ways lead to candidates. From a paper: everything that differs from its colour, cleaned
of pencil and text. From even surfaces of strip size: each with the colour right around it
taken as its paper (for strips on scraps that hardly reach beyond them). Every candidate is
tested by ``strip_shapes``; of overlapping ones the better stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from drawdown.strip_ground import Ground, Picture, Zones, disc
from drawdown.strip_shapes import Shape, measure_shape

OPEN_MM = 3.2  # what is thinner is pencil, text or a writing line
CLOSE_MM = 0.8
MIN_AREA_MM2 = 110.0
MAX_AREA_MM2 = 26000.0


@dataclass(frozen=True)
class Candidate:
    """A shape, its pixels on the working picture and the paper it was seen on."""

    shape: Shape
    on: np.ndarray  # (h, w) bool, on the part of the picture that begins at offset
    offset: tuple[int, int]
    paper_lab: np.ndarray  # (3,)
    darker: float  # how much darker than its paper in L*
    ground: int  # index of the ground, or -1

    @property
    def on_part(self) -> tuple[slice, slice]:
        rows, columns = self.on.shape
        return (
            slice(self.offset[0], self.offset[0] + rows),
            slice(self.offset[1], self.offset[1] + columns),
        )


@dataclass(frozen=True)
class Bar:
    """A printed bar that strips may cross: its rectangle (4, 2) in mm, clockwise."""

    corners_mm: np.ndarray


def _box(mask: np.ndarray, margin: int) -> tuple[slice, slice]:
    rows = np.flatnonzero(mask.any(axis=1))
    columns = np.flatnonzero(mask.any(axis=0))
    return (
        slice(max(0, rows[0] - margin), rows[-1] + 1 + margin),
        slice(max(0, columns[0] - margin), columns[-1] + 1 + margin),
    )


def ink_mask(picture: Picture, ground: Ground) -> np.ndarray:
    """(h, w) uint8: what stands out from this paper, gaps between neighbours kept open."""
    ppm = picture.px_per_mm
    on = (ground.contrast > ground.low) & picture.usable
    # A gap whose contrast is far below that of both its sides is a gap, however dark they are.
    closed = cv2.morphologyEx(ground.contrast, cv2.MORPH_CLOSE, disc(1.3 * ppm))
    on &= ground.contrast > 0.4 * closed
    on &= ~picture.printed
    mask = on.astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(CLOSE_MM * ppm / 2))
    if picture.printed.any():
        # Thin printing under ink: what is ink on both sides is ink.
        across = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2.0 * ppm))
        mask |= across & picture.printed.view(np.uint8)
    return mask


def bridge_bars(picture: Picture, ground: Ground, mask: np.ndarray, bars: list[Bar]) -> np.ndarray:
    """Join the two halves of a strip that runs across a printed bar: where ink of the same
    colour lies on both sides of the bar, the bar between counts as ink."""
    ppm = picture.px_per_mm
    for bar in bars:
        corners = picture.to_px(bar.corners_mm)
        along, down = corners[1] - corners[0], corners[3] - corners[0]
        length, height = np.linalg.norm(along), np.linalg.norm(down)
        along, down = along / length, down / height
        n = int(length)
        t = np.arange(n) + 0.5
        sides = []
        for position, sign in ((0.0, -1.0), (height, 1.0)):
            on, colour = [], []
            for depth in (1.2, 1.8, 2.4, 3.0):
                p = corners[0] + t[:, None] * along + down * (position + sign * depth * ppm)
                x = np.clip(np.round(p[:, 0]).astype(int), 0, mask.shape[1] - 1)
                y = np.clip(np.round(p[:, 1]).astype(int), 0, mask.shape[0] - 1)
                on.append(mask[y, x])
                colour.append(picture.lab[y, x])
            sides.append((np.mean(on, axis=0), np.median(colour, axis=0)))
        gap = np.linalg.norm(sides[0][1] - sides[1][1], axis=1)
        both = (sides[0][0] >= 0.5) & (sides[1][0] >= 0.5) & (gap < 12.0)
        both = cv2.morphologyEx(
            both.astype(np.uint8)[None], cv2.MORPH_OPEN, np.ones((1, int(4 * ppm)), np.uint8)
        )[0]
        edges = np.flatnonzero(np.diff(np.r_[0, both, 0]))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            quad = [
                corners[0] + along * a - down * 1.6 * ppm,
                corners[0] + along * b - down * 1.6 * ppm,
                corners[0] + along * b + down * (height + 1.6 * ppm),
                corners[0] + along * a + down * (height + 1.6 * ppm),
            ]
            cv2.fillPoly(mask, [np.round(np.array(quad) * 16).astype(np.int32)], 1, shift=4)
    return mask


def find_bars(picture: Picture, ground: Ground) -> list[Bar]:
    """Unknown printed bars: long, black, straight, with other things on both long sides at
    some places and paper at others."""
    ppm = picture.px_per_mm
    lab = picture.lab
    black = (lab[..., 0] < 34) & (np.abs(lab[..., 1]) + np.abs(lab[..., 2]) < 20) & picture.usable
    mask = cv2.morphologyEx(black.astype(np.uint8), cv2.MORPH_OPEN, disc(1.8 * ppm))
    count, label, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    bars = []
    for k in range(1, count):
        x, y, w, h, area = stats[k]
        if area < 200 * ppm**2 or max(w, h) < 50 * ppm:
            continue
        blob = (label[y : y + h, x : x + w] == k).astype(np.uint8)
        rect = cv2.minAreaRect(cv2.convexHull(cv2.findNonZero(blob)))
        long, short = max(rect[1]), min(rect[1])
        if short < 4 * ppm or short > 24 * ppm or long < 3 * short or area < 0.8 * long * short:
            continue
        corners = cv2.boxPoints(rect) + np.array([x, y])
        if np.linalg.norm(corners[1] - corners[0]) < np.linalg.norm(corners[3] - corners[0]):
            corners = np.roll(corners, -1, axis=0)
        corners_mm = picture.to_mm(corners)
        if _crossed(picture, ground, corners):
            bars.append(Bar(corners_mm))
    return bars


def _crossed(picture: Picture, ground: Ground, corners: np.ndarray) -> bool:
    ppm = picture.px_per_mm
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    length, height = np.linalg.norm(along), np.linalg.norm(down)
    along, down = along / length, down / height
    t = np.arange(int(length)) + 0.5
    sides = []
    for position, sign in ((0.0, -1.0), (height, 1.0)):
        p = corners[0] + t[:, None] * along + down * (position + sign * 2.0 * ppm)
        x = np.clip(np.round(p[:, 0]).astype(int), 0, picture.lab.shape[1] - 1)
        y = np.clip(np.round(p[:, 1]).astype(int), 0, picture.lab.shape[0] - 1)
        sides.append(ground.contrast[y, x] > ground.low)
    both = sides[0] & sides[1]
    share = both.mean()
    agree = (sides[0] == sides[1]).mean()
    return 0.08 < share < 0.95 and agree > 0.6


def shapes_on_ground(
    picture: Picture, ground: Ground, index: int, bars: list[Bar], framed: bool, blur_mm: float
) -> list[Candidate]:
    """All shapes that stand out from one paper, judged, taken apart where they touch."""
    mask = bridge_bars(picture, ground, ink_mask(picture, ground), bars)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(OPEN_MM * picture.px_per_mm / 2))
    count, label, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    out: list[Candidate] = []
    ppm2 = picture.px_per_mm**2
    for k in range(1, count):
        x, y, w, h, area = stats[k]
        if area < MIN_AREA_MM2 * ppm2:
            continue
        m = 4
        part = (
            slice(max(0, y - m), min(label.shape[0], y + h + m)),
            slice(max(0, x - m), min(label.shape[1], x + w + m)),
        )
        blob = label[part] == k
        if area > MAX_AREA_MM2 * ppm2 and not _near(blob, ground.member[part]):
            continue
        blob = _filled(blob)
        work = _Work(picture, ground, part, index, framed, blur_mm)
        out += work.take_apart(blob, depth=0)
    return out


def _near(blob: np.ndarray, member: np.ndarray) -> bool:
    """Does this ground take part in the blob's surroundings to any extent?"""
    return member.mean() > 0.02


def _filled(blob: np.ndarray) -> np.ndarray:
    """Fill holes up to 40 pixels: streaks that show paper inside the ink."""
    _, label, stats, _ = cv2.connectedComponentsWithStats((~blob).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < 60
    small[0] = False
    return blob | small[label]


class _Work:
    """One blob on one ground, and the ways to take it apart."""

    def __init__(self, picture, ground, part, index, framed, blur_mm):
        self.picture, self.ground, self.part = picture, ground, part
        self.index, self.framed, self.blur_mm = index, framed, blur_mm
        self.offset = (part[0].start, part[1].start)
        self.contrast = np.ascontiguousarray(ground.contrast[part])
        self.paper = np.ascontiguousarray(ground.member[part])

    def judge(self, blob: np.ndarray, neighbours=None) -> Candidate | None:
        box = _box(blob, 20)
        sub = (
            slice(self.part[0].start + box[0].start, self.part[0].start + box[0].stop),
            slice(self.part[1].start + box[1].start, self.part[1].start + box[1].stop),
        )
        shape_rows, shape_columns = self.picture.usable.shape
        sub = (
            slice(max(0, sub[0].start), min(shape_rows, sub[0].stop)),
            slice(max(0, sub[1].start), min(shape_columns, sub[1].stop)),
        )
        on = np.zeros((sub[0].stop - sub[0].start, sub[1].stop - sub[1].start), bool)
        beside = np.zeros_like(on)
        y0, x0 = self.offset[0] - sub[0].start, self.offset[1] - sub[1].start
        _paste(on, blob, y0, x0)
        if neighbours is not None:
            _paste(beside, neighbours, y0, x0)
        # Beyond the blob's own box the ground is still needed: cut afresh.
        offset = (sub[0].start, sub[1].start)
        contrast = np.ascontiguousarray(self.ground.contrast[sub])
        paper = np.ascontiguousarray(self.ground.member[sub])
        shape = measure_shape(
            self.picture,
            on,
            contrast,
            paper,
            self.ground.low,
            offset,
            beside,
            self.framed,
            self.blur_mm,
        )
        if shape is None:
            return None
        ink = on & (contrast > 0.5 * shape.level)
        if not ink.any():
            ink = on
        darker = float(np.median(self.ground.darker[sub][ink]))
        paper_lab = shape.lab.copy()
        paper_lab[0] += darker
        return Candidate(shape, on, offset, paper_lab, darker, self.index)

    def take_apart(self, blob: np.ndarray, depth: int) -> list[Candidate]:
        whole = self.judge(blob)
        if whole is None:
            return []
        good = not whole.shape.reason
        if good or depth < 2:
            parts = self.by_colour(blob)
            if len(parts) > 1:
                judged = self.judge_parts(parts)
                fine = [c for c in judged if not c.shape.reason]
                if good and len(fine) > 1 and self.neighbours_indeed(whole, fine):
                    return fine
                if not good and fine:
                    return self.rest(judged, depth)
        if good:
            return [whole]
        if depth >= 2 or whole.shape.reason in ("small", "faint", "soft"):
            return [whole]
        for radius_mm in (1.5, 3.0, 4.5):
            parts = self.by_bridges(blob, radius_mm)
            if not parts or (len(parts) == 1 and parts[0].sum() > 0.97 * blob.sum()):
                continue
            judged = [self.judge(p) for p in parts]
            judged = [c for c in judged if c is not None]
            if any(not c.shape.reason for c in judged):
                out = []
                for p, c in zip(parts, [self.judge(p) for p in parts], strict=True):
                    if c is None:
                        continue
                    out += [c] if not c.shape.reason else self.take_apart(p, depth + 1)
                return out
        return [whole]

    def judge_parts(self, parts: list[np.ndarray]) -> list[Candidate]:
        union = np.any(parts, axis=0)
        judged = [self.judge(p, union & ~cv2.dilate(p.view(np.uint8), disc(1)).astype(bool))
                  for p in parts]  # fmt: skip
        return [c for c in judged if c is not None]

    def rest(self, judged: list[Candidate], depth: int) -> list[Candidate]:
        out = []
        for c in judged:
            if not c.shape.reason or depth >= 1:
                out.append(c)
                continue
            blob = np.zeros(self.contrast.shape, bool)
            _paste(blob, c.on, c.offset[0] - self.offset[0], c.offset[1] - self.offset[1])
            out += self.take_apart(blob, depth + 1) if blob.any() else [c]
        return out

    def neighbours_indeed(self, whole: Candidate, parts: list[Candidate]) -> bool:
        """Are these neighbours that touch, rather than one uneven strip? They must run side
        by side over most of their length, fill the whole, and differ in colour clearly."""
        area = sum(c.shape.width_mm * c.shape.length_mm for c in parts)
        if area < 0.8 * whole.shape.width_mm * whole.shape.length_mm:
            return False
        labs = np.array([c.shape.lab for c in parts])
        apart = np.linalg.norm(labs[:, None] - labs[None], axis=2)
        apart[np.eye(len(parts), dtype=bool)] = np.inf
        if apart.min() < max(4.0, 0.12 * whole.shape.level):
            return False
        axis = parts[0].shape.axis
        if any(abs(axis @ c.shape.axis) < 0.97 for c in parts):
            return False
        lengths = [c.shape.length_mm for c in parts]
        side = np.array([axis[1], -axis[0]])
        across = np.sort([c.shape.centre_mm @ side for c in parts])
        return min(lengths) > 0.6 * max(lengths) and np.diff(across).min() > 6.0

    def by_colour(self, blob: np.ndarray) -> list[np.ndarray]:
        """Cut along strong colour edges inside the blob."""
        ppm = self.picture.px_per_mm
        slope = self.picture.slope[self.part]
        inner = cv2.erode(blob.view(np.uint8), disc(1.0 * ppm), borderValue=0)
        level = float(np.median(self.contrast[blob]))
        limit = max(1.6 * self.picture.slope_limit, 0.10 * level)
        calm = inner & (slope < limit).astype(np.uint8)
        calm = cv2.morphologyEx(calm, cv2.MORPH_OPEN, disc(1.2 * ppm))
        return self.regrown(calm, blob, 1.8 * ppm)

    def by_bridges(self, blob: np.ndarray, radius_mm: float) -> list[np.ndarray]:
        """Cut off what hangs on by less than twice the radius."""
        ppm = self.picture.px_per_mm
        core = cv2.erode(blob.view(np.uint8), disc(radius_mm * ppm), borderValue=0)
        return self.regrown(core, blob, (radius_mm + 0.4) * ppm)

    def regrown(self, cores: np.ndarray, blob: np.ndarray, radius_px: float) -> list[np.ndarray]:
        count, label, stats, _ = cv2.connectedComponentsWithStats(cores, connectivity=4)
        floor = 40 * self.picture.px_per_mm**2
        keep = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > floor]
        keep = sorted(keep, key=lambda k: -stats[k, cv2.CC_STAT_AREA])[:16]
        parts = []
        taken = np.zeros(blob.shape, bool)
        for k in keep:
            taken |= label == k
        for k in keep:
            own = label == k
            grown = cv2.dilate(own.view(np.uint8), disc(radius_px)).astype(bool) & blob
            part = own | (grown & ~taken)
            taken |= part
            parts.append(part)
        return parts


def _paste(target: np.ndarray, source: np.ndarray, y0: int, x0: int) -> None:
    """OR ``source`` into ``target`` with its corner at (y0, x0), clipped."""
    a0, b0 = max(0, y0), max(0, x0)
    a1 = min(target.shape[0], y0 + source.shape[0])
    b1 = min(target.shape[1], x0 + source.shape[1])
    if a1 > a0 and b1 > b0:
        target[a0:a1, b0:b1] |= source[a0 - y0 : a1 - y0, b0 - x0 : b1 - x0]


def shapes_from_zones(
    picture: Picture, zones: Zones, done: np.ndarray, framed: bool, blur_mm: float
) -> list[Candidate]:
    """Even surfaces of strip size with the colour right around them as their paper.
    ``done`` (h, w) marks places that already hold an accepted strip."""
    ppm = picture.px_per_mm
    out: list[Candidate] = []
    sizes = np.flatnonzero((zones.area_mm2 > MIN_AREA_MM2) & (zones.area_mm2 < 9000.0))
    for k in sorted(sizes, key=lambda k: -zones.area_mm2[k])[:40]:
        x, y, w, h = zones.box[k]
        m = round(6 * ppm)
        part = (
            slice(max(0, y - m), min(picture.usable.shape[0], y + h + m)),
            slice(max(0, x - m), min(picture.usable.shape[1], x + w + m)),
        )
        zone = zones.label[part] == k
        if done[part][zone].mean() > 0.2:
            continue
        solid = cv2.morphologyEx(
            zone.astype(np.uint8), cv2.MORPH_CLOSE, disc(1.0 * ppm), borderValue=0
        )
        solid = cv2.dilate(solid, disc(1.1 * ppm))
        rect = cv2.minAreaRect(cv2.convexHull(cv2.findNonZero(solid)))
        if min(rect[1]) < 7 * ppm or solid.sum() < 0.6 * rect[1][0] * rect[1][1]:
            continue
        ring = (cv2.dilate(solid, disc(2.2 * ppm)) > 0) & (solid == 0) & picture.usable[part]
        if ring.sum() < 40:
            continue
        lab = picture.lab[part]
        around = lab[ring]
        inside = np.median(lab[zone], axis=0)
        light = around[around[:, 0] >= np.quantile(around[:, 0], 0.6)]
        paper = np.median(light, axis=0)
        if paper[0] < max(inside[0], 38.0) and inside[0] - paper[0] > 0.5:
            continue  # lighter than what lies around it: a piece of paper, not ink on paper
        contrast = np.ascontiguousarray(np.linalg.norm(lab - paper, axis=2).astype(np.float32))
        level = float(np.median(contrast[zone]))
        noise = float(np.quantile(np.linalg.norm(light - paper, axis=1), 0.7))
        low = float(np.clip(1.3 * noise, 1.3, 4.0))
        if level < 2.5:
            continue
        on = (contrast > max(low, 0.45 * level)) & (cv2.dilate(solid, disc(1.5 * ppm)) > 0)
        on &= picture.usable[part]
        on8 = cv2.morphologyEx(on.astype(np.uint8), cv2.MORPH_OPEN, disc(1.6 * ppm))
        count, label, stats, _ = cv2.connectedComponentsWithStats(on8, connectivity=4)
        if count < 2:
            continue
        biggest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
        on = _filled(label == biggest)
        offset = (part[0].start, part[1].start)
        near_paper = contrast < low
        shape = measure_shape(picture, on, contrast, near_paper, low, offset, None, framed, blur_mm)
        if shape is None:
            continue
        out.append(Candidate(shape, on, offset, paper, float(paper[0] - inside[0]), -1))
    return out


def overlap(a: Candidate, b: Candidate) -> float:
    """Shared pixels over those of the smaller one."""
    rows = slice(max(a.offset[0], b.offset[0]),
                 min(a.offset[0] + a.on.shape[0], b.offset[0] + b.on.shape[0]))  # fmt: skip
    columns = slice(max(a.offset[1], b.offset[1]),
                    min(a.offset[1] + a.on.shape[1], b.offset[1] + b.on.shape[1]))  # fmt: skip
    if rows.stop <= rows.start or columns.stop <= columns.start:
        return 0.0

    def cut(c):
        return c.on[
            rows.start - c.offset[0] : rows.stop - c.offset[0],
            columns.start - c.offset[1] : columns.stop - c.offset[1],
        ]

    return float((cut(a) & cut(b)).sum() / max(1, min(a.on.sum(), b.on.sum())))


def with_reason(candidate: Candidate, reason: str) -> Candidate:
    """The same candidate, rejected."""
    return replace(candidate, shape=replace(candidate.shape, reason=reason))
