"""Questions for the advice's tests: strips of the starter inks, and the asking."""

from __future__ import annotations

import numpy as np

from drawdown.defaults import SCALE_STEP_G
from drawdown.ink.forward import lab_of_mix, paper_ground
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.advise import Advice, advise
from drawdown.matching.amounts import Weighing
from drawdown.matching.batch_history import RATIO_SD, Step, reading

SHELF = starter_shelf()
K, S = np.array([ink.k for ink in SHELF]), np.array([ink.s for ink in SHELF])
GROUND = paper_ground(None)


def strip(parts: dict[str, float], film: float = 1.0) -> np.ndarray:
    """Lab of a strip of the starter inks as they stand."""
    mix = SHELF.named_mix(parts)
    return lab_of_mix(K, S, np.array([mix.get(n, 0.0) for n in SHELF.names]), film, GROUND)


READ_AS = ("samples_original", "samples_batch", "difference_cov", "common_sd")


def ask(
    original, batch, mix=None, *, shelf=SHELF, story=(), added=None, film_ratio=None,
    film_log_sd=RATIO_SD, batch_grams=None, scale_step=SCALE_STEP_G, **more,
) -> Advice:  # fmt: skip
    """The advice on a batch's newest photo; ``more`` goes to ``reading`` or to ``advise``."""
    read_as = {name: more.pop(name) for name in READ_AS if name in more}
    now = Step(reading(original, batch, **read_as), dict(added or {}), film_ratio, film_log_sd)
    weighing = Weighing(batch_grams, scale_step)
    return advise((*story, now), shelf, mix, weighing=weighing, **more)


def some(*names: str) -> Shelf:
    return Shelf(tuple(SHELF.find(name) for name in names))
