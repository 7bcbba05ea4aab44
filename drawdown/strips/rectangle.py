"""A shape turned upright: its edges, what lies beyond them, and how even it is along the pull."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.working_picture import lengths, stretches

STEP_MM = 0.5
MARGIN_MM = 7.0


def middle_of(values: np.ndarray) -> float:
    """The median of a short array; np.median takes ten times as long for its checks."""
    k = len(values) // 2
    return float(np.partition(values, k)[k])


def middle_colour(lab: np.ndarray) -> np.ndarray:
    """(3,) median of a few colours (n, 3)."""
    k = len(lab) // 2
    return np.partition(lab, k, axis=0)[k].astype(float)


def robust_lines(x: np.ndarray, y: np.ndarray, scale: float) -> np.ndarray:
    """Slopes and offsets (m, 2) of lines through most of the points of m edges that share
    their x (n,), which rises; ``y`` (m, n)."""
    n = len(x)
    if n < 4:
        return np.array([(0.0, middle_of(row) if n else 0.0) for row in y])
    third = max(n // 3, 2)
    dx = x[n - third :].mean() - x[:third].mean()
    k = third // 2
    ends = np.partition(y[:, n - third :], k)[:, k] - np.partition(y[:, :third], k)[:, k]
    slope = ends / dx if dx else np.zeros(len(y))
    level = y - slope[:, None] * x
    offset = np.partition(level, n // 2)[:, n // 2]
    # Weighted least squares with Cauchy weights; x from its middle, for exactness.
    middle = x[n // 2]
    x = x - middle
    offset = offset + slope * middle
    powers = np.stack([np.ones(n), x, x * x], axis=1)
    for _ in range(4):
        miss = y - slope[:, None] * x
        miss -= offset[:, None]
        w = 1 / (1 + miss * miss * (1 / scale**2))
        s0, s1, s2 = (w @ powers).T
        t0, t1, _ = ((w * y) @ powers).T
        slope = (s0 * t1 - s1 * t0) / np.maximum(s0 * s2 - s1 * s1, 1e-9)
        offset = (t0 - slope * s1) / s0
    return np.stack([slope, offset - slope * middle], axis=1)


# Bits of ``Upright.flags``, and of the layer it is turned from.
ON, USABLE, INSIDE, BESIDE = 1, 2, 4, 8


@dataclass(frozen=True)
class Upright:
    """A shape turned upright: rows along its long side, columns across; 0.5 mm per sample.
    ``on`` and ``flags`` are uint8; ``to_px`` (2, 3) leads from a sample (column, row, 1) to a
    pixel of ``lab``, the part of the picture it was turned from."""

    on: np.ndarray
    contrast: np.ndarray
    flags: np.ndarray
    lab: np.ndarray
    to_px: np.ndarray

    def has(self, bit: int) -> np.ndarray:
        """(rows, columns) bool: samples with one of the flags."""
        return (self.flags & bit) > 0

    def colours(self, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """(n, 3) Lab at some samples."""
        m = self.to_px
        x = np.rint(m[0, 0] * columns + m[0, 1] * rows + m[0, 2]).astype(int)
        y = np.rint(m[1, 0] * columns + m[1, 1] * rows + m[1, 2]).astype(int)
        h, w = self.lab.shape[:2]
        return self.lab[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)]

    def lab_of(self, rows: slice, columns: slice) -> np.ndarray:
        """(h, w, 3) Lab of some rows and columns."""
        matrix = self.to_px.copy()
        matrix[:, 2] += matrix[:, :2] @ (columns.start, rows.start)
        size = (columns.stop - columns.start, rows.stop - rows.start)
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(self.lab, matrix, size, flags=how)


def turn_upright(layers: dict, centre_px, axis, length_px, width_px, step_px) -> Upright:
    """Turn ``layers`` ("flags", "contrast", "lab" of one part of the picture) so that
    ``axis`` points down the rows."""
    rows = round((length_px + 2 * MARGIN_MM / STEP_MM * step_px) / step_px)
    columns = round((width_px + 2 * MARGIN_MM / STEP_MM * step_px) / step_px)
    across = np.array([axis[1], -axis[0]])
    # axis (0, 1) is down, so across must be (1, 0): to the right
    start = centre_px - axis * step_px * (rows - 1) / 2 - across * step_px * (columns - 1) / 2
    matrix = np.stack([across * step_px, axis * step_px, start], axis=1)

    def warp(a, how):
        return cv2.warpAffine(a, matrix, (columns, rows), flags=how | cv2.WARP_INVERSE_MAP)

    flags = warp(layers["flags"], cv2.INTER_NEAREST)
    contrast = warp(layers["contrast"], cv2.INTER_LINEAR)
    return Upright(flags & ON, contrast, flags, layers["lab"], matrix)


@dataclass(frozen=True)
class Edges:
    """The long edges: per row the first and last column of ink, the lines (slope, offset)
    through them, and what the shape between them is like."""

    first: int
    last: int
    left: np.ndarray
    right: np.ndarray
    left_line: tuple[float, float]
    right_line: tuple[float, float]
    straight: float
    fill: float
    split_mm: float  # width of the widest gap that runs along most of the shape

    @property
    def slope(self) -> float:
        return (self.left_line[0] + self.right_line[0]) / 2


def without_fringe(up: Upright, low: float) -> np.ndarray:
    """The shape's pixels (rows, columns) uint8 without what hangs on at its flanks: a pencil
    or lane line beside the ink, or blur. Ink is at least a third as far from paper as the
    middle of the strip is at that place along the pull."""
    columns = up.on.shape[1]
    margin = round(MARGIN_MM / STEP_MM)
    width = columns - 2 * margin
    a, b = margin + int(0.3 * width), max(columns - margin - int(0.3 * width), margin + 3)
    k = (b - a) // 2
    level = np.partition(up.contrast[:, a:b], k, axis=1)[:, k]
    level = cv2.blur(level[:, None], (1, 9))
    on = up.on & (up.contrast > np.maximum(0.33 * level, low)).view(np.uint8)
    return cv2.morphologyEx(on, cv2.MORPH_OPEN, np.ones((1, 5), np.uint8))


def _sums(mask: np.ndarray, axis: int) -> np.ndarray:
    """Sums of a uint8 mask along an axis (0 or 1); numpy takes ten times as long."""
    return cv2.reduce(mask, axis, cv2.REDUCE_SUM, dtype=cv2.CV_32S).ravel()


def find_edges(up: Upright) -> Edges | None:
    """The long edges, as seen row by row, and the lines through them."""
    on = up.on
    count, columns = on.shape
    rows = np.flatnonzero(cv2.reduce(on, 1, cv2.REDUCE_MAX).ravel())
    if len(rows) < 8:
        return None
    ink = on.view(bool)
    left = ink.argmax(axis=1)
    right = columns - 1 - ink[:, ::-1].argmax(axis=1)
    extent = right - left + 1.0
    typical = middle_of(extent[rows])
    full = rows[extent[rows] > 0.7 * typical]
    # Across a printed bar nothing tells the edges of the ink.
    a, b = columns // 3, max(2 * columns // 3, columns // 3 + 1)
    beside = up.flags[:, a:b] & BESIDE
    if beside.any():
        full = full[_sums(beside[full], 1) <= 0.3 * BESIDE * (b - a)]
    if len(full) < 6:
        return None
    # The lines rest on the middle of the strip, away from bead and ragged end.
    trim = round(0.06 * len(full))
    middle = full[trim : len(full) - trim]
    tolerance = limits.STRAIGHT_MM / STEP_MM
    seen = np.stack([left[middle], right[middle]]).astype(float)
    # Every second or third row is enough for a line.
    step = max(1, len(middle) // 50)
    lines = robust_lines(middle[::step].astype(float), seen[:, ::step], tolerance)
    miss = np.abs(seen - lines[:, :1] * middle - lines[:, 1:])
    straight = float((miss <= tolerance).mean(axis=1).min())
    # How much of the rectangle between the lines is ink, row by row.
    column = np.arange(columns, dtype=np.float32)
    every = np.arange(count)
    (a, b) = (lines[:, :1] * every + lines[:, 1:]).astype(np.float32)
    between = ((column >= a[:, None] - 0.5) & (column <= b[:, None] + 0.5)).view(np.uint8)
    within = on & between
    cover = _sums(within, 1) / np.maximum(_sums(between, 1), 1)
    cover = np.convolve(cover, np.full(5, 0.2), mode="same")
    # From the fullest part outwards to where hardly any ink is left: a word of pencil right
    # below the strip does not belong to it.
    bare = np.flatnonzero(cover < 0.3)
    middle_row = int(full[len(full) // 2])
    at = int(np.searchsorted(bare, middle_row))
    if at < len(bare) and bare[at] == middle_row:
        return None
    first = int(bare[at - 1]) + 1 if at else 0
    last = int(bare[at]) - 1 if at < len(bare) else count - 1
    if last - first < 6:
        return None
    along = slice(first, last + 1)
    fill, gap = float(cover[along].mean()), _widest_gap(within[along], between[along])
    left_line, right_line = ((float(slope), float(start)) for slope, start in lines)
    return Edges(first, last, left, right, left_line, right_line, straight, fill, gap)


def _widest_gap(within: np.ndarray, between: np.ndarray) -> float:
    """Width in mm of the widest gap along most of the shape, away from its edges: two strips
    side by side show one, a strip with a streak a narrow one at most."""
    count = len(within)
    inside = np.flatnonzero(_sums(between, 0) > 0.9 * count)[3:-3]
    if not len(inside):
        return 0.0
    bare = _sums(within, 0)[inside] < 0.4 * count
    if not bare.any():
        return 0.0
    return max(b - a for a, b in stretches(bare)) * STEP_MM


def _rise(profile: np.ndarray, edge: int) -> float:
    """20-80 % width in mm of an edge profile that climbs from paper (before ``edge``) to ink.
    It starts at the paper nearest to the ink, so that a neighbour beyond does not matter."""
    outer = profile[: edge + 1]
    low = float(outer.min())
    first = int(np.flatnonzero(outer <= low + 0.04 * (profile.max() - low))[-1])
    profile = profile[first:]
    high = float(np.sort(profile)[round(0.85 * (len(profile) - 1))])
    if high - low < 1e-3:
        return 9.0
    p = np.maximum.accumulate((profile - low) / (high - low))
    i20, i80 = int((p >= 0.2).argmax()), int((p >= 0.8).argmax())

    def at(level, i):
        if i == 0:
            return 0.0
        return i - 1 + (level - p[i - 1]) / max(p[i] - p[i - 1], 1e-6)

    return float((at(0.8, i80) - at(0.2, i20)) * STEP_MM)


def look_beside(up: Upright, rows: np.ndarray, edge: np.ndarray, sign: int, limit: float):
    """What lies beyond one long edge: share of rows with paper, out of the photo, blocked by
    the card, and the edge's rise in mm."""
    reach = round(limits.PAPER_WITHIN_MM / STEP_MM)
    # From 8 samples outside the edge to 8 inside; then the paper's reach, from the edge out.
    columns = edge[:, None] + np.arange(-8, 9) * -sign
    np.clip(columns, 0, up.on.shape[1] - 1, out=columns)
    outside = slice(7, 6 - reach, -1)
    near = columns[:, outside]
    r = rows[:, None]
    contrast, flags = up.contrast[r, columns], up.flags[r, near]
    usable = flags & USABLE
    bare = ((contrast[:, outside] < limit) & (usable > 0)).any(axis=1)
    beside = (flags & BESIDE).any(axis=1)
    out = ~(flags[:, 1:3] & INSIDE).any(axis=1)
    blocked = ~usable[:, 1:3].any(axis=1) & ~out
    n = len(rows)
    paper = np.count_nonzero(bare | beside) / n
    rise = 0.0
    if paper >= limits.PAPER_SHARE:
        seen = bare & ~beside & (up.flags[r, columns[:, 2:]] & USABLE).all(axis=1)
        if np.count_nonzero(seen) >= 5:
            k = np.count_nonzero(seen) // 2
            rise = _rise(np.partition(contrast[seen], k, axis=0)[k], 8)
    return paper, np.count_nonzero(out) / n, np.count_nonzero(blocked) / n, rise


def look_beyond(up: Upright, e: Edges, at_start: bool, limit: float, level: float) -> str:
    """What lies beyond one end: "paper", "out", "card", "same" (it goes on) or "other"."""
    n = round(4.0 / STEP_MM)
    count, columns = up.on.shape
    if at_start:
        rows = slice(max(0, e.first - n), max(1, e.first - 1))
        inner = slice(e.first, min(e.first + n, count))
    else:
        rows = slice(min(e.last + 2, count - 1), min(e.last + 1 + n, count))
        inner = slice(max(0, e.last - n), e.last + 1)
    at = (rows.start + rows.stop - 1) / 2
    a = int(max(0, round(e.left_line[0] * at + e.left_line[1] + 2)))
    b = int(min(columns, round(e.right_line[0] * at + e.right_line[1] - 1)))
    if b <= a:
        return "other"
    flags = up.flags[rows, a:b]
    if ((flags & BESIDE) > 0).mean() > 0.5:
        return "other"  # a printed bar, or a neighbour
    usable = (flags & USABLE) > 0
    paper = ((up.contrast[rows, a:b] < limit) & usable).any(axis=0).mean()
    if paper >= 0.5:
        return "paper"
    if ((flags & INSIDE) == 0).mean() > 0.5:
        return "out"
    if usable.mean() <= 0.5:
        return "card"
    beyond = up.lab_of(rows, slice(a, b))[usable]
    within = up.lab_of(inner, slice(a, b)).reshape(-1, 3)
    off = np.linalg.norm(middle_colour(beyond) - middle_colour(within))
    return "same" if off < max(3.0, 0.15 * level) else "other"


def texture_of(up: Upright, e: Edges) -> float:
    """How much the inside changes over a few mm along the pull (robust, colour distance), in
    the band of the strip where it does so most: a ruler has its ticks on one side."""
    span = slice(e.first, e.last + 1)
    k = (e.last - e.first) // 8
    a = int(np.partition(e.left[span], k)[k]) + 3
    b = int(np.partition(e.right[span], -k - 1)[-k - 1]) - 2
    rows = slice(e.first + 5, max(e.last - 4, e.first + 6))
    columns = slice(a, max(b, a + 1))
    if rows.stop - rows.start < 14 or columns.stop - a < 5:
        return 0.0
    lab = up.lab_of(rows, columns)
    off = lab - cv2.blur(lab, (1, 13))
    busy_rows = int(0.3 * len(off))  # that many the thick start and the ragged end may take
    # Where a printed bar lies under the ink, nothing can be said.
    beside = up.flags[rows, columns] & BESIDE
    if beside.any():
        bar = _sums(beside, 1) > 0.3 * BESIDE * beside.shape[1]
        clear = cv2.dilate(bar.view(np.uint8)[:, None], np.ones((15, 1), np.uint8))[:, 0] == 0
        if clear.sum() < 12:
            return 0.0
        off = off[clear]
    size = lengths(off)
    k = max(len(size) - 1 - busy_rows, len(size) // 4)
    busy = np.partition(size, k, axis=0)[k]
    band = min(4, len(busy))
    return float(np.convolve(busy, np.ones(band) / band, "valid").max())


def bordered(up: Upright, e: Edges, low: float) -> bool:
    """Is the shape a piece of paper with something on it? Along both long edges, just inside,
    it is then lighter than what it lies on, and unlike its own middle. Ink is not."""
    n = e.last - e.first + 1
    rows = np.arange(e.first + n // 8, e.last + 1 - n // 8)
    columns = up.on.shape[1]
    lines = [np.rint(line[0] * rows + line[1]).astype(int) for line in (e.left_line, e.right_line)]
    middle = middle_colour(up.colours(rows, (lines[0] + lines[1]) // 2))
    for edge, inward in zip(lines, (1, -1), strict=True):
        beyond, within = (
            middle_colour(up.colours(rows, np.clip(edge + inward * k, 0, columns - 1)))
            for k in (-3, 4)
        )
        if within[0] - beyond[0] < max(1.0, 0.8 * low):
            return False
        if np.linalg.norm(within - middle) < 2 * low:
            return False
    return True


def relief_of(up: Upright, e: Edges) -> tuple[float, float]:
    """Signs of a thing that is no flat film: how much darker (L*) the flanks are than the
    middle, as of something round; and by how many mm the edges bulge outwards."""
    n = e.last - e.first + 1
    rows = np.arange(e.first + n // 8, e.last + 1 - n // 8)
    columns = up.on.shape[1]
    left, right = (np.rint(k * rows + c).astype(int) for k, c in (e.left_line, e.right_line))
    clear = (up.flags[rows, np.clip((left + right) // 2, 0, columns - 1)] & BESIDE) == 0
    if np.count_nonzero(clear) < 8:
        return 0.0, 0.0
    rows, left, right = rows[clear], left[clear], right[clear]
    light = []
    for share in (0.2, 0.5, 0.8):
        at = np.rint(left + share * (right - left)).astype(int)
        light.append(middle_colour(up.colours(rows, np.clip(at, 0, columns - 1)))[0])
    bulge = 0.0
    for seen, line, sign in ((e.left, e.left_line, -1), (e.right, e.right_line, 1)):
        off = (seen[rows] - line[0] * rows - line[1]) * STEP_MM
        ok = np.abs(off) < 3
        if np.count_nonzero(ok) > 10:
            x = (rows[ok] - rows[0]) / max(rows[-1] - rows[0], 1) * 2 - 1
            bulge -= sign * float(np.polyfit(x, off[ok], 2)[0])
    return light[1] - (light[0] + light[2]) / 2, bulge
