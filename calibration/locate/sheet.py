"""The plane of card and strips, seen from straight above, in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.locate.find_card import CardView
from calibration.locate.geometry import apply_homography, from_pixels, to_reduced
from calibration.photo.open import Photo

# How far beyond the card the sheet is looked at, and the size of the picture made of it.
MOST_REACH_MM, LEAST_REACH_MM = 260.0, 140.0
MAX_PX_PER_MM = 3.2
MOST_SHEET_PIXELS = 1.1e6
BAND_PX = 64  # rows that stay in the processor's cache


@dataclass(frozen=True, eq=False, repr=False)
class Sheet:
    """``rgb_linear`` (h, w, 3) float32 in the photo's linear RGB; ``inside`` (h, w) True
    where the photo shows this place; ``clipped`` and ``crushed`` (h, w) float32: share of
    the photo's pixels there that are at the upper or lower end of the camera's range.
    Millimetres are the card's: ``mm = origin_mm + (pixel + 0.5) / px_per_mm``."""

    rgb_linear: np.ndarray
    inside: np.ndarray
    clipped: np.ndarray
    crushed: np.ndarray
    origin_mm: tuple[float, float]
    px_per_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        return self.rgb_linear.shape[:2]

    def to_mm(self, xy_px: np.ndarray) -> np.ndarray:
        """Sheet pixels (..., 2) as (x, y) -> millimetres."""
        return np.asarray(self.origin_mm) + (np.asarray(xy_px, dtype=float) + 0.5) / self.px_per_mm

    def to_px(self, xy_mm: np.ndarray) -> np.ndarray:
        """Millimetres (..., 2) -> sheet pixels as (x, y), pixel centres at whole numbers."""
        return (np.asarray(xy_mm, dtype=float) - self.origin_mm) * self.px_per_mm - 0.5

    def window(self, rect_mm: tuple[float, float, float, float]) -> tuple[slice, slice]:
        """Rows and columns whose pixel centres lie in (x, y, width, height) in mm."""
        x, y, w, h = rect_mm
        left, top = np.ceil(self.to_px(np.array([x, y]))).astype(int)
        right, bottom = np.floor(self.to_px(np.array([x + w, y + h]))).astype(int) + 1
        rows, columns = self.shape
        return (
            slice(min(max(top, 0), rows), min(max(bottom, 0), rows)),
            slice(min(max(left, 0), columns), min(max(right, 0), columns)),
        )

    def grid_mm(self) -> tuple[np.ndarray, np.ndarray]:
        """Millimetres of the pixel centres: x (w,), y (h,)."""
        rows, columns = self.shape
        x = self.origin_mm[0] + (np.arange(columns) + 0.5) / self.px_per_mm
        y = self.origin_mm[1] + (np.arange(rows) + 0.5) / self.px_per_mm
        return x, y


def _extent_mm(photo: Photo, view: CardView) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1: what the photo shows of the plane, within reach of the card."""
    width, height = view.card.size_mm
    # A small chart has small patches, which a wide sheet would show too small.
    reach = float(np.clip(1.8 * max(width, height), LEAST_REACH_MM, MOST_REACH_MM))
    x = np.linspace(-reach, width + reach, 61)
    y = np.linspace(-reach, height + reach, 61)
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    ahead = grid @ view.mm_to_px[2, :2] + view.mm_to_px[2, 2]
    centre = np.array([width / 2, height / 2, 1.0])
    ahead = ahead / (view.mm_to_px[2] @ centre)
    px = apply_homography(view.mm_to_px, grid)
    # ahead > 3: so far off that the paper there is seen at less than a third of the scale.
    seen = (ahead > 0.33) & (ahead < 3.0)
    seen &= ((px >= 0) & (px < (photo.width_px, photo.height_px))).all(axis=-1)
    if not seen.any():
        return 0.0, 0.0, width, height
    step = max(x[1] - x[0], y[1] - y[0])
    low = np.maximum(grid[seen].min(axis=0) - step, -reach)
    high = np.minimum(grid[seen].max(axis=0) + step, (width + reach, height + reach))
    return (*map(float, low), *map(float, high))


def rectify(photo: Photo, view: CardView) -> Sheet:
    """The photo's view of the card's plane as a ``Sheet`` (area-averaged linear light)."""
    x0, y0, x1, y1 = _extent_mm(photo, view)
    scale = min(MAX_PX_PER_MM, max(view.pixels_per_mm, 1.0))
    scale = min(scale, float(np.sqrt(MOST_SHEET_PIXELS / ((x1 - x0) * (y1 - y0)))))
    columns, rows = round((x1 - x0) * scale), round((y1 - y0) * scale)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    box = _box_px(photo, view, corners)
    shrink = max(1, int(view.pixels_per_mm / scale + 0.25))
    rgb, clipped, crushed = _reduced(photo, box, shrink)
    # sheet pixel -> mm -> photo pixel -> pixel of the reduced picture
    to_mm = from_pixels(x0, y0, scale)
    matrix = to_reduced(box[0], box[1], shrink) @ view.mm_to_px @ to_mm

    def warp(picture: np.ndarray, border: int = cv2.BORDER_REPLICATE) -> np.ndarray:
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpPerspective(picture, matrix, (columns, rows), flags=how, borderMode=border)

    inside = warp(np.full(rgb.shape[:2], 255, np.uint8), cv2.BORDER_CONSTANT) > 250
    return Sheet(warp(rgb), inside, warp(clipped), warp(crushed), (x0, y0), scale)


def _box_px(photo: Photo, view: CardView, corners_mm: np.ndarray) -> tuple[int, int, int, int]:
    """The photo region that shows the extent: x0, y0, x1, y1, a whole photo at most."""
    ahead = corners_mm @ view.mm_to_px[2, :2] + view.mm_to_px[2, 2]
    if np.any(ahead * np.sign(view.mm_to_px[2, 2]) < 1e-3):
        return 0, 0, photo.width_px, photo.height_px
    px = apply_homography(view.mm_to_px, corners_mm)
    low = np.maximum(np.floor(px.min(axis=0)) - 2, 0)
    high = np.minimum(np.ceil(px.max(axis=0)) + 3, (photo.width_px, photo.height_px))
    return (*map(int, low), *map(int, high))


def _reduced(
    photo: Photo, box: tuple[int, int, int, int], shrink: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear RGB, clipped and crushed share of a region, averaged over shrink x shrink."""
    x0, y0, x1, y1 = box
    columns, rows = max(1, (x1 - x0) // shrink), max(1, (y1 - y0) // shrink)
    rgb = np.empty((rows, columns, 3), np.float32)
    clipped = np.zeros((rows, columns), np.float32)
    crushed = np.zeros((rows, columns), np.float32)
    band = max(1, BAND_PX // shrink)
    high = float(2 ** (8 * photo.rgb_encoded.itemsize) - 1)
    x1 = x0 + columns * shrink
    for top in range(0, rows, band):
        bottom = min(top + band, rows)
        a, b = y0 + top * shrink, y0 + bottom * shrink
        size = (columns, bottom - top)
        encoded = photo.rgb_encoded[a:b, x0:x1]
        linear = photo.rgb_linear(x0, a, x1, b)
        if shrink > 1:
            linear = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
        rgb[top:bottom] = linear
        within = ((0.0, photo.clip_high - 1.0), (photo.clip_low + 1.0, high))
        spoilt = (encoded.max() >= photo.clip_high, encoded.min() <= photo.clip_low)
        for share, (low, top_level), any_spoilt in zip(
            (clipped, crushed), within, spoilt, strict=True
        ):
            if any_spoilt:
                share[top:bottom] = _share_outside(encoded, low, top_level, size)
    return rgb, clipped, crushed


def _share_outside(
    encoded: np.ndarray, low: float, high: float, size: tuple[int, int]
) -> np.ndarray:
    """Share of pixels with a channel outside low..high, averaged down to ``size``."""
    inside = cv2.inRange(encoded, (low,) * 3, (high,) * 3)
    if inside.shape[::-1] != size:
        inside = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    return 1.0 - inside * np.float32(1 / 255)
