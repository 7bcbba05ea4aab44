"""Known printing on the sheet under the strips: our own test sheet, and stray markers.

The test sheet's markers tell exactly where its bar, ticks and text are; other markers are
only blanked out.
"""

from __future__ import annotations

import cv2
import numpy as np

from drawdown.strip_bars import Bar
from drawdown.testsheet import MARKER_IDS, SheetPlace, find_sheet


def _marker_corners_mm(view) -> dict[int, np.ndarray]:
    inverse = np.linalg.inv(view.mm_to_px)
    out = {}
    for number, corners in getattr(view, "other_markers", {}).items():
        p = np.c_[np.asarray(corners, dtype=float), np.ones(4)] @ inverse.T
        out[int(number)] = p[:, :2] / p[:, 2:]
    return out


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


def bars(view) -> list[Bar]:
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
        px = (np.asarray(polygon) - sheet.origin_mm) * sheet.px_per_mm - 0.5
        cv2.fillPoly(mask, [np.round(px * 16).astype(np.int32)], 1, shift=4)
    return mask > 0
