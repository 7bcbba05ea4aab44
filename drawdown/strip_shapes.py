"""Is this shape a draw-down? One shape at a time, turned upright and tested.

A draw-down is a rectangle of strip size with two straight, sharp long edges, paper beyond
both of them, and an inside that runs evenly along the pull. A shadow has soft edges; a lid
is round; text, a ruler or a second card changes along its length; a board of the table or a
knife does not lie on paper all round.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from drawdown.strip_ground import Picture

STEP_MM = 0.5
MARGIN_MM = 7.0
WIDTH_MM = (7.5, 68.0)
LENGTH_MM = (17.0, 175.0)
MAX_ASPECT = 10.5
STRAIGHT_MM = 1.0
PAPER_WITHIN_MM = 3.0
SOFT_MM = 2.2


@dataclass(frozen=True)
class View:
    """What the photo is like: ``framed`` when the card is a frame laid over the strips,
    ``blur_mm`` the 10-90 % rise of a sharp printed edge, ``soft_mm`` the 20-80 % rise beyond
    which an edge is a shadow's rather than ink's."""

    framed: bool = False
    blur_mm: float = 0.0
    soft_mm: float = SOFT_MM


@dataclass(frozen=True)
class Shape:
    """A shape as measured. ``reason`` is empty for a draw-down, else why it is none.

    ``corners_mm`` (4, 2) go round the rectangle: start left, start right, end right, end
    left, the start being where ``axis`` (unit vector along the long side) begins."""

    corners_mm: np.ndarray
    axis: np.ndarray
    length_mm: float
    width_mm: float
    level: float  # typical contrast of the ink to its paper
    lab: np.ndarray
    reason: str
    quality: float
    cut: bool
    low: float
    ends: tuple[str, ...] = ()
    measured: dict = field(default_factory=dict)

    @property
    def centre_mm(self) -> np.ndarray:
        return self.corners_mm.mean(axis=0)

    @property
    def strip_sized(self) -> bool:
        return (
            WIDTH_MM[0] <= self.width_mm <= WIDTH_MM[1]
            and LENGTH_MM[0] <= self.length_mm <= LENGTH_MM[1]
        )


def robust_line(x: np.ndarray, y: np.ndarray, scale: float) -> tuple[float, float]:
    """Slope and offset of a line through most of the points."""
    if len(x) < 4:
        return 0.0, float(np.median(y)) if len(y) else 0.0
    third = len(x) // 3
    a, b = slice(0, max(third, 2)), slice(len(x) - max(third, 2), len(x))
    dx = np.median(x[b]) - np.median(x[a])
    slope = (np.median(y[b]) - np.median(y[a])) / dx if dx else 0.0
    offset = np.median(y - slope * x)
    for _ in range(4):
        w = 1 / (1 + ((y - slope * x - offset) / scale) ** 2)
        mx, my = np.average(x, weights=w), np.average(y, weights=w)
        var = np.average((x - mx) ** 2, weights=w)
        slope = np.average((x - mx) * (y - my), weights=w) / max(var, 1e-9)
        offset = my - slope * mx
    return float(slope), float(offset)


@dataclass(frozen=True)
class _Upright:
    """A shape turned upright: rows along its long side, columns across; 0.5 mm per sample."""

    on: np.ndarray
    contrast: np.ndarray
    lab: np.ndarray
    usable: np.ndarray
    inside: np.ndarray
    ok_neighbour: np.ndarray


def _turn(layers: dict, centre_px, axis, length_px, width_px, step_px) -> _Upright:
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
    return _Upright(
        on=np.ascontiguousarray(flags[..., 0]),
        usable=flags[..., 1],
        inside=flags[..., 2],
        ok_neighbour=flags[..., 3],
        contrast=warp(layers["contrast"], cv2.INTER_LINEAR),
        lab=warp(layers["lab"], cv2.INTER_LINEAR),
    )


@dataclass(frozen=True)
class _Edges:
    first: int
    last: int
    left: np.ndarray  # per row from first to last: first column of ink
    right: np.ndarray
    left_line: tuple[float, float]
    right_line: tuple[float, float]
    straight: float
    fill: float


def _edges(up: _Upright) -> _Edges | None:
    """The long edges, as seen row by row, and the lines through them."""
    rows = np.flatnonzero(up.on.any(axis=1))
    if len(rows) < 8:
        return None
    left = up.on.argmax(axis=1)
    right = up.on.shape[1] - 1 - up.on[:, ::-1].argmax(axis=1)
    extent = right - left + 1.0
    typical = float(np.median(extent[rows]))
    full = rows[(extent[rows] > 0.7 * typical)]
    if len(full) < 6:
        return None
    # The lines rest on the middle of the strip, away from bead and ragged end.
    low, high = np.quantile(full, [0.06, 0.94])
    middle = full[(full >= low) & (full <= high)]
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
    middle_row = int(np.median(full))
    first = int(bare[bare < middle_row][-1]) + 1 if (bare < middle_row).any() else 0
    last = int(bare[bare > middle_row][0]) - 1 if (bare > middle_row).any() else len(cover) - 1
    if last - first < 6 or cover[middle_row] < 0.3:
        return None
    return _Edges(
        first,
        last,
        left,
        right,
        left_line,
        right_line,
        float(straight),
        float(cover[first : last + 1].mean()),
    )


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


def _side(up: _Upright, rows: np.ndarray, edge: np.ndarray, sign: int, limit: float):
    """What lies beyond one long edge: share of rows with paper, out of the photo, blocked by
    the card, and the edge's rise in mm."""
    reach = round(PAPER_WITHIN_MM / STEP_MM)
    offsets = np.arange(1, reach + 2) * sign
    columns = np.clip(edge[:, None] + offsets, 0, up.on.shape[1] - 1)
    r = rows[:, None]
    paper = (((up.contrast[r, columns] < limit) & up.usable[r, columns]).any(axis=1)) | (
        up.ok_neighbour[r, columns].any(axis=1)
    )
    near = columns[:, 1:3]
    out = ~up.inside[r, near].any(axis=1)
    blocked = ~up.usable[r, near].any(axis=1) & ~out
    span = np.arange(-8, 9) * -sign  # from outside to inside
    columns = np.clip(edge[:, None] + span, 0, up.on.shape[1] - 1)
    seen = paper & up.usable[r, columns[:, 2:]].all(axis=1)
    rise = 0.0
    if seen.sum() >= 5:
        rise = _rise(np.median(up.contrast[r, columns][seen], axis=0), 8)
    return float(paper.mean()), float(out.mean()), float(blocked.mean()), rise


def _end(up: _Upright, e: _Edges, at_start: bool, limit: float, level: float) -> str:
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


def _texture(up: _Upright, e: _Edges) -> float:
    """How much the inside changes over a few mm along the pull (robust, colour distance), in
    the band of the strip where it does so most: a ruler has its ticks on one side."""
    a = round(max(e.left_line[1] + e.left_line[0] * e.first, 0)) + 3
    b = round(e.right_line[1] + e.right_line[0] * e.first) - 2
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


def measure_shape(
    picture: Picture,
    on: np.ndarray,
    contrast: np.ndarray,
    low: float,
    offset: tuple[int, int],
    neighbours: np.ndarray,
    view: View,
) -> Shape | None:
    """Measure one shape and say whether it is a draw-down.

    ``on`` (h, w) bool is the shape, on a part of the picture that begins at ``offset``
    (row, column); ``contrast`` covers the same part; ``neighbours`` (h, w) marks other
    shapes that may lie directly beside it. None when there is nothing to measure."""
    points = cv2.findNonZero(on.view(np.uint8))
    if points is None or len(points) < 30:
        return None
    rect = cv2.minAreaRect(cv2.convexHull(points))
    (cx, cy), (w, h), degrees = rect
    turn = np.radians(degrees)
    axes = [np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])]
    sizes = [w, h]
    long = int(h > w)
    refused = _size_alone(picture, rect, axes[long], offset, low)
    if refused is not None:
        return refused
    part = (slice(offset[0], offset[0] + len(on)), slice(offset[1], offset[1] + on.shape[1]))
    flags = np.dstack([on, picture.usable[part], picture.inside[part], neighbours])
    layers = {
        "flags": flags.view(np.uint8),
        "contrast": contrast,
        "lab": picture.lab[part],
    }
    tries = [long] if max(w, h) > 1.35 * min(w, h) else [long, 1 - long]
    found = []
    for k in tries:
        shape = _measure_along(
            picture, layers, offset, (cx, cy), axes[k], sizes[k], sizes[1 - k], low, view
        )
        if shape is not None:
            found.append(shape)
    if not found:
        return None
    return max(found, key=lambda s: (not s.reason, s.quality))


def _size_alone(picture: Picture, rect, axis, offset, low) -> Shape | None:
    """A rejected shape when the size alone says enough, else None."""
    ppm = picture.px_per_mm
    length, width = max(rect[1]) / ppm, min(rect[1]) / ppm
    if width < 0.8 * WIDTH_MM[0] or length < 0.8 * LENGTH_MM[0]:
        reason = "small"
    elif width > 1.25 * WIDTH_MM[1] or length > 1.25 * LENGTH_MM[1]:
        reason = "large"
    else:
        return None
    corners = picture.to_mm(cv2.boxPoints(rect) + np.array([offset[1], offset[0]]))
    return Shape(corners, axis, length, width, 0.0, np.zeros(3), reason, 0.0, False, low)


def _measure_along(picture, layers, offset, centre, axis, length, width, low, view) -> Shape | None:
    if axis[1] < -0.35 or (abs(axis[1]) <= 0.35 and axis[0] < 0):
        axis = -axis
    step_px = STEP_MM * picture.px_per_mm
    centre = np.array(centre)
    for round_ in range(2):
        across = np.array([axis[1], -axis[0]])
        up = _turn(layers, centre, axis, length, width, step_px)
        e = _edges(up)
        if e is None:
            return None
        slope = (e.left_line[0] + e.right_line[0]) / 2
        if round_ or abs(slope) < 0.004 or abs(slope) > 0.6:
            break
        turned = axis + slope * across
        axis = turned / np.linalg.norm(turned)
    mid = (e.first + e.last) / 2
    left = e.left_line[0] * mid + e.left_line[1]
    right = e.right_line[0] * mid + e.right_line[1]
    width_mm = (right - left + 1) * STEP_MM
    length_mm = (e.last - e.first + 1) * STEP_MM
    row_c, col_c = (up.on.shape[0] - 1) / 2, (up.on.shape[1] - 1) / 2
    across = np.array([axis[1], -axis[0]])
    middle_px = centre + axis * (mid - row_c) * step_px
    middle_px = middle_px + across * ((left + right) / 2 - col_c) * step_px
    middle = picture.to_mm(middle_px + np.array([offset[1], offset[0]]))
    half_l, half_w = axis * length_mm / 2, across * width_mm / 2
    corners = np.array(
        [
            middle - half_l - half_w,
            middle - half_l + half_w,
            middle + half_l + half_w,
            middle + half_l - half_w,
        ]
    )
    # Level: the ink in the middle of the strip.
    rows = np.arange(e.first, e.last + 1)
    inner = np.zeros_like(up.on)
    a, b = int(left + 0.2 * (right - left)), int(np.ceil(right - 0.2 * (right - left))) + 1
    inner[e.first + len(rows) // 8 : e.last + 1 - len(rows) // 8, max(a, 0) : b] = True
    inner &= up.on
    if (inner & ~up.ok_neighbour).sum() > 40:
        inner &= ~up.ok_neighbour
    if inner.sum() < 10:
        return None
    level = float(np.median(up.contrast[inner]))
    lab = np.median(up.lab[inner], axis=0)
    limit = max(1.15 * low, 0.2 * level)
    body_rows = rows[(rows >= e.first + 0.08 * len(rows)) & (rows <= e.last - 0.12 * len(rows))]
    edge_l = np.round(e.left_line[0] * body_rows + e.left_line[1]).astype(int)
    edge_r = np.round(e.right_line[0] * body_rows + e.right_line[1]).astype(int)
    # Start from the ink's own edge where it bulges beyond the line.
    edge_l = np.clip(e.left[body_rows], edge_l - 4, edge_l + 2)
    edge_r = np.clip(e.right[body_rows], edge_r - 2, edge_r + 4)
    sides = [_side(up, body_rows, edge_l, -1, limit), _side(up, body_rows, edge_r, 1, limit)]
    ends = (_end(up, e, True, limit, level), _end(up, e, False, limit, level))
    m = {
        "fill": e.fill,
        "straight": e.straight,
        "taper": abs(e.left_line[0] - e.right_line[0]),
        "sides": sides,
        "ends": ends,
        "level": level,
    }
    reason = _verdict(m, width_mm, length_mm, low, view)
    if not reason:
        m["texture"] = _texture(up, e)
        if m["texture"] > max(1.6, 0.8 * low) + 0.07 * level:
            reason = "textured"
    cut = "out" in ends or any(s[1] > 0.5 for s in sides)
    quality = e.straight + e.fill + min(s[0] for s in sides) - 0.3 * m["taper"]
    return Shape(
        corners, axis, length_mm, width_mm, level, lab, reason, float(quality), cut, low, ends, m
    )


def _verdict(m: dict, width: float, length: float, low: float, view: View) -> str:
    """Why this is no draw-down; empty when it is one."""
    if width < WIDTH_MM[0] or length < LENGTH_MM[0]:
        return "small"
    if width > WIDTH_MM[1] or length > LENGTH_MM[1]:
        return "large"
    if length / width > MAX_ASPECT:
        return "long"
    if m["level"] < max(2.0, 1.3 * low):
        return "faint"
    if m["fill"] < 0.74 or m["straight"] < 0.66 or m["taper"] > 0.2:
        return "ragged"
    slight = width < 11 or length < 25
    if slight and (m["straight"] < 0.8 or m["fill"] < 0.84 or m["level"] < 3.5):
        return "ragged"
    # Paper on both long sides; the photo's edge or the card may hide one side, or one end.
    hidden, worst = 0, 0.0
    for paper, out, card, rise in m["sides"]:
        if paper < 0.62:
            if out + card < 0.6:
                return "open"
            hidden += 1
        else:
            worst = max(worst, rise)
    if worst > view.soft_mm + view.blur_mm:
        return "soft"
    if "same" in m["ends"]:
        return "goes on"
    under_frame = view.framed and all(end == "card" for end in m["ends"])
    hidden += sum(end != "paper" for end in m["ends"])
    if hidden > 1 and not (under_frame and hidden == 2):
        return "open"
    return ""
