"""Fill a coarse grid from the cells where something was seen, and read between its cells."""

from __future__ import annotations

import cv2
import numpy as np

# Reach of the coarse and the fine smoothing, standard deviation in mm.
COARSE_MM, FINE_MM = 14.0, 5.0
# Weight of "nothing to add", as so many cells in the middle of the reach.
FADE_CELLS = 4.0
RELAX = 80
_NEIGHBOURS = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4
_CENTRE = np.array([[0, 0, 0], [0, 1, 0], [0, 0, 0]], np.float32)
HALF_GAP_MM = 11.0
MOST_POINTS = 16000  # cv2.remap takes at most 32767 in a row


def spread_out(
    seen: np.ndarray, on: np.ndarray, cell_mm: float, scatter: float
) -> tuple[np.ndarray, np.ndarray]:
    """Smooth ``seen`` (rows, columns, k) from the cells where ``on``, into the gaps too.

    Coarsely first, then the rest finely, then the gaps from their rims; far from any seen
    cell it fades to zero. Returns that and its standard uncertainty (rows, columns),
    from the scatter around it, its bends (what lies inside a gap is interpolated) and the
    distance to what was seen; ``scatter`` is that of a single cell.
    """
    weight = on.astype(np.float32)
    out = np.zeros_like(seen, dtype=np.float32)
    for reach in (COARSE_MM, FINE_MM):
        sigma = reach / cell_mm
        fade = FADE_CELLS / (2 * np.pi * sigma**2) * (reach / COARSE_MM) ** 2
        rest = (weight[..., None] * (seen - out)).astype(np.float32)
        out = out + _blur(rest, sigma) / (_blur(weight, sigma) + fade)[..., None]
    # Inside a gap, as a membrane held at its rim (Laplace's equation), so that light further
    # off does not leak in.
    smooth, held = out, np.broadcast_to(on[..., None], out.shape)
    for _ in range(RELAX):
        out = cv2.filter2D(out, -1, _NEIGHBOURS).reshape(smooth.shape)
        out *= 0.999
        np.copyto(out, smooth, where=held)
    sigma = COARSE_MM / cell_mm
    fade = FADE_CELLS / (2 * np.pi * sigma**2)
    mass = _blur(weight, sigma)
    left = weight * np.mean((seen - out) ** 2, axis=-1).astype(np.float32)
    around = (_blur(left, sigma) + fade * scatter**2) / (mass + fade)
    # What a straight bridge over a gap misses: curvature near its rim times half the gap
    # squared over two.
    level = out.mean(axis=-1)
    curved = np.abs(cv2.filter2D(level, -1, _NEIGHBOURS * 4 - _CENTRE * 4)) / cell_mm**2
    curved = np.where(on, curved, 0.0).astype(np.float32)
    bend = HALF_GAP_MM**2 / 2 * _blur(curved, sigma) / (mass + fade)
    unseen = fade / (mass + fade)
    return out, np.sqrt(0.09 * around + bend**2 + (0.01 * unseen) ** 2 + 0.002**2)


def _blur(values: np.ndarray, sigma: float) -> np.ndarray:
    return cv2.GaussianBlur(values, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)


def look_up(
    grid: np.ndarray, xy_mm: np.ndarray, origin_mm: tuple[float, float], cell_mm: float
) -> np.ndarray:
    """Bilinear reading of a (rows, columns, k) grid of cell centres."""
    flat = xy_mm.reshape(-1, 2)
    if len(flat) > MOST_POINTS:
        parts = np.array_split(flat, 1 + len(flat) // MOST_POINTS)
        return np.concatenate([look_up(grid, p, origin_mm, cell_mm) for p in parts]).reshape(
            *xy_mm.shape[:-1], grid.shape[-1]
        )
    place = ((flat - np.asarray(origin_mm)) / cell_mm - 0.5).astype(np.float32)
    values = [
        cv2.remap(
            np.ascontiguousarray(grid[..., k], dtype=np.float32),
            place[:, 0][None],
            place[:, 1][None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )[0]
        for k in range(grid.shape[-1])
    ]
    return np.stack(values, axis=-1).astype(float).reshape(*xy_mm.shape[:-1], grid.shape[-1])
