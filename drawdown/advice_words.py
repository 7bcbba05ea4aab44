"""The advice in a printmaker's words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drawdown.inks import Shelf


@dataclass(frozen=True, eq=False)
class Facts:
    """All that the wording rests on."""

    shelf: Shelf
    reason: str
    additions: tuple[tuple[str, float], ...]
    first: tuple[tuple[str, float], ...]
    portion: float
    batch_grams: float | None
    mix: dict[str, float]
    inferred: bool
    lab_original: np.ndarray
    lab_now: np.ndarray
    lab_after: np.ndarray
    de00_now: float
    de00_after: float
    tolerance: float
    surprise: float
    film_gap: float


def describe(facts: Facts) -> str:
    """The note."""
    if facts.reason == "within":
        return "The batch is within tolerance: leave it as it is."
    if not facts.additions:
        return "No ink on the shelf brings the batch nearer."
    return "Add " + " and ".join(f"{p:g} parts of {n} per 100" for n, p in facts.additions) + "."
