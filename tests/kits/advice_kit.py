"""Questions for the advice's tests: strips of the starter inks, and the asking."""

from __future__ import annotations

import numpy as np

from calibration.uncertainty.intervals import K95
from drawdown.defaults import SCALE_STEP_G
from drawdown.ink.forward import lab_of_mix, paper_ground
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.advise import Advice, advise
from drawdown.matching.amounts import Weighing
from drawdown.matching.batch_history import MODEL_SD, RATIO_SD, Reading, Step, reading_of
from drawdown.reading.colour import Colour

SHELF = starter_shelf()
K, S = np.array([ink.k for ink in SHELF]), np.array([ink.s for ink in SHELF])
GROUND = paper_ground(None)


# Without an ensemble: per strip and axis, and common to both. Usual for a phone and a card.
ALONE_SD, COMMON_SD = 0.4, 1.0


def reading(
    lab_original, lab_batch, samples_original=None, samples_batch=None, difference_cov=None,
    common_sd=None,
) -> Reading:  # fmt: skip
    """A reading from the colours (3,) and what is known of their uncertainty: ``difference_cov``
    (3, 3) of the difference with ``common_sd`` (3,) of either colour, or the ensembles (m, 3),
    of which row i of one belongs to row i of the other, or neither."""
    lab_original, lab_batch = (np.asarray(lab, dtype=float) for lab in (lab_original, lab_batch))
    if samples_original is not None:
        covariance = np.cov(np.hstack([samples_original, samples_batch]), rowvar=False)
        return Reading(lab_original, lab_batch, covariance + MODEL_SD**2 * np.eye(6))
    if difference_cov is None:
        difference_cov, common_sd = 2 * ALONE_SD**2 * np.eye(3), np.full(3, COMMON_SD)
    u95 = K95 * np.asarray(common_sd, dtype=float)
    original, batch = (Colour(lab_d50=lab, lab_u95=u95) for lab in (lab_original, lab_batch))
    return reading_of(original, batch, difference_cov)


def strip(parts: dict[str, float], film: float = 1.0) -> np.ndarray:
    """Lab of a strip of the starter inks as they stand."""
    mix = SHELF.named_mix(parts)
    return lab_of_mix(K, S, np.array([mix.get(n, 0.0) for n in SHELF.names]), film, GROUND)


READ_AS = ("samples_original", "samples_batch", "difference_cov", "common_sd")


def ask(
    original, batch, mix=None, *, own=None, shelf=SHELF, story=(), added=None, film_ratio=None,
    film_log_sd=RATIO_SD, batch_grams=None, scale_step=SCALE_STEP_G, **more,
) -> Advice:  # fmt: skip
    """The advice on a batch's newest photo, with the mix of the original noted, or the
    batch's ``own``; ``more`` goes to ``reading`` or to ``advise``."""
    read_as = {name: more.pop(name) for name in READ_AS if name in more}
    now = Step(reading(original, batch, **read_as), dict(added or {}), film_ratio, film_log_sd)
    weighing = Weighing(batch_grams, scale_step)
    return advise((*story, now), shelf, own, original_mix=mix, weighing=weighing, **more)


def some(*names: str) -> Shelf:
    return Shelf(tuple(SHELF.find(name) for name in names))
