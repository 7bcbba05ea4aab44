"""Even surfaces on the sheet: where the paper, or a plain table, shows the shape of the light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

MAX_SURFACES = 4
LEAST_CELLS = 60
GAP_CELLS, BRIDGE_STEP = 7, 0.02
NARROW_MM = 45.0
# Neighbouring cells of one surface differ by less than this in log light, even across the
# soft edge of a shadow; and by less than the second when the next cells do not differ.
SMOOTH_STEP, LONE_STEP = 0.25, 0.012
TINT_STEP = 0.01


@dataclass(frozen=True, eq=False, repr=False)
class LightSamples:
    """Places where the light can be read: card whites, then even cells of the sheet.

    ``rgb`` (n, 3) linear RGB as photographed; ``xy_mm`` (n, 2); ``surface`` (n,) 0 for the
    card's white, 1.. for other surfaces; ``cells`` (rows, columns) index of the sample at a
    cell or -1; ``cell_origin_mm`` and ``cell_mm`` place that grid."""

    rgb: np.ndarray
    xy_mm: np.ndarray
    surface: np.ndarray
    cells: np.ndarray
    cell_origin_mm: tuple[float, float]
    cell_mm: float


def even_surfaces(samples: LightSamples) -> tuple[np.ndarray, int]:
    """Sort the cells into at most a few even surfaces, 1.. by size; the rest get -1.

    A surface is a patch of cells that change smoothly from one to the next: a soft shadow
    passes, the edge of a sheet does not.
    """
    surface = samples.surface.copy()
    cells = samples.cells
    known = cells >= 0
    if not known.any():
        return surface, 0
    value = np.where(known[..., None], np.log(samples.rgb[np.maximum(cells, 0)]), np.nan)
    smooth = known & ~_leaps(value)
    _, label = cv2.connectedComponents(smooth.astype(np.uint8), connectivity=4)
    label = _bridge(label, value)
    area = np.bincount(label.ravel())
    area[0] = 0
    for k in np.flatnonzero(area >= LEAST_CELLS):
        rows, columns = np.nonzero(label == k)
        height, width = np.ptp(rows) + 1, np.ptp(columns) + 1
        # A small filled rectangle may be a light strip: its film is not the lamp's business.
        if min(width, height) * samples.cell_mm < NARROW_MM and area[k] > 0.6 * width * height:
            area[k] = 0
    order = [k for k in np.argsort(-area) if area[k] >= LEAST_CELLS][:MAX_SURFACES]
    for number, k in enumerate(order, start=1):
        surface[cells[known & (label == k)]] = number
    return surface, len(order)


def _leaps(value: np.ndarray) -> np.ndarray:
    """(rows, columns) True for cells beside the sharp edge of something, in log light (NaN
    where nothing is known): a large step, or one that stands alone, since the soft edge of a
    shadow spreads over several cells."""
    out = np.zeros(value.shape[:2], bool)
    for axis in (0, 1):
        change = np.diff(value, axis=axis)
        step = np.abs(change).max(axis=-1)
        level = change.mean(axis=-1)
        tint = np.nan_to_num(np.abs(change - level[..., None]).max(axis=-1), nan=0.0)
        around = np.full_like(step, np.nan)
        before, after = [slice(None)] * 2, [slice(None)] * 2
        before[axis], after[axis] = slice(0, -2), slice(2, None)
        around[tuple(after)] = step[tuple(before)]
        around[tuple(before)] = np.fmax(around[tuple(before)], step[tuple(after)])
        # Where nothing is known two cells on, nobody can say that a step stands alone.
        around = np.nan_to_num(around, nan=np.inf)
        step = np.nan_to_num(step, nan=0.0)
        alone = (step > LONE_STEP) & (step > 4 * np.maximum(around, 0.003))
        # Ink changes the colour of paper, even where a strip frays out; a shadow hardly does.
        inked = (tint > TINT_STEP) & (tint > 0.5 * np.abs(np.nan_to_num(level)))
        leap = (step > SMOOTH_STEP) | alone | inked
        first, second = [slice(None)] * 2, [slice(None)] * 2
        first[axis], second[axis] = slice(0, -1), slice(1, None)
        out[tuple(first)] |= leap
        out[tuple(second)] |= leap
    return out


def _bridge(label: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Join pieces of one surface that a strip, a line or a note parts: cells that face each
    other across a gap of at most ``GAP_CELLS`` and are alike, in three places or more."""
    pairs: dict[tuple[int, int], int] = {}
    for axis in (0, 1):
        for gap in range(2, GAP_CELLS + 2):
            near, far = [slice(None)] * 2, [slice(None)] * 2
            near[axis], far[axis] = slice(0, -gap), slice(gap, None)
            a, b = label[tuple(near)], label[tuple(far)]
            step = value[tuple(far)] - value[tuple(near)]
            level = step.mean(axis=-1)
            alike = (a > 0) & (b > 0) & (a != b) & (np.abs(level) < BRIDGE_STEP)
            alike &= np.abs(step - level[..., None]).max(axis=-1) < BRIDGE_STEP / 2
            for one, two in zip(a[alike], b[alike], strict=True):
                key = (min(one, two), max(one, two))
                pairs[key] = pairs.get(key, 0) + 1
    parent = np.arange(label.max() + 1)

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    for (one, two), count in pairs.items():
        if count >= 3:
            parent[root(two)] = root(one)
    return np.array([root(k) for k in range(len(parent))])[label]
