"""The test sheet, a printed page for pulling draw-downs, and where its printing lies in a photo.
Millimetres from the sheet's upper left corner, x to the right, y down."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from calibration.card.artwork import (
    BLACK,
    GREY,
    LIGHT,
    PAPERS_MM,
    Item,
    Line,
    Page,
    Polygon,
    Rect,
    Rect4,
    Text,
    bounds_mm,
    marker_items,
    outline,
    text_width_mm,
)
from calibration.card.definition import Marker
from calibration.locate.geometry import apply_homography
from drawdown.strips import limits
from drawdown.strips.bars import Bar
from drawdown.strips.working_picture import fill

DICTIONARY = "DICT_4X4_50"
MARKER_IDS = (4, 18, 36, 46)  # clockwise from the upper left
MARKER_MM, EDGE_MM = 8.0, 8.0
CARD_MM = (150.0, 65.0)
CARD_TOP_MM = 20.0
LANES, LANE_MM, LANE_GAP_MM = 6, (26.0, 110.0), 5.0
LANE_TOP_MM = 93.0
# The bar lies where a pull is even: past the thick start, long before the ink runs out.
BAR_BELOW_MM, BAR_HEIGHT_MM, BAR_BEYOND_MM = 58.0, 12.0, 3.0
TO_WRITE = ("ink / mix", "", "parts", "date", "paper", "wet / dry")
ON_CARD_PLACE = (
    "lay the card here",
    "Pull each strip from its arrow down across the black bar, all with the same stroke.",
    "Keep inside the corner ticks. Photograph the whole sheet from straight above.",
)
CAUTION = (
    "Oily rags can heat themselves: closed metal can with water, or spread flat outdoors.",
    "Gloves, fresh air, the ink maker's safety data sheet and local rules come first.",
)


@dataclass(frozen=True)
class TestSheet:
    """A test sheet, all rectangles (x, y, width, height) in sheet mm; ``printing_rects_mm``
    are all pieces of printing, the markers among them."""

    __test__ = False  # pytest: not a test class

    paper: str
    size_mm: tuple[float, float]
    dictionary: str
    markers: tuple[Marker, ...]
    lanes_mm: tuple[Rect4, ...]
    bar_mm: Rect4
    card_place_mm: Rect4
    printing_rects_mm: tuple[Rect4, ...]


@dataclass(frozen=True)
class SheetPlace:
    """Where a test sheet lies in another plane: ``to_plane_mm`` (3, 3) rigid motion from sheet
    mm, ``residual_mm`` root mean square distance of the markers' corners from it."""

    sheet: TestSheet
    to_plane_mm: np.ndarray
    residual_mm: float


@functools.cache
def _built(paper: str) -> TestSheet:
    width, height = PAPERS_MM[paper]
    far_x, far_y = width - EDGE_MM - MARKER_MM, height - EDGE_MM - MARKER_MM
    corners = ((EDGE_MM, EDGE_MM), (far_x, EDGE_MM), (far_x, far_y), (EDGE_MM, far_y))
    markers = tuple(
        Marker(i, (x, y, MARKER_MM, MARKER_MM))
        for i, (x, y) in zip(MARKER_IDS, corners, strict=True)
    )
    span = LANES * LANE_MM[0] + (LANES - 1) * LANE_GAP_MM
    left = (width - span) / 2
    lanes = tuple(
        (left + i * (LANE_MM[0] + LANE_GAP_MM), LANE_TOP_MM, *LANE_MM) for i in range(LANES)
    )
    bar_left, bar_width = left - BAR_BEYOND_MM, span + 2 * BAR_BEYOND_MM
    bar = (bar_left, LANE_TOP_MM + BAR_BELOW_MM, bar_width, BAR_HEIGHT_MM)
    place = ((width - CARD_MM[0]) / 2, CARD_TOP_MM, *CARD_MM)
    items = _items(paper, lanes, bar, place)
    printing = tuple(m.rect_mm for m in markers) + tuple(bounds_mm(item) for item in items)
    return TestSheet(paper, (width, height), DICTIONARY, markers, lanes, bar, place, printing)


def builtin_sheets() -> dict[str, TestSheet]:
    """Our test sheets by paper: "a4" and "letter"."""
    return {paper: _built(paper) for paper in PAPERS_MM}


def sheet_page(sheet: TestSheet) -> Page:
    """The printable page of a sheet."""
    items: list[Item] = []
    for marker in sheet.markers:
        items += marker_items(marker, sheet.dictionary)
    items += _items(sheet.paper, sheet.lanes_mm, sheet.bar_mm, sheet.card_place_mm)
    return Page("drawdown test sheet", sheet.size_mm, tuple(items))


def find_sheet(corners_mm: dict[int, np.ndarray]) -> SheetPlace | None:
    """Which of our sheets the markers belong to, and how it lies.

    ``corners_mm`` maps marker ids to (4, 2) corners in a plane in mm, in OpenCV's order. None
    when there are fewer than two, or they fit no sheet within ``limits.SHEET_FIT_MM``."""
    best = None
    for sheet in builtin_sheets().values():
        seen = [marker for marker in sheet.markers if marker.id in corners_mm]
        if len(seen) < 2:
            return None
        printed = np.concatenate([marker.corners_mm for marker in seen])
        there = np.concatenate([np.asarray(corners_mm[m.id], dtype=float) for m in seen])
        place = SheetPlace(sheet, *_rigid(printed, there))
        if best is None or place.residual_mm < best.residual_mm:
            best = place
    return best if best.residual_mm <= limits.SHEET_FIT_MM else None


def _rigid(source: np.ndarray, target: np.ndarray) -> tuple[np.ndarray, float]:
    """Least-squares rotation and shift (Kabsch 1976) as a (3, 3) matrix, and its residual.
    No scaling: the papers differ by little more than a scale."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = vt.T @ np.diag([1.0, np.sign(np.linalg.det(vt.T @ u.T))]) @ u.T
    motion = np.eye(3)
    motion[:2, :2] = turn
    motion[:2, 2] = target.mean(axis=0) - turn @ source.mean(axis=0)
    off = b - a @ turn.T
    return motion, float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def _items(paper: str, lanes: tuple[Rect4, ...], bar: Rect4, place: Rect4) -> list[Item]:
    """All printing but the markers."""
    width, height = PAPERS_MM[paper]
    items: list[Item] = _headline(width)
    items += outline(place, 0.25, GREY, (0.5, 1.0))
    for i, line in enumerate(ON_CARD_PLACE):
        size = 5.0 if i == 0 else 2.8
        at = (width / 2, place[1] + place[3] / 2 - 3.0 + 5.0 * i + (1.5 if i else 0.0))
        items.append(Text(at, size, line, "middle", GREY))
    for lane in lanes:
        items += _lane(lane)
        items += _lines_to_write(lane, height)
    items.append(Rect(bar, BLACK))
    items += [
        Text((width / 2, height - 12.6 + 3.8 * i), 2.8, line, "middle", BLACK)
        for i, line in enumerate(CAUTION)
    ]
    return items


def _headline(width: float) -> list[Item]:
    left, right, baseline = EDGE_MM + MARKER_MM + 5.0, width - EDGE_MM - MARKER_MM - 5.0, 14.5
    label = "edition / colour"
    start = left + text_width_mm(label, 3.6) + 2.0
    return [
        Text((left, baseline), 3.6, label),
        Line((start, baseline + 0.8), (right, baseline + 0.8), 0.2, GREY),
    ]


def _lane(lane: Rect4) -> list[Item]:
    """Corner ticks that stay outside the lane, and an arrow above it: pull this way."""
    x, y, w, h = lane
    items: list[Item] = []
    for cx, out_x in ((x, -1), (x + w, 1)):
        for cy, out_y in ((y, -1), (y + h, 1)):
            items.append(Line((cx + 0.5 * out_x, cy), (cx + 2.1 * out_x, cy), 0.25, LIGHT))
            items.append(Line((cx, cy + 0.5 * out_y), (cx, cy + 2.1 * out_y), 0.25, LIGHT))
    middle = x + w / 2
    arrow = ((middle - 1.8, y - 4.2), (middle + 1.8, y - 4.2), (middle, y - 1.6))
    return [*items, Polygon(arrow, LIGHT)]


def _lines_to_write(lane: Rect4, height: float) -> list[Item]:
    x, y, w, h = lane
    top = y + h + 4.0
    pitch = min(11.0, (height - EDGE_MM - MARKER_MM - 3.0 - top) / len(TO_WRITE))
    items: list[Item] = []
    for i, label in enumerate(TO_WRITE, start=1):
        items.append(Line((x, top + i * pitch), (x + w, top + i * pitch), 0.2, GREY))
        if label:
            items.append(Text((x, top + i * pitch - 0.8), 2.4, label, "start", GREY))
    return items


def _marker_corners_mm(view) -> dict[int, np.ndarray]:
    inverse = np.linalg.inv(view.mm_to_px)
    markers = getattr(view, "other_markers", {})
    return {int(number): apply_homography(inverse, c) for number, c in markers.items()}


def _grown(corners: np.ndarray, margin_mm: float) -> np.ndarray:
    """A quadrilateral with its corners moved outwards along the diagonals."""
    centre = corners.mean(axis=0)
    away = corners - centre
    reach = np.linalg.norm(away, axis=1, keepdims=True)
    return centre + away * (1 + margin_mm * np.sqrt(2) / np.maximum(reach, 1e-6))


def _sheet_place(view) -> SheetPlace | None:
    corners = _marker_corners_mm(view)
    return find_sheet({k: v for k, v in corners.items() if k in MARKER_IDS}) if corners else None


def _rect_corners(rect_mm, matrix: np.ndarray) -> np.ndarray:
    x, y, w, h = rect_mm
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)
    return corners @ matrix[:2, :2].T + matrix[:2, 2]


def printed_polygons(view) -> list[np.ndarray]:
    """Places (n, 2) in card mm where the printing is known."""
    polygons = [_grown(c, 1.0) for c in _marker_corners_mm(view).values()]
    place = _sheet_place(view)
    if place is not None:
        polygons += [_rect_corners(r, place.to_plane_mm) for r in place.sheet.printing_rects_mm]
    return polygons


def known_bars(view) -> list[Bar]:
    """Printed bars whose place is known."""
    place = _sheet_place(view)
    if place is None:
        return []
    return [Bar(_rect_corners(place.sheet.bar_mm, place.to_plane_mm))]


def printed_mask(sheet, view) -> np.ndarray | None:
    """(h, w) bool on the Sheet's grid: known printing, or None where nothing is known."""
    polygons = printed_polygons(view)
    if not polygons:
        return None
    mask = np.zeros(sheet.inside.shape, np.uint8)
    for polygon in polygons:
        fill(mask, sheet.to_px(polygon))
    return mask > 0
