"""Original and batch in several photos: which strips are which, whether the photos agree, and the
two colours that they say together. Pure: colours in, colours and numbers out."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.colour.difference import local_metric
from drawdown.reading.budget import (
    AGREE_SD,
    COLOUR_SD,
    CONTRADICTS,
    DIFFERENCE_SD,
    FORM_SD,
    OTHER_PAIR,
    PLACE_COST,
)
from drawdown.reading.colour import Colour, StripReading
from drawdown.reading.difference import photo_weights

Pair = tuple[StripReading, StripReading]


def same_pair(pair: Pair, strips: Sequence[StripReading]) -> Pair | None:
    """The two strips of another photo that are this pair, by look and place; None when none are."""
    costs = [(_cost(pair, (a, b)), (a, b)) for a, b in itertools.permutations(strips, 2)]
    if not costs:
        return None
    cost, found = min(costs, key=lambda c: c[0])
    return found if cost < OTHER_PAIR else None


def _cost(pair: Pair, other: Pair) -> float:
    m = local_metric(pair[0].lab_d50)
    d, e = (two.lab_d50 - one.lab_d50 for one, two in (pair, other))
    middle, centre = ((one.lab_d50 + two.lab_d50) / 2 for one, two in (pair, other))
    cost = float(np.sum((m @ (e - d)) ** 2)) / DIFFERENCE_SD**2
    cost += float(np.sum((m @ (centre - middle)) ** 2)) / COLOUR_SD**2
    for a, b in zip(pair, other, strict=True):
        cost += float(np.log(a.strip.width_mm / b.strip.width_mm) / FORM_SD) ** 2
        cost += 0.5 * float(np.log(a.strip.length_mm / b.strip.length_mm) / FORM_SD) ** 2
    way, turned = (
        two.corners_mm.mean(axis=0) - one.corners_mm.mean(axis=0) for one, two in (pair, other)
    )
    size = float(np.linalg.norm(way) * np.linalg.norm(turned))
    return cost + PLACE_COST * (1 - float(way @ turned) / max(size, 1e-9)) / 2


def contradicting(pairs: Sequence[tuple[Colour, Colour]]) -> int | None:
    """The place of the one among three pairs or more that says most plainly something else than
    the rest; of two that contradict each other, 1. None where all agree."""
    if len(pairs) < 2:
        return None
    d = np.array([b.lab_d50 - o.lab_d50 for o, b in pairs])
    m = local_metric(np.mean([o.lab_d50 for o, _ in pairs], axis=0))
    worst = []
    for k, (original, batch) in enumerate(pairs):
        rest = [j for j in range(len(pairs)) if j != k]
        off = m @ (d[k] - np.median(d[rest], axis=0))
        lit = np.hypot(original.light_sd or 0.0, batch.light_sd or 0.0)
        own = np.eye(3) * AGREE_SD**2 * (1 + 1 / len(rest))
        own[0, 0] += (30.0 * lit) ** 2
        worst.append(float(off @ np.linalg.solve(own, off)))
    k = int(np.argmax(worst)) if len(pairs) > 2 else 1
    return k if worst[k] > CONTRADICTS else None


def joined(pairs: Sequence[Pair]) -> Pair:
    """The first photo's strips with the colours that all photos say of them together."""
    weights = photo_weights(pairs)

    def moved(role: int) -> StripReading:
        first = pairs[0][role]
        lab = weights @ np.array([pair[role].lab_d50 for pair in pairs])
        step = lab - first.lab_d50
        samples = None if first.lab_samples is None else first.lab_samples + step
        trail = first.trail_lab_d50 + step if len(first.trail_lab_d50) else first.trail_lab_d50
        return replace(first, lab_d50=lab, lab_samples=samples, trail_lab_d50=trail)

    return moved(0), moved(1)
