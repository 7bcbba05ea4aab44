"""Is this shape a draw-down: a rectangle of strip size with two straight, sharp long edges,
paper beyond both of them, and an inside that runs evenly along the pull?"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.rectangle import (
    BESIDE,
    STEP_MM,
    Edges,
    Upright,
    bordered,
    find_edges,
    look_beside,
    look_beyond,
    middle_colour,
    middle_of,
    relief_of,
    texture_of,
    turn_upright,
    without_fringe,
)
from drawdown.strips.working_picture import Picture, part_at


@dataclass(frozen=True)
class View:
    """What the photo is like: ``window_mm`` (x, y, w, h) when the card is a frame laid over
    the strips, ``blur_mm`` the 10-90 % rise of a sharp printed edge, ``soft_mm`` the 20-80 %
    rise beyond which an edge is a shadow's rather than ink's."""

    window_mm: tuple[float, float, float, float] | None = None
    blur_mm: float = 0.0
    soft_mm: float = limits.SOFT_MM

    @property
    def framed(self) -> bool:
        return self.window_mm is not None


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
    cut: bool  # by the photo's edge
    partial: bool  # not seen whole, or perhaps a thing that lies on the paper
    low: float
    ends: tuple[str, ...] = ()
    measured: dict = field(default_factory=dict)

    @property
    def centre_mm(self) -> np.ndarray:
        return self.corners_mm.mean(axis=0)

    @property
    def strip_sized(self) -> bool:
        return (
            limits.WIDTH_MM[0] <= self.width_mm <= limits.WIDTH_MM[1]
            and limits.LENGTH_MM[0] <= self.length_mm <= limits.LENGTH_MM[1]
        )


def measure_shape(
    picture: Picture,
    on: np.ndarray,
    contrast: np.ndarray,
    low: float,
    offset: tuple[int, int],
    neighbours: np.ndarray | None,
    view: View,
    rect=None,
) -> Shape | None:
    """Measure one shape and say whether it is a draw-down.

    ``on`` (h, w) bool is the shape, on a part of the picture that begins at ``offset``
    (row, column); ``contrast`` covers the same part; ``neighbours`` (h, w) marks other
    shapes that may lie directly beside it; ``rect`` is its bounding rectangle where known.
    None when there is nothing to measure."""
    rect = bounding_rect(on) if rect is None else rect
    if rect is None:
        return None
    centre, (w, h), degrees = rect
    turn = np.radians(degrees)
    axes = [np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])]
    sizes = [w, h]
    long = int(h > w)
    part = part_at(offset, on)
    flags = picture.places[part] | on.view(np.uint8)
    if neighbours is not None:
        flags |= neighbours.view(np.uint8) * np.uint8(BESIDE)
    layers = {"flags": flags, "contrast": contrast, "lab": picture.lab[part]}
    tries = [long] if max(w, h) > 1.35 * min(w, h) else [long, 1 - long]
    found = (
        _measure_along(picture, layers, offset, centre, axes[k], sizes[k], sizes[1 - k], low, view)
        for k in tries
    )
    seen = [shape for shape in found if shape is not None]
    return max(seen, key=lambda s: (not s.reason, s.quality), default=None)


def bounding_rect(mask: np.ndarray):
    """The smallest rectangle around a mask as cv2 gives it, or None for a tiny one."""
    rows = np.flatnonzero(mask.any(axis=1))
    if len(rows) < 4:
        return None
    some = mask[rows]
    left = some.argmax(axis=1)
    right = mask.shape[1] - 1 - some[:, ::-1].argmax(axis=1)
    points = np.concatenate([np.stack([left, rows], 1), np.stack([right, rows], 1)])
    rect = cv2.minAreaRect(cv2.convexHull(points.astype(np.int32)))
    return rect if min(rect[1]) > 2 else None


def size_alone(
    picture: Picture, rect, area_px: int, offset: tuple[int, int], low: float
) -> Shape | None:
    """A rejected shape when the size of its rectangle or its area says enough, else None."""
    ppm = picture.px_per_mm
    length, width = max(rect[1]) / ppm, min(rect[1]) / ppm
    # The rectangle goes round the pixels' centres: give it a pixel, and a sample more.
    more = 1 / ppm + STEP_MM
    least_px = limits.LEAST_FILL * limits.WIDTH_MM[0] * limits.LENGTH_MM[0] * ppm**2
    narrow = width + more < limits.WIDTH_MM[0] or length + more < limits.LENGTH_MM[0]
    if narrow or area_px < least_px:
        reason = "small"
    elif width > 1.25 * limits.WIDTH_MM[1] or length > 1.25 * limits.LENGTH_MM[1]:
        reason = "large"
    else:
        return None
    corners = picture.to_mm(cv2.boxPoints(rect) + np.array([offset[1], offset[0]]))
    axis = corners[1] - corners[0]
    return Shape(
        corners, axis / np.linalg.norm(axis), length, width, 0.0, np.zeros(3), reason, 0.0,
        False, False, low,
    )  # fmt: skip


def _measure_along(picture, layers, offset, centre, axis, length, width, low, view) -> Shape | None:
    if axis[1] < -0.35 or (abs(axis[1]) <= 0.35 and axis[0] < 0):
        axis = -axis
    turned = _turned(
        layers, np.array(centre), axis, length, width, STEP_MM * picture.px_per_mm, low
    )
    if turned is None:
        return None
    up, e, axis = turned
    mid = (e.first + e.last) / 2
    left = e.left_line[0] * mid + e.left_line[1]
    right = e.right_line[0] * mid + e.right_line[1]
    width_mm = (right - left + 1) * STEP_MM
    length_mm = (e.last - e.first + 1) * STEP_MM
    ink = _ink(up, e, left, right)
    if ink is None:
        return None
    level, lab = ink
    m = {
        "fill": e.fill,
        "straight": e.straight,
        "split": e.split_mm,
        "taper": abs(e.left_line[0] - e.right_line[0]),
        "level": level,
        "sides": [],
        "ends": (),
    }
    # The cheap questions first: most shapes fail one of them.
    reason = _form(m, width_mm, length_mm, low) or _surroundings(m, up, e, low, view)
    reason = reason or _inside(m, up, e, low)
    cut = partial = False
    if reason in ("", "round"):
        cut, partial = _hidden(m, view)
        partial |= _slight(width_mm, length_mm)
    middle_px = up.to_px @ ((left + right) / 2, mid, 1.0)
    middle = picture.to_mm(middle_px + np.array([offset[1], offset[0]]))
    half_l, half_w = axis * length_mm / 2, np.array([axis[1], -axis[0]]) * width_mm / 2
    corners = middle + np.array(
        [-half_l - half_w, half_w - half_l, half_l + half_w, half_l - half_w]
    )
    beside = min((s[0] for s in m["sides"]), default=0.0)
    quality = float(e.straight + e.fill + beside - 0.3 * m["taper"])
    return Shape(
        corners, axis, length_mm, width_mm, level, lab, reason, quality, cut, partial, low,
        m["ends"], m,
    )  # fmt: skip


def _turned(
    layers, centre, axis, length, width, step_px: float, low: float
) -> tuple[Upright, Edges, np.ndarray] | None:
    """A shape upright by its own long edges, those edges, and its axis (2,)."""
    for round_ in range(2):
        up = turn_upright(layers, centre, axis, length, width, step_px)
        up = replace(up, on=without_fringe(up, low))
        e = find_edges(up)
        if e is None:
            return None
        straight = axis + e.slope * np.array([axis[1], -axis[0]])
        straight /= np.linalg.norm(straight)
        if round_ or not limits.STRAIGHTEN < abs(e.slope) < 0.6 or _hopeless(e):
            break
        axis = straight
    return up, e, straight


def _inside(m: dict, up: Upright, e: Edges, low: float) -> str:
    """Why the inside of a shape is not that of a draw-down; empty when it is."""
    level = m["level"]
    m["texture"] = texture_of(up, e)
    if m["texture"] > max(1.6, 0.8 * low) + 0.05 * level + 0.03 * max(level - 40, 0):
        return "textured"
    if bordered(up, e, low):
        return "bordered"
    if level > limits.SOLID_DE:
        m["round"], m["bulge"] = relief_of(up, e)
        if m["round"] > limits.ROUND_L and m["bulge"] > limits.BULGE_MM:
            return "round"
    return ""


def _hidden(m: dict, view: View) -> tuple[bool, bool]:
    """Does the photo's edge cut a shape; and may it be something else, as it is not seen whole,
    ends at something, or lies in shadow on one side?"""
    sides, ends = m["sides"], m["ends"]
    cut = "out" in ends or any(s[1] > 0.5 for s in sides)
    partial = cut or any(s[0] < limits.PAPER_SHARE for s in sides) or "other" in ends
    partial |= ("card" in ends and not view.framed) or abs(sides[0][3] - sides[1][3]) > 0.6
    return cut, partial


def _ink(up: Upright, e: Edges, left: float, right: float) -> tuple[float, np.ndarray] | None:
    """Contrast and Lab (3,) of the ink in the middle of the shape; None when there is none."""
    n = e.last - e.first + 1
    a = max(int(left + 0.2 * (right - left)), 0)
    b = min(int(np.ceil(right - 0.2 * (right - left))) + 1, up.on.shape[1])
    r0, r1 = e.first + n // 8, e.last + 1 - n // 8
    # A few hundred samples are enough for a median.
    dr, dc = max(1, (r1 - r0) // 30), max(1, (b - a) // 15)
    flags = up.flags[r0:r1:dr, a:b:dc]
    rows, columns = np.nonzero(up.on[r0:r1:dr, a:b:dc])
    free = (flags[rows, columns] & BESIDE) == 0
    if not free.all() and np.count_nonzero(free) * dr * dc > 40:
        rows, columns = rows[free], columns[free]
    if len(rows) * dr * dc < 10 or not len(rows):
        return None
    rows, columns = r0 + rows * dr, a + columns * dc
    return middle_of(up.contrast[rows, columns]), middle_colour(up.colours(rows, columns))


def _hopeless(e: Edges) -> bool:
    """Is a shape so ragged that turning it better would not make it a draw-down?"""
    return e.straight < 0.5 or e.fill < 0.6 or abs(e.left_line[0] - e.right_line[0]) > 0.35


def _slight(width_mm: float, length_mm: float) -> bool:
    return width_mm < 11 or length_mm < 25


def _form(m: dict, width: float, length: float, low: float) -> str:
    """Why a shape has not the form of a draw-down; empty when it has."""
    if width < limits.WIDTH_MM[0] or length < limits.LENGTH_MM[0]:
        return "small"
    if width > limits.WIDTH_MM[1] or length > limits.LENGTH_MM[1]:
        return "large"
    if length / width > limits.MOST_ASPECT:
        return "long"
    if m["level"] < max(2.0, 1.3 * low):
        return "faint"
    rough = m["fill"] < limits.LEAST_FILL or m["straight"] < 0.66
    rough |= m["taper"] > 0.2 or m["split"] >= limits.SPLIT_MM
    # Of what is slight, pale or of doubtful form, two together are too much: a pale shape with
    # poor edges is a shadow, more likely than ink.
    doubtful, pale = m["straight"] < 0.8 or m["fill"] < 0.84, m["level"] < limits.PALE_DE
    return "ragged" if rough or _slight(width, length) + doubtful + pale >= 2 else ""


def _surroundings(m: dict, up: Upright, e: Edges, low: float, view: View) -> str:
    """Why what lies around a shape is not what lies around a draw-down; empty when it is.
    Notes what lies beside it in ``m["sides"]`` and beyond it in ``m["ends"]``."""
    limit = max(1.15 * low, 0.2 * m["level"])
    n = e.last - e.first + 1
    rows = np.arange(e.first + int(np.ceil(0.08 * n)), e.last + 1 - int(np.ceil(0.12 * n)))
    # Paper on both long sides; the photo's edge or the card may hide one side, or one end.
    hidden, worst = 0, 0.0
    for line, seen, sign in ((e.left_line, e.left, -1), (e.right_line, e.right, 1)):
        # Start from the ink's own edge where it bulges beyond the line.
        edge = np.rint(line[0] * rows + line[1]).astype(int)
        low_, high_ = (edge - 4, edge + 2) if sign < 0 else (edge - 2, edge + 4)
        edge = np.minimum(np.maximum(seen[rows], low_), high_)
        side = look_beside(up, rows, edge, sign, limit)
        m["sides"].append(side)
        paper, out, card, rise = side
        if paper < limits.PAPER_SHARE:
            if out + (card if view.framed else 0.0) < 0.6:
                return "open"
            hidden += 1
        else:
            worst = max(worst, rise)
    if worst > view.soft_mm + view.blur_mm:
        return "soft"
    m["ends"] = tuple(look_beyond(up, e, start, limit, m["level"]) for start in (True, False))
    if "same" in m["ends"]:
        return "goes on"
    under_frame = view.framed and all(end == "card" for end in m["ends"])
    hidden += sum(end != "paper" for end in m["ends"])
    if hidden > 1 and not (under_frame and hidden == 2):
        return "open"
    return ""
