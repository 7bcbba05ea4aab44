"""From shares to what is weighed: parts, grams, the scale's step, a knife tip, a portion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drawdown.defaults import SCALE_STEP_G
from drawdown.ink.shelf import Ink, Shelf

FLOOD_PARTS = 30.0  # more than this to 100 would flood the batch: correct a portion instead
KNIFE_TIP_PARTS = 0.1  # of 100, when the batch's weight is not known

Rows = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Weighing:
    """What the batch weighs, None when nobody said, and the smallest step the scale shows."""

    batch_g: float | None = None
    step_g: float = SCALE_STEP_G


UNWEIGHED = Weighing()


@dataclass(frozen=True, eq=False)
class WayOut:
    """What becomes of a batch that no addition brings near. ``fresh`` is the original's mix (ink,
    parts per 100; empty where it was not noted) and ``fresh_grams`` the same for a batch of this
    weight; ``small_part`` the share of such a new batch that may be the old one (0: none; None:
    not known)."""

    fresh: Rows = ()
    fresh_grams: Rows | None = None
    small_part: float | None = None


def mixed_afresh(mix: Mapping[str, float], weighing: Weighing) -> tuple[Rows, Rows | None]:
    """A mix in parts per 100, most first, and in grams for a whole batch."""
    whole = sum(mix.values())
    rows = sorted(mix.items(), key=lambda row: -row[1])
    parts = tuple((name, round_parts(100 * p / whole)) for name, p in rows)
    batch_g = weighing.batch_g
    if batch_g is None:
        return parts, None
    return parts, tuple((n, round_grams(p / whole * batch_g, weighing.step_g)) for n, p in rows)


@dataclass(frozen=True, eq=False)
class Amounts:
    """What to weigh. ``additions`` and ``first`` are (ink, parts per 100 of what they go
    into); ``grams`` and ``grams_first`` the same in grams as the scale shows them, None when
    the batch's weight is not known or nothing is added; ``portion`` the share of the batch they go
    into; ``knife_tips`` the inks of which there is less than the scale shows. ``shares`` and
    ``first_shares`` (n,) over the shelf are what is then really put in."""

    additions: Rows
    first: Rows
    portion: float
    grams: Rows | None
    grams_first: Rows | None
    knife_tips: tuple[str, ...]
    shares: np.ndarray
    first_shares: np.ndarray

    @property
    def inks(self) -> tuple[str, ...]:
        return tuple(name for name, _ in self.additions)


def weigh_out(shelf: Shelf, added: np.ndarray, first_share: float, weighing: Weighing) -> Amounts:
    """Amounts for ``added`` (n,) shares of the batch, of which ``first_share`` goes in first."""
    rows = [(ink, float(a)) for ink, a in zip(shelf, added, strict=True) if a > 0]
    rows.sort(key=lambda row: -row[1])
    total = 100 * sum(share for _, share in rows)
    portion = round(100 / (100 + total), 2) if total > FLOOD_PARTS else 1.0
    step = weighing.step_g
    if weighing.batch_g is None:
        parts = [(ink, round_parts(100 * share)) for ink, share in rows]
        first = [(ink, round_parts(100 * first_share * share)) for ink, share in rows]
        tips = [ink.name for ink, amount in parts if amount < KNIFE_TIP_PARTS]
        grams = grams_first = None
    else:
        whole = portion * weighing.batch_g
        weights = [(ink, round_grams(share * whole, step)) for ink, share in rows]
        start = [
            (ink, first_grams(first_share * share * whole, weight, step))
            for (ink, share), (_, weight) in zip(rows, weights, strict=True)
        ]
        parts, first = (
            [(ink, 100 * weight / whole) for ink, weight in one] for one in (weights, start)
        )
        tips = [ink.name for ink, share in rows if share * whole < step]
        grams, grams_first = _named(weights) or None, _named(start) or None
    return Amounts(
        _named(parts, rounded=True), _named(first, rounded=True), portion, grams, grams_first,
        tuple(tips), _spread(shelf, parts), _spread(shelf, first),
    )  # fmt: skip


def _named(rows: list[tuple[Ink, float]], rounded: bool = False) -> Rows:
    return tuple((ink.name, round_parts(v) if rounded else v) for ink, v in rows)


def _spread(shelf: Shelf, rows: list[tuple[Ink, float]]) -> np.ndarray:
    parts = {ink.name: amount for ink, amount in rows}
    return np.array([parts.get(ink.name, 0.0) / 100 for ink in shelf])


def round_grams(grams: float, step: float = SCALE_STEP_G) -> float:
    """To the nearest step of the scale; what is less than one step, to two figures."""
    if grams < step:
        return float(f"{grams:.2g}")
    return float(f"{round(grams / step) * step:.10g}")


def first_grams(grams: float, most: float, step: float = SCALE_STEP_G) -> float:
    """The first part of ``most`` grams: not more than wanted, but never less than the scale
    shows if the whole can be weighed."""
    if most < step:
        return min(round_grams(grams, step), most)
    steps = max(1, int(grams / step + 1e-6))
    return min(float(f"{steps * step:.10g}"), most)


def round_parts(parts: float) -> float:
    """Parts per 100 to two figures, and to a whole part from 10 up."""
    if parts >= 10:
        return float(round(parts))
    return float(f"{parts:.2g}")
