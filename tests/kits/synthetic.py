"""A plain synthetic photograph for tests: a card and colour fields on paper, seen through a
known homography, in 8 bits. No noise, no lens: what comes out can be computed by hand. (The
hard photographs are rendered in fixtures/.)"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageCms

from calibration.card.definition import CardDefinition
from calibration.colour.spaces import srgb_encode

SCALE = 6.0  # pixels per mm of the flat drawing


@dataclass(frozen=True)
class Field:
    """A rectangle (x, y, w, h) in card mm with one linear colour."""

    rect_mm: tuple[float, float, float, float]
    rgb_linear: tuple[float, float, float]


def draw_flat(
    card: CardDefinition,
    patch_rgb: np.ndarray,
    fields: list[Field],
    extent_mm: tuple[float, float, float, float],
    paper: np.ndarray,
) -> np.ndarray:
    """(h, w, 3) float32 linear picture of the plane; extent is x0, y0, x1, y1 in card mm."""
    x0, y0, x1, y1 = extent_mm
    picture = np.empty((round((y1 - y0) * SCALE), round((x1 - x0) * SCALE), 3), np.float32)
    picture[:] = paper

    def fill(rect, colour):
        x, y, w, h = rect
        a, b = round((x - x0) * SCALE), round((y - y0) * SCALE)
        picture[b : b + round(h * SCALE), a : a + round(w * SCALE)] = colour

    for patch, rgb in zip(card.patches, patch_rgb, strict=True):
        fill(patch.rect_mm, rgb)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    for marker in card.markers:
        size = dictionary.markerSize + 2
        cells = cv2.aruco.generateImageMarker(dictionary, marker.id, size) > 0
        x, y, w, _ = marker.rect_mm
        fill(marker.rect_mm, paper * 0.04)
        for row in range(size):
            for column in range(size):
                rect = (x + column * w / size, y + row * w / size, w / size, w / size)
                if cells[row, column]:
                    fill(rect, paper)
    for field in fields:
        fill(field.rect_mm, field.rgb_linear)
    return picture


def view_matrix(
    extent_mm: tuple[float, float, float, float],
    size_px: tuple[int, int],
    corners_px: np.ndarray,
) -> np.ndarray:
    """(3, 3) card mm -> photo px that brings the extent's corners to ``corners_px``."""
    x0, y0, x1, y1 = extent_mm
    mm = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float32)
    return cv2.getPerspectiveTransform(mm, np.asarray(corners_px, np.float32))


def photograph(
    flat: np.ndarray,
    extent_mm: tuple[float, float, float, float],
    mm_to_px: np.ndarray,
    size_px: tuple[int, int],
    table: float = 0.15,
) -> np.ndarray:
    """(h, w, 3) linear picture, area-sampled 2 x 2."""
    x0, y0, _, _ = extent_mm
    flat_to_mm = np.array(
        [[1 / SCALE, 0, x0 + 0.5 / SCALE], [0, 1 / SCALE, y0 + 0.5 / SCALE], [0, 0, 1]]
    )
    double = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1]], float)
    big = cv2.warpPerspective(
        flat,
        double @ mm_to_px @ flat_to_mm,
        (2 * size_px[0], 2 * size_px[1]),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(table, table, table),
    )
    return cv2.resize(big, size_px, interpolation=cv2.INTER_AREA)


def s_curve(encoded: np.ndarray, strength: float) -> np.ndarray:
    """A phone-like S on encoded values, monotone for strength < 1."""
    return encoded - strength * np.sin(2 * np.pi * encoded) / (2 * np.pi)


def save(
    path: Path, linear: np.ndarray, *, tone: float = 0.0, seed: int = 0, quality: int | None = None
) -> Path:
    """Encode as sRGB (after an S curve) with half a level of dither, and write with a profile."""
    encoded = s_curve(np.clip(srgb_encode(linear), 0, 1), tone)
    noise = np.random.default_rng(seed).normal(0, 0.6, encoded.shape)
    levels = np.clip(np.round(255 * encoded + noise), 0, 255).astype(np.uint8)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    options = {} if quality is None else {"quality": quality, "subsampling": 0}
    Image.fromarray(levels).save(path, icc_profile=profile, **options)
    return path
