"""One strip laid across another in a photo: where they cross, what is read there, and how the
prediction stands to the reading.

Ink on paper in the shape of a cross is looked for: two straight bars at right angles, seen
in how much ink lies in each row and column once the cross is turned upright. Places by hand
need no finding. Each strip is read near the crossing, where its film is the same as in it.
Millimetres are the card's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.correction.lamp_field import flatten, on_card
from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.ink.shelf import Shelf
from drawdown.pipeline.read import Judgement
from drawdown.printing.overprint import SAMPLES, Predicted, layer_from_colour, over, sheet
from drawdown.reading.colour import StripReading
from drawdown.reading.strip import measure
from drawdown.strips.find import Strip

INK_LOG = 0.07  # what differs from the paper by more in any channel's log light is ink
NARROWEST_MM = 8.0
UNEVEN_LOG = 0.35  # span of the log light within a crossing, its outer tenths left out
REACH_MM = 6.0  # how far a strip must reach beyond the crossing, both ends together
NEAR_MM = 25.0  # each strip is read within this of the crossing
EDGE_MM = 2.5  # ridges along both strips' edges are left out
CLEAR_MM = 2.0  # a strip alone is read this far from the other
LEAST_MM2 = 40.0
OUTLIER_SDS = 3.5
CHI2_3_95 = 7.815  # 95 % quantile of chi squared with 3 degrees of freedom
TELLING = 5.9  # of -2 log likelihood: odds of 19 to 1
UPRIGHT, ACROSS = "upright", "across"
WHAT_TO_DO = (
    "show one cross of two strips with bare paper around it, or place them by hand: --strip "
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


@dataclass(frozen=True, eq=False)
class Order:
    """The prediction for one strip on top: ``lower`` and ``upper`` are the strips' names;
    ``de00`` reading against prediction; ``distance`` the squared distance of both in units
    of their joint uncertainty (3 degrees of freedom); ``covers`` is "as predicted", "more
    than predicted" or "less than predicted"."""

    lower: str
    upper: str
    predicted: Predicted
    de00: float
    de00_95: tuple[float, float]
    distance: float
    covers: str
    opaque: tuple[float | None, float | None]
    # The upper ink taken as each kind: de00, distance, and -2 log likelihood of the reading.
    kinds: dict[str, tuple[float, float, float]] | None = None

    @property
    def agrees(self) -> bool:
        return self.distance <= CHI2_3_95

    @property
    def kind(self) -> str | None:
        """What the reading says of the upper ink where its mix is not known: "covering" (white
        in it), "transparent", or None where it cannot tell."""
        if self.kinds is None:
            return None
        (best, near), (_, far) = sorted(self.kinds.items(), key=lambda k: k[1][2])
        return best if near[1] <= CHI2_3_95 and far[2] - near[2] > TELLING else None


def _frame(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Middle (2,), unit axes (2, 2) and half sizes (2,) of a rectangle (4, 2)."""
    u, v = corners[1] - corners[0], corners[3] - corners[0]
    size = np.array([np.linalg.norm(u), np.linalg.norm(v)])
    return corners.mean(axis=0), np.stack([u / size[0], v / size[1]]), size / 2


def find_cross(seen: Judgement) -> Cross:
    """The cross of two strips in the photo, the larger where there are several. Raises
    ``PhotoUnfit`` when there is none."""
    ink = _ink(seen)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8))
    # What reaches the rim of the view is the table, or a strip that is cut off.
    rim = cv2.dilate((~seen.sheet.inside).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    rim[[0, -1]] = rim[:, [0, -1]] = True
    table = set(np.unique(labels[rim]).tolist())
    order = [i for i in range(1, count) if i not in table]
    order.sort(key=lambda i: -stats[i, cv2.CC_STAT_AREA])
    for i in order[:8]:
        x, y, w, h = stats[i, :4]
        blob = labels[y : y + h, x : x + w] == i
        found = _cross_of(blob, seen.sheet.px_per_mm)
        if found is None:
            continue
        upright, across, middle = (seen.sheet.to_mm(np.add(corners, (x, y))) for corners in found)
        if _paper_around(seen, middle, ink) and _even(seen, middle):
            return Cross((UPRIGHT, ACROSS), (upright, across), middle)
    raise PhotoUnfit(
        "no place was found where one strip lies across another",
        "the prediction is compared with the colour read where both lie",
        WHAT_TO_DO,
    )


def _paper_around(seen: Judgement, middle: np.ndarray, ink: np.ndarray) -> bool:
    """Whether bare paper shows in at least three of the four angles of a cross."""
    centre, axes, half = _frame(middle)
    bare = 0
    for signs in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        at = centre + (np.array(signs) * (half + 5)) @ axes
        part = seen.sheet.window((*(at - 2.5), 5.0, 5.0))
        bare += ink[part].size > 0 and bool(ink[part].mean() < 0.1)
    return bare >= 3


def _even(seen: Judgement, middle: np.ndarray) -> bool:
    """Whether the crossing is of one colour, as a table's grain is not."""
    inner = _filled(seen, middle, -EDGE_MM)
    log = np.log(np.maximum(seen.sheet.rgb_linear[inner].sum(axis=-1), 1e-4))
    return log.size > 0 and float(np.subtract(*np.percentile(log, [90, 10]))) < UNEVEN_LOG


def _ink(seen: Judgement) -> np.ndarray:
    """(h, w) bool: what is not paper, card or out of view."""
    flat = flatten(seen.sheet, seen.correction.field)
    rows, columns = np.nonzero(flat.inside)
    free = np.zeros(flat.shape, bool)
    xy_mm = flat.to_mm(np.stack([columns, rows], axis=-1))
    free[rows, columns] = ~on_card(xy_mm, seen.view.card, 2.0)
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
    side = int(np.hypot(*blob.shape)) + 4
    centre = np.array([blob.shape[1] - 1, blob.shape[0] - 1]) / 2

    def turned(deg: float) -> tuple[np.ndarray, np.ndarray]:
        turn = cv2.getRotationMatrix2D(tuple(centre), deg, 1.0)
        turn[:, 2] += (side - 1) / 2 - centre
        picture = blob.astype(np.float32)
        return cv2.warpAffine(picture, turn, (side, side), flags=cv2.INTER_LINEAR), turn

    def sharp(deg: float) -> float:
        picture, _ = turned(deg)
        return sum(float(np.square(np.diff(picture.sum(axis=a))).sum()) for a in (0, 1))

    angle = max(np.arange(-45, 45, 4.0), key=sharp)
    for step in (1.5, 0.5):
        angle = max(angle + step * np.arange(-2, 3), key=sharp)
    picture, turn = turned(angle)
    bars = [_bar(picture.sum(axis=a), picture.sum(axis=1 - a)) for a in (0, 1)]
    if None in bars:
        return None
    (x0, x1), (y0, y1) = bars
    if min(x1 - x0, y1 - y0) < NARROWEST_MM * px_per_mm:
        return None
    up = np.flatnonzero(picture[:, x0:x1].mean(axis=1) > 0.5)
    along = np.flatnonzero(picture[y0:y1].mean(axis=0) > 0.5)
    beyond = REACH_MM * px_per_mm
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
            "the two places given with --strip do not cross",
            "the crossing is where both strips lie",
            "give both strips in their whole length, or say where they cross with --at",
        )
    middle = cv2.boxPoints(cv2.minAreaRect(corners)).astype(float)
    return Cross(("lower", "upper"), (lower, upper), middle)


def read_cross(seen: Judgement, cross: Cross) -> Readings:
    """Measure both strips beside the crossing, and the crossing. Raises ``PhotoUnfit`` when
    something of it cannot be measured."""
    outer = _filled(seen, cross.middle, CLEAR_MM)
    near = _filled(seen, cross.middle, NEAR_MM)
    ground = seen.sheet.inside & (seen.sheet.clipped < 0.05)
    alone = {}
    for number, (name, corners) in enumerate(zip(cross.names, cross.strips, strict=True), 1):
        whole = _filled(seen, corners, -EDGE_MM) & ~outer & ground
        close = whole & near
        body = close if close.sum() >= LEAST_MM2 * seen.sheet.px_per_mm**2 else whole
        alone[name] = _read(seen, number, corners, body, f"the {name} strip alone")
    body = _filled(seen, cross.middle, -EDGE_MM) & ground
    return Readings(alone, _read(seen, 3, cross.middle, body, "the crossing"))


def _read(seen: Judgement, number: int, corners, body: np.ndarray, what: str) -> StripReading:
    if body.sum() < LEAST_MM2 * seen.sheet.px_per_mm**2:
        raise PhotoUnfit(
            f"too little of {what} can be measured",
            "the edges, glare or the rim of the photo cover the rest",
            "lay the strips so that each shows 20 mm of itself beside the other, or place them "
            "by hand",
        )
    level = seen.sheet.rgb_linear.sum(axis=-1)
    middle = np.median(level[body])
    spread = 1.48 * np.median(np.abs(level[body] - middle)) + 1e-6
    body = body & (np.abs(level - middle) < OUTLIER_SDS * spread)
    _, axes, half = _frame(corners)
    long = int(np.argmax(half))
    strip = Strip(
        number, corners, body, body, axes[long], float(2 * half[long]), float(2 * half[1 - long]),
        0.0, 0.0, (),
    )  # fmt: skip
    return measure(
        strip, seen.sheet, seen.correction, seen.view.card, jpeg_quality=seen.photo.jpeg_quality
    )


def _filled(seen: Judgement, corners_mm: np.ndarray, grow_mm: float) -> np.ndarray:
    """(h, w) bool of a rectangle on the sheet, grown or shrunk."""
    centre, axes, half = _frame(corners_mm)
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    corners = centre + (signs * np.maximum(half + grow_mm, 0.1)) @ axes
    mask = np.zeros(seen.sheet.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(seen.sheet.to_px(corners)).astype(np.int32), 1)
    return mask > 0


def predict(
    seen: Judgement,
    read: Readings,
    shelf: Shelf,
    lower: str,
    upper: str,
    mixes: tuple[dict[str, float] | None, dict[str, float] | None] = (None, None),
    wet: bool = False,
) -> Order:
    """Predict the crossing from the two strips alone, ``upper`` on top, and compare it with
    the reading. ``mixes`` are those of lower and upper, where they are known."""
    shared = np.random.default_rng(31).standard_normal((SAMPLES, 3))
    on = sheet(seen.correction.paper_lab_d50, wet=wet)
    above, reading = _with_card(read.alone[upper], shared), _with_card(read.crossing, shared)
    seen_lab = read.crossing.lab_d50

    def layer(name: str, place: int, opaque: bool | None = None):
        return layer_from_colour(
            name, read.alone[name].lab_d50, on, shelf,
            lab_samples=_with_card(read.alone[name], shared), mix=mixes[place], opaque=opaque,
            seed=place,
        )  # fmt: skip

    def against(predicted: Predicted) -> tuple[float, float, float, np.ndarray]:
        off = reading - predicted.lab_samples
        miss = seen_lab - predicted.lab_d50
        spread = np.cov(off.T) + 0.1**2 * np.eye(3)
        distance = float(miss @ np.linalg.solve(spread, miss))
        unlikely = distance + float(np.linalg.slogdet(spread)[1])
        return float(delta_e_2000(seen_lab, predicted.lab_d50)), distance, unlikely, off

    below, top = layer(lower, 0), layer(upper, 1)
    predicted = over([below, top], on)
    de00, distance, _, off = against(predicted)
    miss = seen_lab - predicted.lab_d50
    spread = delta_e_2000(predicted.lab_samples + off - off.mean(axis=0) + miss,
                          predicted.lab_samples)  # fmt: skip
    apart = float(delta_e_2000(seen_lab, read.alone[upper].lab_d50))
    low, high = np.percentile(delta_e_2000(predicted.lab_samples, above), [2.5, 97.5])
    covers = "more" if apart < low else "less" if apart > high else ""
    kinds = None
    if mixes[1] is None:
        kinds = {
            kind: against(over([below, layer(upper, 1, opaque)], on))[:3]
            for kind, opaque in (("covering", True), ("transparent", False))
        }
    return Order(
        lower,
        upper,
        predicted,
        de00,
        # Where they agree, the true distance may be nothing; a sampled one never is.
        (
            0.0 if distance <= CHI2_3_95 else float(np.percentile(spread, 2.5)),
            float(np.percentile(spread, 97.5)),
        ),
        distance,
        f"{covers} than predicted" if covers else "as predicted",
        (below.opaque, top.opaque),
        kinds,
    )


def _with_card(colour: StripReading, shared: np.ndarray) -> np.ndarray:
    """(m, 3) possible colours, what the card leaves open included, alike for all strips."""
    samples = np.resize(colour.lab_samples, (SAMPLES, 3))
    own = colour.lab_samples.std(axis=0)
    card_sd = np.sqrt(np.maximum((colour.lab_u95 / 1.96) ** 2 - own**2, 0))
    return samples + card_sd * shared
