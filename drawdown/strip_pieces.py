"""Pieces of masks: connected shapes on a part of the working picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strip_picture import disc


@dataclass(frozen=True)
class Piece:
    """A connected mask (h, w) that begins at ``corner`` (row, column) of a ground's part;
    ``haze`` when it is only what was left of a piece without its strong parts."""

    mask: np.ndarray
    corner: tuple[int, int]
    haze: bool = False

    @property
    def area(self) -> int:
        return cv2.countNonZero(self.mask.view(np.uint8))

    @property
    def part(self) -> tuple[slice, slice]:
        rows, columns = self.mask.shape
        return (
            slice(self.corner[0], self.corner[0] + rows),
            slice(self.corner[1], self.corner[1] + columns),
        )


def filled(blob: np.ndarray, limit_px: float) -> np.ndarray:
    """Fill holes up to a size: streaks that show paper inside the ink."""
    holes = (~blob).view(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(holes, connectivity=4)
    x, y, w, h = (stats[:, k] for k in range(4))
    closed = (x > 0) & (y > 0) & (x + w < blob.shape[1]) & (y + h < blob.shape[0])
    small = closed & (stats[:, cv2.CC_STAT_AREA] < limit_px)
    small[0] = False
    return blob | small[label]


def eroded(mask: np.ndarray, radius_px: float) -> np.ndarray:
    """Eroded uint8 mask; beyond its border there is nothing."""
    padded = np.pad(mask, 1).view(np.uint8)
    kernel = disc(radius_px)
    return cv2.erode(padded, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)[1:-1, 1:-1]


def shared_part(target: np.ndarray, source: np.ndarray, at: tuple[int, int]):
    """Slices of two arrays that overlap with the corner of ``source`` at (row, column) of
    ``target``; None when they do not."""
    a0, b0 = max(0, at[0]), max(0, at[1])
    a1 = min(target.shape[0], at[0] + source.shape[0])
    b1 = min(target.shape[1], at[1] + source.shape[1])
    if a1 <= a0 or b1 <= b0:
        return None
    there = (slice(a0, a1), slice(b0, b1))
    return there, (slice(a0 - at[0], a1 - at[0]), slice(b0 - at[1], b1 - at[1]))


def paste(target: np.ndarray, source: np.ndarray, at: tuple[int, int]) -> None:
    """OR ``source`` into ``target`` with its corner at (row, column), clipped."""
    shared = shared_part(target, source, at)
    if shared is not None:
        target[shared[0]] |= source[shared[1]]


def put(target: np.ndarray, source: np.ndarray, at: tuple[int, int]) -> None:
    """Copy ``source`` into ``target`` with its corner at (row, column), clipped."""
    shared = shared_part(target, source, at)
    if shared is not None:
        target[shared[0]] = source[shared[1]]
