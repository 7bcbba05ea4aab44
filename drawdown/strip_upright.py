"""A shape turned upright: its edges, what lies beyond them, and how even it is along the pull."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

STEP_MM = 0.5
MARGIN_MM = 7.0
STRAIGHT_MM = 1.0
PAPER_WITHIN_MM = 2.2


def middle_of(values: np.ndarray) -> float:
    """The median of a short array; np.median takes ten times as long for its checks."""
    k = len(values) // 2
    return float(np.partition(values, k)[k])


def robust_line(x: np.ndarray, y: np.ndarray, scale: float) -> tuple[float, float]:
    """Slope and offset of a line through most of the points; x rises."""
    n = len(x)
    if n < 4:
        return 0.0, middle_of(y) if n else 0.0
    third = max(n // 3, 2)
    dx = x[n - third :].mean() - x[:third].mean()
    slope = (middle_of(y[n - third :]) - middle_of(y[:third])) / dx if dx else 0.0
    offset = middle_of(y - slope * x)
    for _ in range(4):
        w = 1 / (1 + ((y - slope * x - offset) / scale) ** 2)
        w /= w.sum()
        mx, my = w @ x, w @ y
        off = x - mx
        slope = (w * off) @ (y - my) / max((w * off) @ off, 1e-9)
        offset = my - slope * mx
    return float(slope), float(offset)


@dataclass(frozen=True)
class Upright:
    """A shape turned upright: rows along its long side, columns across; 0.5 mm per sample."""

    on: np.ndarray
    contrast: np.ndarray
    lab: np.ndarray
    usable: np.ndarray
    inside: np.ndarray
    ok_neighbour: np.ndarray


def turn_upright(layers: dict, centre_px, axis, length_px, width_px, step_px) -> Upright:
    rows = round((length_px + 2 * MARGIN_MM / STEP_MM * step_px) / step_px)
    columns = round((width_px + 2 * MARGIN_MM / STEP_MM * step_px) / step_px)
    across = np.array([axis[1], -axis[0]])
    # axis (0, 1) is down, so across must be (1, 0): to the right
    start = centre_px - axis * step_px * (rows - 1) / 2 - across * step_px * (columns - 1) / 2
    matrix = np.stack([across * step_px, axis * step_px, start], axis=1)

    def warp(a, how, border=0):
        return cv2.warpAffine(
            a, matrix, (columns, rows), flags=how | cv2.WARP_INVERSE_MAP, borderValue=border
        )

    flags = warp(layers["flags"], cv2.INTER_NEAREST) > 0
    return Upright(
        on=np.ascontiguousarray(flags[..., 0]),
        usable=flags[..., 1],
        inside=flags[..., 2],
        ok_neighbour=flags[..., 3],
        contrast=warp(layers["contrast"], cv2.INTER_LINEAR),
        lab=warp(layers["lab"], cv2.INTER_LINEAR),
    )


@dataclass(frozen=True)
class Edges:
    first: int
    last: int
    left: np.ndarray  # per row from first to last: first column of ink
    right: np.ndarray
    left_line: tuple[float, float]
    right_line: tuple[float, float]
    straight: float
    fill: float
    split_mm: float  # width of the widest gap that runs along most of the shape


def without_fringe(up: Upright, low: float) -> np.ndarray:
    """The shape's pixels (rows, columns) without what hangs on at its flanks: a pencil or
    lane line beside the ink, or blur. Ink is at least a third as far from paper as the middle
    of the strip is at that place along the pull."""
    columns = up.on.shape[1]
    margin = round(MARGIN_MM / STEP_MM)
    width = columns - 2 * margin
    a, b = margin + int(0.3 * width), max(columns - margin - int(0.3 * width), margin + 3)
    level = np.sort(up.contrast[:, a:b], axis=1)[:, (b - a) // 2]
    level = cv2.blur(level[:, None], (1, 9))[:, 0]
    on = up.on & (up.contrast > np.maximum(0.33 * level, low)[:, None])
    thin = np.ones((1, 6), np.uint8)
    return cv2.morphologyEx(on.view(np.uint8), cv2.MORPH_OPEN, thin).view(bool)


def find_edges(up: Upright) -> Edges | None:
    """The long edges, as seen row by row, and the lines through them."""
    rows = np.flatnonzero(up.on.any(axis=1))
    if len(rows) < 8:
        return None
    left = up.on.argmax(axis=1)
    right = up.on.shape[1] - 1 - up.on[:, ::-1].argmax(axis=1)
    extent = right - left + 1.0
    typical = middle_of(extent[rows])
    # Across a printed bar nothing tells the edges of the ink.
    a, b = up.on.shape[1] // 3, 2 * up.on.shape[1] // 3
    bar = up.ok_neighbour[:, a : max(b, a + 1)].mean(axis=1) > 0.3
    full = rows[(extent[rows] > 0.7 * typical) & ~bar[rows]]
    if len(full) < 6:
        return None
    # The lines rest on the middle of the strip, away from bead and ragged end.
    trim = round(0.06 * len(full))
    middle = full[trim : len(full) - trim]
    tolerance = STRAIGHT_MM / STEP_MM
    left_line = robust_line(middle.astype(float), left[middle].astype(float), tolerance)
    right_line = robust_line(middle.astype(float), right[middle].astype(float), tolerance)
    miss_left = np.abs(left[middle] - left_line[0] * middle - left_line[1])
    miss_right = np.abs(right[middle] - right_line[0] * middle - right_line[1])
    straight = min((miss_left <= tolerance).mean(), (miss_right <= tolerance).mean())
    # How much of the rectangle between the lines is ink, row by row.
    column = np.arange(up.on.shape[1])
    a = left_line[0] * np.arange(len(up.on)) + left_line[1]
    b = right_line[0] * np.arange(len(up.on)) + right_line[1]
    between = (column >= a[:, None] - 0.5) & (column <= b[:, None] + 0.5)
    cover = (up.on & between).sum(axis=1) / np.maximum(between.sum(axis=1), 1)
    cover = np.convolve(cover, np.ones(5) / 5, mode="same")
    # From the fullest part outwards to where hardly any ink is left: a word of pencil right
    # below the strip does not belong to it.
    bare = np.flatnonzero(cover < 0.3)
    middle_row = int(full[len(full) // 2])
    first = int(bare[bare < middle_row][-1]) + 1 if (bare < middle_row).any() else 0
    last = int(bare[bare > middle_row][0]) - 1 if (bare > middle_row).any() else len(cover) - 1
    if last - first < 6 or cover[middle_row] < 0.3:
        return None
    along = slice(first, last + 1)
    return Edges(
        first,
        last,
        left,
        right,
        left_line,
        right_line,
        float(straight),
        float(cover[along].mean()),
        _widest_gap(up.on[along] & between[along], between[along]),
    )


def _widest_gap(on: np.ndarray, between: np.ndarray) -> float:
    """Width in mm of the widest gap along most of the shape, away from its edges: two strips
    side by side show one, a strip with a streak a narrow one at most."""
    inside = np.flatnonzero(between.mean(axis=0) > 0.9)[3:-3]
    if not len(inside):
        return 0.0
    bare = on[:, inside].mean(axis=0) < 0.4
    edges = np.flatnonzero(np.diff(np.r_[0, bare.view(np.uint8), 0]))
    runs = edges[1::2] - edges[::2]
    return float(runs.max()) * STEP_MM if len(runs) else 0.0


def _rise(profile: np.ndarray, edge: int) -> float:
    """20-80 % width in mm of an edge profile that climbs from paper (before ``edge``) to ink.
    It starts at the paper nearest to the ink, so that a neighbour beyond does not matter."""
    outer = profile[: edge + 1]
    low = float(outer.min())
    first = int(np.flatnonzero(outer <= low + 0.04 * (profile.max() - low))[-1])
    profile = profile[first:]
    high = float(np.quantile(profile, 0.85))
    if high - low < 1e-3:
        return 9.0
    p = np.maximum.accumulate((profile - low) / (high - low))
    i20, i80 = int((p >= 0.2).argmax()), int((p >= 0.8).argmax())

    def at(level, i):
        if i == 0:
            return 0.0
        return i - 1 + (level - p[i - 1]) / max(p[i] - p[i - 1], 1e-6)

    return (at(0.8, i80) - at(0.2, i20)) * STEP_MM


def look_beside(up: Upright, rows: np.ndarray, edge: np.ndarray, sign: int, limit: float):
    """What lies beyond one long edge: share of rows with paper, out of the photo, blocked by
    the card, and the edge's rise in mm."""
    reach = round(PAPER_WITHIN_MM / STEP_MM)
    offsets = np.arange(1, reach + 2) * sign
    columns = np.clip(edge[:, None] + offsets, 0, up.on.shape[1] - 1)
    r = rows[:, None]
    bare = ((up.contrast[r, columns] < limit) & up.usable[r, columns]).any(axis=1)
    beside = up.ok_neighbour[r, columns].any(axis=1)
    paper = bare | beside
    near = columns[:, 1:3]
    out = ~up.inside[r, near].any(axis=1)
    blocked = ~up.usable[r, near].any(axis=1) & ~out
    span = np.arange(-8, 9) * -sign  # from outside to inside
    columns = np.clip(edge[:, None] + span, 0, up.on.shape[1] - 1)
    seen = bare & ~beside & up.usable[r, columns[:, 2:]].all(axis=1)
    rise = 0.0
    if seen.sum() >= 5:
        rise = _rise(np.median(up.contrast[r, columns][seen], axis=0), 8)
    return float(paper.mean()), float(out.mean()), float(blocked.mean()), rise


def look_beyond(up: Upright, e: Edges, at_start: bool, limit: float, level: float) -> str:
    """What lies beyond one end: "paper", "out", "card", "same" (it goes on) or "other"."""
    n = round(4.0 / STEP_MM)
    if at_start:
        rows = np.arange(max(0, e.first - n), max(1, e.first - 1))
        inner = np.arange(e.first, min(e.first + n, len(up.on)))
    else:
        rows = np.arange(min(e.last + 2, len(up.on) - 1), min(e.last + 1 + n, len(up.on)))
        inner = np.arange(max(0, e.last - n), e.last + 1)
    a = int(max(0, round(e.left_line[0] * rows.mean() + e.left_line[1] + 2)))
    b = int(min(up.on.shape[1], round(e.right_line[0] * rows.mean() + e.right_line[1] - 1)))
    if b <= a:
        return "other"
    part = np.ix_(rows, np.arange(a, b))
    paper = ((up.contrast[part] < limit) & up.usable[part]).any(axis=0).mean()
    if paper >= 0.5:
        return "paper"
    if (~up.inside[part]).mean() > 0.5:
        return "out"
    if (~up.usable[part]).mean() > 0.5:
        return "card"
    beyond = up.lab[part][up.usable[part]]
    within = up.lab[np.ix_(inner, np.arange(a, b))].reshape(-1, 3)
    off = np.linalg.norm(np.median(beyond, axis=0) - np.median(within, axis=0))
    return "same" if off < max(3.0, 0.15 * level) else "other"


def texture_of(up: Upright, e: Edges) -> float:
    """How much the inside changes over a few mm along the pull (robust, colour distance), in
    the band of the strip where it does so most: a ruler has its ticks on one side."""
    span = slice(e.first, e.last + 1)
    k = (e.last - e.first) // 8
    a = int(np.partition(e.left[span], k)[k]) + 3
    b = int(np.partition(e.right[span], -k - 1)[-k - 1]) - 2
    rows = slice(e.first + 5, max(e.last - 4, e.first + 6))
    lab = up.lab[rows, a : max(b, a + 1)]
    if lab.shape[0] < 14 or lab.shape[1] < 5:
        return 0.0
    # Where a printed bar lies under the ink, nothing can be said.
    bar = up.ok_neighbour[rows, a : max(b, a + 1)].mean(axis=1) > 0.3
    clear = cv2.dilate(bar.view(np.uint8)[:, None], np.ones((15, 1), np.uint8))[:, 0] == 0
    if clear.sum() < 12:
        return 0.0
    off = (lab - cv2.blur(lab, (1, 13)))[clear]
    size = cv2.sqrt(cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32)))
    k = int(0.7 * len(size))
    busy = np.partition(size, k, axis=0)[k]
    band = min(4, len(busy))
    return float(np.convolve(busy, np.ones(band) / band, "valid").max())
