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


@dataclass(frozen=True)
class Bar:
    """A printed bar that strips may cross: its rectangle (4, 2) in mm, clockwise, the long
    side first."""

    corners_mm: np.ndarray


def _covered(picture: Picture, corners: np.ndarray) -> np.ndarray:
    """(n,) True where something lighter or coloured lies on a bar, pixel by pixel along it."""
    height = float(np.linalg.norm(corners[3] - corners[0]))
    shape = picture.usable.shape
    colours = []
    for share in (0.3, 0.5, 0.7):
        y, x = _beside(shape, corners, -share * height)[0]
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
        both &= (dot > 0.7 * size) | pale
        # Opaque ink shows on the bar itself, even where it runs out right behind.
        both |= _covered(picture, corners) & (np.maximum(*(np.mean(o, axis=0) for o in on)) >= 0.5)
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


def find_bars(ground: Ground) -> list[Bar]:
    """Unknown printed bars: black, straight, crossed by strips. Ink that covers leaves only
    pieces of the bar in sight; ink that does not shows one long bar."""
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
            hull = cv2.convexHull(cv2.findNonZero(blob))
            at = np.array([x, y])
            if area > 0.85 * cv2.contourArea(hull):
                pieces.append(hull[:, 0].astype(float) + at)
            elif 300 * ppm**2 < area < 9000 * ppm**2 and max(w, h) < 320 * ppm:
                pieces += [p + at for p in _straight_runs(blob, ppm)]
    pieces = sorted(pieces, key=lambda p: -cv2.contourArea(p.astype(np.float32)))[:14]
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


def _on_paper(ground: Ground, label: np.ndarray, k: int, box) -> bool:
    """Is there paper around a black piece, on more than one side?"""
    m = round(2.5 * ground.picture.px_per_mm)
    x, y, w, h = box[:4]
    part = (slice(max(0, y - m), y + h + m), slice(max(0, x - m), x + w + m))
    wide = cv2.dilate((label[part] == k).view(np.uint8), disc(m)) > 0
    ring = wide & (label[part] != k)
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
    if (contrast[y, x] > ground.low).mean() < 0.93:
        return None
    if length > 110 * ppm and length > 8 * height:
        return float(length), corners  # no strip is as long and narrow as that
    # A strip crosses where the same 7 mm or more are ink on both sides; between strips there
    # is paper on both sides.
    ink = np.ones((2, len(_beside(contrast.shape, corners, 0.0)[0][0])), bool)
    for depth in (2.0, 3.5):
        for side, (y, x) in enumerate(_beside(contrast.shape, corners, depth * ppm)):
            ink[side] &= contrast[y, x] > max(1.5 * ground.low, 3.0)
    both = (ink[0] & ink[1]).astype(np.uint8)[None]
    crossed = cv2.morphologyEx(both, cv2.MORPH_OPEN, np.ones((1, int(7 * ppm)), np.uint8))
    if crossed.any() and both.mean() < 0.95 and (ink[0] == ink[1]).mean() > 0.6:
        return float(length), corners
    return None
