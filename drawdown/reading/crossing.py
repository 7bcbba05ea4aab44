"""Two strips that cross in a photo: where, seen in how much ink lies in each row and column once
the cross is turned upright; and the three colours there. Millimetres are the card's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.correction.correct import Correction
from calibration.correction.lamp_field import flatten, on_card
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.sheet import Sheet
from drawdown.reading.colour import StripReading
from drawdown.reading.strip import measure_together
from drawdown.strips.strip import Strip

INK_LOG = 0.07  # what differs from the paper by more in any channel's log light is ink
NARROWEST_MM = 8.0
UNEVEN_LOG = 0.35  # span of the log light within a crossing, its outer tenths left out
BEYOND_CROSS_MM = 6.0  # how far a strip must reach beyond the crossing, both ends together
NEAR_MM = 25.0  # each strip is read within this of the crossing
EDGE_MM = 2.5  # ridges along both strips' edges are left out
CLEAR_OF_CROSS_MM = 2.0  # a strip alone is read this far from the other
LEAST_MM2 = 40.0
OUTLIER_SDS = 3.5
UPRIGHT, ACROSS = "upright", "across"
SIGNS = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])  # of the corners about the middle
WHAT_TO_DO = (
    "show one cross of two strips with bare paper around it, or place them by hand: `strips` "
    "twice, first the strip that lies below, then the one on top, as x,y,width,height in mm "
    "from the card's upper left corner"
)


@dataclass(frozen=True, eq=False)
class Cross:
    """Two strips and where they cross, as rectangles (4, 2) in mm, with the strips' names."""

    names: tuple[str, str]
    strips: tuple[np.ndarray, np.ndarray]
    middle: np.ndarray


@dataclass(frozen=True, eq=False)
class Readings:
    """The colours of the two strips by themselves, by name, and of the crossing."""

    alone: dict[str, StripReading]
    crossing: StripReading


def _frame(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Middle (2,), unit axes (2, 2) and half sizes (2,) of a rectangle (4, 2)."""
    u, v = corners[1] - corners[0], corners[3] - corners[0]
    size = np.array([np.linalg.norm(u), np.linalg.norm(v)])
    return corners.mean(axis=0), np.stack([u / size[0], v / size[1]]), size / 2


def find_cross(sheet: Sheet, correction: Correction, card: CardDefinition) -> Cross:
    """The cross of two strips in the photo, the larger where there are several. Raises
    ``PhotoUnfit`` when there is none."""
    ink = _ink(sheet, correction, card)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8))
    # What reaches the rim of the view is the table, or a strip that is cut off.
    rim = cv2.dilate((~sheet.inside).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    rim[[0, -1]] = rim[:, [0, -1]] = True
    table = set(np.unique(labels[rim]).tolist())
    order = [i for i in range(1, count) if i not in table]
    order.sort(key=lambda i: -stats[i, cv2.CC_STAT_AREA])
    for i in order[:8]:
        x, y, w, h = stats[i, :4]
        blob = labels[y : y + h, x : x + w] == i
        found = _cross_of(blob, sheet.px_per_mm)
        if found is None:
            continue
        upright, across, middle = (sheet.to_mm(np.add(corners, (x, y))) for corners in found)
        if _paper_around(sheet, middle, ink) and _even(sheet, middle):
            return Cross((UPRIGHT, ACROSS), (upright, across), middle)
    raise PhotoUnfit(
        "no place was found where one strip lies across another",
        "the prediction is compared with the colour read where both lie",
        WHAT_TO_DO,
    )


def _paper_around(sheet: Sheet, middle: np.ndarray, ink: np.ndarray) -> bool:
    """Whether bare paper shows in at least three of the four angles of a cross."""
    centre, axes, half = _frame(middle)
    bare = 0
    for at in centre + (SIGNS * (half + 5)) @ axes:
        part = sheet.window((*(at - 2.5), 5.0, 5.0))
        bare += ink[part].size > 0 and bool(ink[part].mean() < 0.1)
    return bare >= 3


def _even(sheet: Sheet, middle: np.ndarray) -> bool:
    """Whether the crossing is of one colour, as a table's grain is not."""
    inner = _filled(sheet, middle, -EDGE_MM)
    log = np.log(np.maximum(sheet.rgb_linear[inner].sum(axis=-1), 1e-4))
    return log.size > 0 and float(np.subtract(*np.percentile(log, [90, 10]))) < UNEVEN_LOG


def _ink(sheet: Sheet, correction: Correction, card: CardDefinition) -> np.ndarray:
    """(h, w) bool: what is not paper, card or out of view."""
    flat = flatten(sheet, correction.field)
    rows, columns = np.nonzero(flat.inside)
    free = np.zeros(flat.shape, bool)
    xy_mm = flat.to_mm(np.stack([columns, rows], axis=-1))
    free[rows, columns] = ~on_card(xy_mm, card, 2.0)
    log = np.log(np.maximum(flat.rgb_linear, 1e-4))
    # Paper is the most common light thing: the mode of what is light.
    level = log.mean(axis=-1)
    light = free & (level > np.quantile(level[free], 0.5))
    counts, edges = np.histogram(level[light], bins=80)
    mode = edges[int(np.argmax(counts))] + (edges[1] - edges[0]) / 2
    paper = np.median(log[light & (np.abs(level - mode) < 0.05)], axis=0)
    ink = free & (np.abs(log - paper).max(axis=-1) > INK_LOG)
    size = max(3, round(1.5 * flat.px_per_mm)) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0


def _cross_of(blob: np.ndarray, px_per_mm: float) -> list[np.ndarray] | None:
    """Corners (4, 2) px of the upright bar, of the one across, and of their middle, when a
    patch of ink (h, w) bool is a cross."""
    if blob.sum() < 3 * (NARROWEST_MM * px_per_mm) ** 2 or blob.mean() > 0.9:
        return None
    picture, turn = _upright(blob)
    one, other = (_bar(picture.sum(axis=a), picture.sum(axis=1 - a)) for a in (0, 1))
    if one is None or other is None:
        return None
    (x0, x1), (y0, y1) = one, other
    if min(x1 - x0, y1 - y0) < NARROWEST_MM * px_per_mm:
        return None
    up = np.flatnonzero(picture[:, x0:x1].mean(axis=1) > 0.5)
    along = np.flatnonzero(picture[y0:y1].mean(axis=0) > 0.5)
    beyond = BEYOND_CROSS_MM * px_per_mm
    if len(up) < y1 - y0 + beyond or len(along) < x1 - x0 + beyond:
        return None
    if picture[y0:y1, x0:x1].mean() < 0.8:
        return None
    back = cv2.invertAffineTransform(turn)

    def corners(left: float, top: float, right: float, bottom: float) -> np.ndarray:
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], dtype=float)
        return (box - 0.5) @ back[:, :2].T + back[:, 2]

    found = [
        corners(x0, up[0], x1, up[-1] + 1),
        corners(along[0], y0, along[-1] + 1, y1),
        corners(x0, y0, x1, y1),
    ]
    # Of a cross turned by more than half a right angle, the bars change their names.
    axis = found[0][3] - found[0][0]
    return found if abs(axis[1]) >= abs(axis[0]) else [found[1], found[0], found[2]]


def _upright(blob: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A patch of ink turned so that its rows and columns change most, and the turn (2, 3)."""
    side = int(np.hypot(*blob.shape)) + 4
    centre = np.array([blob.shape[1] - 1, blob.shape[0] - 1]) / 2

    def turned(deg: float) -> tuple[np.ndarray, np.ndarray]:
        turn = cv2.getRotationMatrix2D((float(centre[0]), float(centre[1])), deg, 1.0)
        turn[:, 2] = turn[:, 2] + (side - 1) / 2 - centre
        picture = blob.astype(np.float32)
        return cv2.warpAffine(picture, turn, (side, side), flags=cv2.INTER_LINEAR), turn

    def sharp(deg: float) -> float:
        picture, _ = turned(deg)
        return sum(float(np.square(np.diff(picture.sum(axis=a))).sum()) for a in (0, 1))

    angle = max(np.arange(-45, 45, 4.0), key=sharp)
    for step in (1.5, 0.5):
        angle = max(angle + step * np.arange(-2, 3), key=sharp)
    return turned(angle)


def _bar(profile: np.ndarray, other: np.ndarray) -> tuple[int, int] | None:
    """From and to of the bar that runs across ``profile`` (ink in each row or column): where
    there is much more ink than the other bar alone puts there."""
    width = float((other > 0.6 * other.max()).sum())  # of the other bar, roughly
    limit = (width + profile.max()) / 2
    if profile.max() < 1.25 * width:
        return None
    over_limit = np.flatnonzero(profile > limit)
    start, end = int(over_limit[0]), int(over_limit[-1]) + 1
    return (start, end) if len(over_limit) > 0.8 * (end - start) else None


def cross_by_hand(strips: Sequence[Strip]) -> Cross:
    """The cross of two strips whose places were given, the lower first, and where they cross
    if that was given too; raises ``WrongUsage`` when they do not cross."""
    lower, upper = strips[0].corners_mm, strips[1].corners_mm
    if len(strips) > 2:
        return Cross(("lower", "upper"), (lower, upper), strips[2].corners_mm)
    area, corners = cv2.intersectConvexConvex(lower.astype(np.float32), upper.astype(np.float32))
    if corners is None or area < LEAST_MM2:
        raise WrongUsage(
            "the two places given with `strips` do not cross",
            "the crossing is where both strips lie",
            "give both strips in their whole length, or say where they cross with `at`",
        )
    middle = cv2.boxPoints(cv2.minAreaRect(corners)).astype(float)
    return Cross(("lower", "upper"), (lower, upper), middle)


def read_cross(
    cross: Cross,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    jpeg_quality: int | None = None,
) -> Readings:
    """Measure both strips beside the crossing, and the crossing. Raises ``PhotoUnfit`` when
    something of it cannot be measured."""
    outer = _filled(sheet, cross.middle, CLEAR_OF_CROSS_MM)
    near = _filled(sheet, cross.middle, NEAR_MM)
    ground = sheet.inside & (sheet.clipped < 0.05)
    parts = []
    for number, (name, corners) in enumerate(zip(cross.names, cross.strips, strict=True), 1):
        whole = _filled(sheet, corners, -EDGE_MM) & ~outer & ground
        close = whole & near
        body = close if close.sum() >= LEAST_MM2 * sheet.px_per_mm**2 else whole
        parts.append(_part(sheet, number, corners, body, f"the {name} strip alone"))
    body = _filled(sheet, cross.middle, -EDGE_MM) & ground
    parts.append(_part(sheet, 3, cross.middle, body, "the crossing"))
    *alone, crossing = measure_together(parts, sheet, correction, card, None, jpeg_quality)
    return Readings(dict(zip(cross.names, alone, strict=True)), crossing)


def _part(sheet: Sheet, number: int, corners: np.ndarray, body: np.ndarray, what: str) -> Strip:
    if body.sum() < LEAST_MM2 * sheet.px_per_mm**2:
        raise PhotoUnfit(
            f"too little of {what} can be measured",
            "the edges, glare or the rim of the photo cover the rest",
            "lay the strips so that each shows 20 mm of itself beside the other, or place them "
            "by hand",
        )
    level = sheet.rgb_linear.sum(axis=-1)
    middle = np.median(level[body])
    spread = 1.48 * np.median(np.abs(level[body] - middle)) + 1e-6
    body = body & (np.abs(level - middle) < OUTLIER_SDS * spread)
    _, axes, half = _frame(corners)
    long = int(np.argmax(half))
    return Strip(
        number, corners, body, body, axes[long], float(2 * half[long]), float(2 * half[1 - long]),
        0.0, 0.0, (),
    )  # fmt: skip


def _filled(sheet: Sheet, corners_mm: np.ndarray, grow_mm: float) -> np.ndarray:
    """(h, w) bool of a rectangle on the sheet, grown or shrunk."""
    centre, axes, half = _frame(corners_mm)
    corners = centre + (SIGNS * np.maximum(half + grow_mm, 0.1)) @ axes
    mask = np.zeros(sheet.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(sheet.to_px(corners)).astype(np.int32), 1)
    return mask > 0
