"""A recipe as grams to weigh out, beginning a little light: pure arithmetic.

Colour can be added and never taken out, so a part of the strong inks is held back: white and
base (or, in a mix without them, the ink there is most of) go in whole, of the others a share
is kept for later. How much to hold back is common practice, no source: a tenth covers what a
scale, the ink left on the knife and another tin of the same ink usually make.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace

from calibration.errors import WrongUsage
from drawdown.defaults import HOLD_BACK_PERCENT, SCALE_STEP_G

MOST_HELD = 0.9


@dataclass(frozen=True)
class Weighing:
    """One ink: ``first_g`` to begin with, ``held_g`` to hold back; together its share of the
    whole. ``ground`` is True for white, base, and what is not held back."""

    ink: str
    parts_per_100: float
    first_g: float
    held_g: float
    ground: bool


@dataclass(frozen=True)
class Remake:
    """``inks`` in the order to weigh them: white and base first, the strongest last;
    ``first_g`` the batch to begin with, ``whole_g`` with all that is held back; ``too_small``
    inks of which less than the scale shows is to be weighed; ``least_g`` the amount from which
    all can be weighed, None when all can."""

    inks: tuple[Weighing, ...]
    first_g: float
    whole_g: float
    held_share: float
    too_small: tuple[str, ...]
    least_g: float | None


def remake(
    mix: dict[str, float],
    whole_g: float,
    ground_inks: Collection[str],
    held_share: float = HOLD_BACK_PERCENT / 100,
    step_g: float | None = None,
) -> Remake:
    """Grams of each ink for ``whole_g`` of the mix (parts by weight), rounded to ``step_g`` of the
    scale if it is known. ``ground_inks`` names those of the mix that are white or base. Raises
    ``WrongUsage`` for amounts that make no sense."""
    if not (whole_g > 0 and math.isfinite(whole_g)):
        raise WrongUsage(
            f"`grams` is {whole_g:g}, and must be above 0",
            "the recipe is weighed out against it",
            "say how much ink the edition needs, in grams",
        )
    if not 0 <= held_share <= MOST_HELD:
        raise WrongUsage(
            f"`hold_back` is {100 * held_share:g} %, and must lie between 0 and "
            f"{100 * MOST_HELD:.0f}",
            "what is held back is a share of the strong inks, usually a tenth",
            "10 is usual; 0 holds nothing back",
        )
    whole = sum(mix.values())
    ground = {ink for ink in mix if ink in ground_inks}
    if not ground:  # masstones: nothing thins them, so the most of them is what they start from
        ground = {max(mix, key=lambda ink: mix[ink])}
    rows = []
    for ink, parts in sorted(mix.items(), key=lambda row: (row[0] not in ground, -row[1])):
        grams = whole_g * parts / whole
        held = 0.0 if ink in ground else held_share * grams
        rows.append(Weighing(ink, 100 * parts / whole, grams - held, held, ink in ground))
    shown = SCALE_STEP_G if step_g is None else step_g
    small = tuple(row.ink for row in rows if row.first_g < shown)
    least = None
    if small:
        # The amount at which the smallest first weighing comes to what the scale shows.
        least = whole_g * shown / min(row.first_g for row in rows)
    if step_g is not None:
        rows = [
            replace(row, first_g=_stepped(row.first_g, step_g), held_g=_stepped(row.held_g, step_g))
            for row in rows
        ]
    return Remake(
        inks=tuple(rows),
        first_g=sum(row.first_g for row in rows),
        whole_g=whole_g,
        held_share=held_share,
        too_small=small,
        least_g=least,
    )


def _stepped(grams: float, step: float) -> float:
    """The amount as the scale shows it, without the noise of binary fractions."""
    return round(round(grams / step) * step, 9)
