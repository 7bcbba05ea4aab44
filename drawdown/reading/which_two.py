"""Which two of the strips in a photo are the pair, where nobody said.

Two that are alike in width, length, direction and paper, lie beside each other and near the card.
What they have in common is common practice of draw-downs: both are pulled with one blade on one
sheet.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from drawdown.reading.colour import StripReading
from drawdown.strips import limits


@dataclass(frozen=True)
class WhichTwo:
    """Numbers of the two strips, and of those that were ``left`` out."""

    original: int
    batch: int
    left: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Apart:
    """How two strips lie to each other: logs of ratios, degrees, shares, widths."""

    width: float
    length: float
    turn: float
    beside: float
    aside: float
    gap: float
    paper: float
    de00: float
    card_mm: float

    @property
    def alike(self) -> bool:
        """May they be two of one job?"""
        return (
            self.width < np.log(limits.PAIR_MOST["width"])
            and self.length < np.log(limits.PAIR_MOST["length"])
            and self.turn < limits.PAIR_MOST["turn"]
            and self.beside > limits.PAIR_MOST["beside"]
            and self.gap < limits.PAIR_MOST["gap"]
            and self.paper < limits.PAIR_MOST["paper"]
        )

    @property
    def cost(self) -> float:
        """Twice the log of the odds against them, but for a constant."""
        parts = [(getattr(self, name) / usual) ** 2 for name, usual in limits.PAIR_USUAL.items()]
        return float(sum(parts) + (self.card_mm / limits.NEAR_CARD_MM) ** 2)


def which_two(strips: Sequence[StripReading], card_mm: tuple[float, float]) -> WhichTwo | None:
    """The pair among two strips or more, or None when it is not clear."""
    if len(strips) == 2:
        one, two = strips
        apart = _apart(one, two, card_mm)
        unlike = any(getattr(apart, k) > v for k, v in _alone().items())
        return None if unlike else WhichTwo(one.number, two.number)
    found = [
        (_apart(a, b, card_mm), a.number, b.number) for a, b in itertools.combinations(strips, 2)
    ]
    pairs = [pair for pair in found if pair[0].alike]
    # Where some could be batch and original by their colour, the others are not.
    pairs = [pair for pair in pairs if pair[0].de00 < limits.OTHER_JOB_DE] or pairs
    pairs.sort(key=lambda pair: pair[0].cost)
    if not pairs or (len(pairs) > 1 and pairs[1][0].cost - pairs[0][0].cost < limits.CLEAR_ODDS):
        return None
    _, original, batch = pairs[0]
    left = tuple(s.number for s in strips if s.number not in (original, batch))
    return WhichTwo(original, batch, left)


def _alone() -> dict[str, float]:
    return {
        "width": float(np.log(limits.ALONE_MOST["width"])),
        "length": float(np.log(limits.ALONE_MOST["length"])),
        "turn": limits.ALONE_MOST["turn"],
    }


def _apart(one: StripReading, two: StripReading, card_mm: tuple[float, float]) -> _Apart:
    a, b = one.strip, two.strip
    axis = np.asarray(a.axis, float)
    turn = float(np.degrees(np.arccos(min(1.0, abs(axis @ np.asarray(b.axis, float))))))
    off = b.corners_mm.mean(axis=0) - a.corners_mm.mean(axis=0)
    along, across = abs(off @ axis), abs(off @ np.array([-axis[1], axis[0]]))
    shared = (a.length_mm + b.length_mm) / 2 - along
    width, length = (a.width_mm + b.width_mm) / 2, min(a.length_mm, b.length_mm)
    paper = 0.0
    if one.rim is not None and two.rim is not None:
        paper = float(np.abs(one.rim.even_log - two.rim.even_log).max())
    middle = (a.corners_mm.mean(axis=0) + b.corners_mm.mean(axis=0)) / 2
    beyond = np.maximum(np.maximum(-middle, middle - card_mm), 0.0)
    return _Apart(
        width=abs(float(np.log(a.width_mm / b.width_mm))),
        length=abs(float(np.log(a.length_mm / b.length_mm))),
        turn=turn,
        beside=float(np.clip(shared / length, 0, 1)),
        aside=along / length,
        gap=max(0.0, float(across - width)) / width,
        paper=paper,
        de00=float(delta_e_2000(one.lab_d50, two.lab_d50)),
        card_mm=float(np.linalg.norm(beyond)),
    )
