"""Plane to plane: applying a homography, and its slope at a point."""

from __future__ import annotations

import numpy as np


def apply_homography(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(3, 3) applied to points (..., 2)."""
    points = np.asarray(points, dtype=float)
    out = points @ matrix[:, :2].T + matrix[:, 2]
    return out[..., :2] / out[..., 2:]


def local_jacobian(matrix: np.ndarray, x: float, y: float) -> np.ndarray:
    """(2, 2) derivative of a homography at one point."""
    u, v, w = matrix @ (x, y, 1.0)
    return np.array(
        [
            matrix[0, :2] / w - u * matrix[2, :2] / w**2,
            matrix[1, :2] / w - v * matrix[2, :2] / w**2,
        ]
    )


def from_pixels(x0_mm: float, y0_mm: float, px_per_mm: float) -> np.ndarray:
    """(3, 3) pixels, centres at whole numbers, of a picture that begins at a place -> mm."""
    step = 1 / px_per_mm
    return np.array([[step, 0, x0_mm + 0.5 / px_per_mm], [0, step, y0_mm + 0.5 / px_per_mm],
                     [0, 0, 1]])  # fmt: skip


def to_reduced(x0: int, y0: int, shrink: int) -> np.ndarray:
    """(3, 3) photo pixels -> those of its part from (x0, y0) on, averaged shrink x shrink."""
    k = float(shrink)
    return np.array([[1 / k, 0, (0.5 - x0) / k - 0.5], [0, 1 / k, (0.5 - y0) / k - 0.5],
                     [0, 0, 1]])  # fmt: skip


def is_in_front(matrix: np.ndarray, points: np.ndarray) -> bool:
    """Whether all points lie on the visible side and are seen from their front (not mirrored)."""
    points = np.asarray(points, dtype=float).reshape(-1, 2)
    ahead = points @ matrix[2, :2] + matrix[2, 2]
    if not (np.all(ahead > 1e-9 * np.abs(ahead).max()) or np.all(ahead < 0)):
        return False
    middle = points.mean(axis=0)
    return float(np.linalg.det(local_jacobian(matrix, *middle))) > 0
