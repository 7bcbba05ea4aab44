"""Read the colour fields of a card off the rectified sheet."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.locate.sheet import Sheet

# The outer part of a field is left out: blur, bleeding ink and a slightly shifted card; more
# of it where the card's place is unsure.
INSET_SHARE, MOST_INSET = 0.17, 0.30
# A window that is this much less even than its own middle touches an edge: it may move, but
# never beyond the field as it should lie.
UNEVEN = 1.5
CLIPPED_LIMIT = 0.02
_LUMA = np.full((1, 3), 1 / 3, np.float32)
CALM_MM = 1.0  # what is smaller is grain and noise


@dataclass(frozen=True, eq=False, repr=False)
class PatchReadings:
    """Per patch of the card, in its order: ``rgb`` (n, 3) mean linear RGB, ``noise`` (n, 3)
    standard error of that mean, ``spread`` (n,) relative standard deviation of luma inside
    the field, ``centre_mm`` (n, 2), ``usable`` (n,) False where the field is outside the
    photo or clipped, ``clipped`` (n,) share of clipped pixels. ``uneven`` (n,) is the relative
    standard deviation of luma over means of 1 mm, ``lower_rgb`` (n, 3) the mean of the darker
    quarter of those; both None when nobody looked."""

    rgb: np.ndarray
    noise: np.ndarray
    spread: np.ndarray
    centre_mm: np.ndarray
    usable: np.ndarray
    clipped: np.ndarray
    uneven: np.ndarray | None = None
    lower_rgb: np.ndarray | None = None


def read_patches(sheet: Sheet, card: CardDefinition, place_error_mm: float = 0.0) -> PatchReadings:
    """Mean colour of every patch, from its inner two thirds; from less of it where the place
    of the card is only known to ``place_error_mm`` (standard uncertainty). Where that window
    touches an edge, an even one beside it within the same patch is taken."""
    count = len(card.patches)
    rgb = np.full((count, 3), np.nan)
    noise = np.full((count, 3), np.nan)
    spread = np.full(count, np.nan)
    uneven = np.full(count, np.nan)
    lower_rgb = np.full((count, 3), np.nan)
    clipped = np.ones(count)
    usable = np.zeros(count, bool)
    for i, (x, y, w, h) in enumerate(card.rects_mm):
        inset = min(INSET_SHARE + place_error_mm / min(w, h), MOST_INSET)
        dx, dy = inset * w, inset * h
        window = _even_window(sheet, (x + dx, y + dy, w - 2 * dx, h - 2 * dy), (dx, dy))
        inside = sheet.inside[window]
        if inside.size < 4 or not inside.all():
            continue
        pixels = sheet.rgb_linear[window].reshape(-1, 3).astype(float)
        clipped[i] = float(sheet.clipped[window].mean())
        rgb[i] = pixels.mean(axis=0)
        deviation = pixels.std(axis=0)
        # Neighbouring pixels of a resampled, compressed photo are not independent: count
        # one in eight.
        noise[i] = deviation / np.sqrt(max(1.0, len(pixels) / 8))
        luma = pixels.mean(axis=1)
        spread[i] = float(luma.std() / max(luma.mean(), 1e-6))
        uneven[i], lower_rgb[i] = _unevenness(sheet, window)
        usable[i] = clipped[i] <= CLIPPED_LIMIT and bool(np.all(rgb[i] > 0))
    return PatchReadings(rgb, noise, spread, card.centres_mm, usable, clipped, uneven, lower_rgb)


def _unevenness(sheet: Sheet, window: tuple[slice, slice]) -> tuple[float, np.ndarray]:
    """Relative standard deviation of luma over means of 1 mm, and the mean linear RGB (3,) of
    their darker quarter."""
    size = max(1, round(CALM_MM * sheet.px_per_mm))
    calm = cv2.blur(sheet.rgb_linear[window], (size, size), borderType=cv2.BORDER_REFLECT)
    luma = cv2.transform(calm, _LUMA)
    mean, deviation = cv2.meanStdDev(luma)
    quarter = float(np.partition(luma, luma.size // 4, axis=None)[luma.size // 4])
    lower = cv2.mean(calm, cv2.compare(luma, quarter, cv2.CMP_LE))
    return float(deviation[0, 0] / max(mean[0, 0], 1e-6)), np.array(lower[:3])


def _even_window(
    sheet: Sheet, rect_mm: tuple[float, float, float, float], room_mm: tuple[float, float]
) -> tuple[slice, slice]:
    """The window of a field; moved by at most ``room_mm`` each way to where the field is most
    even, if it touches an edge where it should lie."""
    window = sheet.window(rect_mm)
    rows, columns = window
    height, width = rows.stop - rows.start, columns.stop - columns.start
    if height < 5 or width < 5:
        return window
    here = _scatter(sheet.rgb_linear[window])
    v, u = height // 4, width // 4
    middle = sheet.rgb_linear[rows.start + v : rows.stop - v, columns.start + u : columns.stop - u]
    if here < UNEVEN * _scatter(middle) + 0.004:
        return window
    # Every window of this size within the field, at once (sums over rectangles: Crow 1984).
    down, right = round(room_mm[1] * sheet.px_per_mm), round(room_mm[0] * sheet.px_per_mm)
    top, left = max(rows.start - down, 0), max(columns.start - right, 0)
    field = sheet.rgb_linear[top : rows.stop + down, left : columns.stop + right]
    total, squares = cv2.integral2(field, sdepth=cv2.CV_64F, sqdepth=cv2.CV_64F)
    mean = _sums(total, height, width) / (height * width)
    variance = np.maximum(_sums(squares, height, width) / (height * width) - mean**2, 0.0)
    scatter = np.sqrt(variance.mean(axis=-1)) / np.maximum(mean.mean(axis=-1), 1e-6)
    y, x = np.unravel_index(int(scatter.argmin()), scatter.shape)
    # A speck or a scratch is no reason to move: an edge left behind is.
    if scatter[y, x] > here / UNEVEN:
        return window
    # Windows that are even alike lie all over the field: the one nearest to where it should be.
    alike = scatter <= 1.15 * scatter[y, x] + 0.001
    far = np.hypot(*np.meshgrid(
        np.arange(scatter.shape[0]) + top - rows.start,
        np.arange(scatter.shape[1]) + left - columns.start, indexing="ij",
    ))  # fmt: skip
    y, x = np.unravel_index(int(np.where(alike, far, np.inf).argmin()), scatter.shape)
    y, x = int(y) + top, int(x) + left
    return slice(y, y + height), slice(x, x + width)


def _sums(total: np.ndarray, height: int, width: int) -> np.ndarray:
    """Sums over all windows of a size, from an integral picture."""
    return (
        total[height:, width:] - total[:-height, width:]
        - total[height:, :-width] + total[:-height, :-width]
    )  # fmt: skip


def _scatter(rgb: np.ndarray) -> float:
    """Standard deviation within a window, the channels together, against its mean."""
    pixels = rgb.reshape(-1, 3)
    return float(np.sqrt(pixels.var(axis=0).mean()) / max(float(pixels.mean()), 1e-6))
