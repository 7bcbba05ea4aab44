"""Read the colour fields of a card off the rectified sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.card import CardDefinition
from calibration.sheet import Sheet

# The outer part of a field is left out: blur, bleeding ink and a slightly shifted card.
INSET_SHARE = 0.17
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


def read_patches(sheet: Sheet, card: CardDefinition) -> PatchReadings:
    """Mean colour of every patch, from its inner two thirds."""
    count = len(card.patches)
    rgb = np.full((count, 3), np.nan)
    noise = np.full((count, 3), np.nan)
    spread = np.full(count, np.nan)
    clipped = np.ones(count)
    usable = np.zeros(count, bool)
    rects = card.rects_mm
    for i, (x, y, w, h) in enumerate(rects):
        dx, dy = INSET_SHARE * w, INSET_SHARE * h
        window = sheet.window((x + dx, y + dy, w - 2 * dx, h - 2 * dy))
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
