"""Weights in words: the same grams read the same everywhere."""

from __future__ import annotations

import math

LEAST_SHOWN_G = 0.005  # less would be written as 0.00


def grams(value: float | None) -> str:
    """A weight as a scale shows it: 0.1 g steps, finer below 1 g, coarser from 1 kg up."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if value >= 100_000:
        return f"{value / 1000:,.0f} kg"
    if value >= 10_000:
        return f"{value / 1000:.1f} kg"
    if 0 < value < LEAST_SHOWN_G:
        return "under 0.01 g"
    return f"{value:.{0 if value >= 1000 else 1 if value >= 1 else 2}f} g"


def noted_grams(value: float | None) -> str:
    """A weight that somebody noted: the same without needless zeros; nothing where none is."""
    if value is None:
        return ""
    number, space, unit = grams(value).partition(" ")
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return number + space + unit
