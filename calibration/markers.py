"""Markers in a grey picture: OpenCV's ArucoDetector on reduced pictures, in turn.

Reduced pictures come first and larger ones only when something is missing; corners found on
a reduced picture are refined at full resolution.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

# Long side in pixels of the reduced pictures that are searched, in turn.
SEARCH_SIDES = (1600, 2800, 6000)
# A small picture is searched once more enlarged: markers of few pixels per cell.
ENLARGED, ENLARGE_BELOW = 1.5, 3300


def detect(grey: np.ndarray, dictionary: str) -> list[tuple[int, np.ndarray]]:
    """All markers in a grey picture: (id, corners (4, 2))."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.012
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 3
    # Cells of three or four pixels: sample them finely and only near their middle.
    parameters.perspectiveRemovePixelPerCell = 16
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.33
    shortest = min(grey.shape)
    parameters.adaptiveThreshWinSizeMax = 23 if shortest > 500 else 13
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(known, parameters).detectMarkers(grey)
    if ids is None:
        return []
    return [(int(i), c.reshape(4, 2)) for i, c in zip(ids.ravel(), corners, strict=True)]


def variants(grey: np.ndarray) -> Iterator[np.ndarray]:
    """The picture as it is, then with local contrast raised (shade, weak light)."""
    yield grey
    yield cv2.createCLAHE(3.0, (8, 8)).apply(grey)


def scaled(grey: np.ndarray, side: int) -> tuple[np.ndarray, float]:
    """The picture with about this long side, and its scale."""
    long_side = max(grey.shape)
    factor = side / long_side
    if 0.85 <= factor <= 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return cv2.resize(grey, size, interpolation=how), size[0] / grey.shape[1]


def sides(long_side: int) -> list[int]:
    """The long sides at which a picture is searched, in turn."""
    out = [side for side in SEARCH_SIDES if side < 0.85 * long_side] + [long_side]
    if long_side < ENLARGE_BELOW:
        out.append(round(ENLARGED * long_side))
    return [side for side in out if side <= max(SEARCH_SIDES[-1], long_side * ENLARGED)]


def refine(grey: np.ndarray, corners: np.ndarray, reach_px: float) -> np.ndarray:
    """Corners refined at full resolution, searched within ``reach_px``."""
    window = int(np.clip(reach_px, 2, 12))
    points = corners.reshape(-1, 1, 2).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    refined = cv2.cornerSubPix(grey, points.copy(), (window, window), (-1, -1), stop)
    moved = np.linalg.norm(refined - points, axis=2) > window
    refined[moved] = points[moved]
    return refined.reshape(corners.shape)


def merge(seen: dict[int, list[np.ndarray]], found: list[tuple[int, np.ndarray]]) -> None:
    """Add markers that were not already seen at the same place."""
    for number, corners in found:
        places = seen.setdefault(number, [])
        centre = corners.mean(axis=0)
        size = np.linalg.norm(corners[0] - corners[2])
        if all(np.linalg.norm(p.mean(axis=0) - centre) > 0.5 * size for p in places):
            places.append(corners)
