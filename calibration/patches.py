"""Read the colour fields of a card off the rectified sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.card import CardDefinition
from calibration.sheet import Sheet

# The outer part of a field is left out: blur, bleeding ink and a slightly shifted card; more
# of it where the card's place is unsure.
INSET_SHARE, MOST_INSET = 0.17, 0.30
# A window that is this much less even than its own middle touches an edge: it may move, but
# never beyond the field as it should lie.
UNEVEN = 1.5
_STEPS = np.linspace(-1.0, 1.0, 7)
CLIPPED_LIMIT = 0.02


@dataclass(frozen=True)
class PatchReadings:
    """Per patch of the card, in its order: ``rgb`` (n, 3) mean linear RGB, ``noise`` (n, 3)
    standard error of that mean, ``spread`` (n,) relative standard deviation of luma inside
    the field, ``centre_mm`` (n, 2), ``usable`` (n,) False where the field is outside the
    photo or clipped, ``clipped`` (n,) share of clipped pixels."""

    rgb: np.ndarray
    noise: np.ndarray
    spread: np.ndarray
    centre_mm: np.ndarray
    usable: np.ndarray
    clipped: np.ndarray


def read_patches(sheet: Sheet, card: CardDefinition, place_error_mm: float = 0.0) -> PatchReadings:
    """Mean colour of every patch, from its inner two thirds; from less of it where the place
    of the card is only known to ``place_error_mm`` (standard uncertainty). Where that window
    touches an edge, an even one beside it within the same patch is taken."""
    count = len(card.patches)
    rgb = np.full((count, 3), np.nan)
    noise = np.full((count, 3), np.nan)
    spread = np.full(count, np.nan)
    clipped = np.ones(count)
    usable = np.zeros(count, bool)
    rects = card.rects_mm
    for i, (x, y, w, h) in enumerate(rects):
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
        usable[i] = clipped[i] <= CLIPPED_LIMIT and bool(np.all(rgb[i] > 0))
    centres = rects[:, :2] + rects[:, 2:] / 2
    return PatchReadings(rgb, noise, spread, centres, usable, clipped)


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
    best, least = window, here
    seen = {(rows.start, columns.start)}
    for down in _STEPS * room_mm[1]:
        for right in _STEPS * room_mm[0]:
            moved = sheet.window((rect_mm[0] + right, rect_mm[1] + down, *rect_mm[2:]))
            top, left = moved[0].start, moved[1].start
            same_size = moved[0].stop - top >= height - 1 and moved[1].stop - left >= width - 1
            if (top, left) in seen or not same_size:
                continue
            seen.add((top, left))
            scatter = _scatter(sheet.rgb_linear[moved])
            if scatter < least:
                best, least = moved, scatter
    # A speck or a scratch is no reason to move: an edge left behind is.
    return best if least < here / UNEVEN else window


def _scatter(rgb: np.ndarray) -> float:
    """Standard deviation within a window, the channels together, against its mean."""
    pixels = rgb.reshape(-1, 3)
    return float(np.sqrt(pixels.var(axis=0).mean()) / max(float(pixels.mean()), 1e-6))
