"""Is the number of strips sure? What lies in a row with the strips and looks much like one,
but was not counted, makes the numbering doubtful."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drawdown.strip_choice import overlap
from drawdown.strip_search import Candidate

DOUBTFUL = ("ragged", "open", "soft", "textured", "goes on", "faint", "small")
LEAST_LEVEL = 6.0
LEAST_FILL, LEAST_STRAIGHT = 0.8, 0.6


def uncounted(counted: Sequence[Candidate], rejected: Sequence[Candidate]) -> list[Candidate]:
    """Rejected shapes that stand in a row with a strip, as wide as it and much as long."""
    found: list[Candidate] = []
    for c in rejected:
        m = c.shape.measured
        if c.shape.reason not in DOUBTFUL or c.shape.level < LEAST_LEVEL:
            continue
        if m["fill"] < LEAST_FILL or m["straight"] < LEAST_STRAIGHT or m["split"] > 1:
            continue
        if not any(_in_a_row(c, o) for o in counted):
            continue
        if any(overlap(c, o) > 0.1 for o in (*counted, *found)):
            continue
        found.append(c)
    return found


def _in_a_row(c: Candidate, strip: Candidate) -> bool:
    """Does a shape stand beside a strip, or on in its line, of its size and on its paper?"""
    axis, across = strip.shape.axis, np.array([strip.shape.axis[1], -strip.shape.axis[0]])
    if abs(c.shape.axis @ axis) < 0.97 or np.linalg.norm(c.paper_lab - strip.paper_lab) > 8:
        return False
    if not 0.75 < c.shape.width_mm / strip.shape.width_mm < 1.35:
        return False
    if not 0.6 < c.shape.length_mm / strip.shape.length_mm < 1.6:
        return False
    off = c.shape.centre_mm - strip.shape.centre_mm
    along, beside = abs(off @ axis), abs(off @ across)
    length, width = strip.shape.length_mm, strip.shape.width_mm
    return bool(along < 0.35 * length and width < beside < 3.5 * width)
