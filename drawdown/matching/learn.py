"""What a batch's photos teach about the inks in it: Bayes' rule, one batch after another.

The unknowns of the shelf's inks (``ink.prior``) are jointly normal before a batch; its photos
and what was added between them narrow them down by the same linearised fit that the advice
rests on, so they stay jointly normal. Learnt together, since a mixture tells of its inks
together: that a blue is strong against a white, not that it is strong. Pure: no files.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drawdown.ink.prior import ROWS, Knowledge, learnt_rows
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Step
from drawdown.matching.batch_model import posterior_of_inks
from drawdown.matching.recipes import Mix, noted_recipes

# Tubes differ and the physics is not perfect: what is known of an ink fades a little with
# every batch, in units of its first uncertainty. Our own judgement.
FADE_SD = 0.06
# A batch whose photos contradict the noted mix teaches nothing: squared misfit beyond its
# expectation by so many times the root of the numbers read.
SURPRISING = 5.7


def contradicts(surprise: float, freedom: int, times: float = SURPRISING) -> bool:
    """Whether readings of a batch are not what its noted mix can give: the squared misfit of so
    many numbers, ``freedom``."""
    return bool(surprise > freedom + times * freedom**0.5)


@dataclass(frozen=True, eq=False)
class Lesson:
    """``knowledge`` after a batch; ``taken`` is False when the batch contradicted its noted
    mix (``surprise``, a squared misfit, far above ``freedom``), and nothing was learnt."""

    knowledge: Knowledge | None
    taken: bool
    surprise: float
    freedom: int


def learn(
    shelf: Shelf,
    knowledge: Knowledge | None,
    mix: Mix,
    steps: tuple[Step, ...],
    ground: np.ndarray,
    original_mix: Mix | None = None,
) -> Lesson:
    """What is known of the shelf's inks after the photos of one batch. ``mix`` (names of the
    shelf -> parts) is the batch's as at the first photo, ``original_mix`` the original's if that
    is known, ``steps`` oldest first, ``ground`` (31,) as ``paper_ground`` gives it."""
    told = [
        posterior_of_inks(shelf, recipe, steps, ground, knowledge)
        for recipe in noted_recipes(mix, original_mix)
    ]
    after, surprise = min(told, key=lambda one: one[1])
    freedom = 6 * len(steps)
    if contradicts(surprise, freedom):
        return Lesson(knowledge, False, surprise, freedom)
    mean, covariance = after
    return Lesson(_faded(mean, covariance), True, surprise, freedom)


def _faded(mean: np.ndarray, covariance: np.ndarray) -> Knowledge:
    covariance = covariance + FADE_SD**2 * np.eye(len(mean))
    # Never vaguer than before anything was learnt.
    size = np.sqrt(np.diag(covariance))
    shrink = np.minimum(1.0, 1.0 / size)
    covariance = shrink[:, None] * covariance * shrink
    return Knowledge(mean, np.linalg.cholesky(covariance + 1e-9 * np.eye(len(mean))))


def gather(shelf: Shelf, known: dict[str, int], knowledge: Knowledge | None) -> Knowledge | None:
    """Knowledge of ``shelf`` from that of other inks: ``known`` gives, for the name of an ink
    on the shelf, its place in ``knowledge``. The other inks are as if nothing was learnt."""
    if knowledge is None or not known:
        return None
    n = len(shelf)
    here = [i for i, ink in enumerate(shelf) if ink.name in known]
    there = [known[shelf.inks[i].name] for i in here]
    mean, covariance = np.zeros(n * ROWS), np.eye(n * ROWS)
    at = (np.array(here)[:, None] * ROWS + np.arange(ROWS)).ravel()
    of = (np.array(there)[:, None] * ROWS + np.arange(ROWS)).ravel()
    mean[at] = knowledge.mean[of]
    covariance[np.ix_(at, at)] = knowledge.covariance[np.ix_(of, of)]
    return Knowledge(mean, np.linalg.cholesky(covariance + 1e-9 * np.eye(n * ROWS)))


@dataclass(frozen=True)
class Learnt:
    """How an ink turned out against the shelf's figures: factors on its absorption (how much
    it colours) and scattering (how much it covers), with the standard uncertainty of their
    logarithms now and before anything was learnt."""

    name: str
    absorbs: float
    absorbs_log_sd: float
    absorbs_log_sd_before: float
    scatters: float
    scatters_log_sd: float
    scatters_log_sd_before: float


def turned_out(shelf: Shelf, knowledge: Knowledge | None) -> tuple[Learnt, ...]:
    """The inks of the shelf about which something was learnt, in their order. The factor on
    K is its mean over wavelength weighted by K itself, so that it is that of the ink's bands;
    the factor on S alike."""
    if knowledge is None:
        return ()
    covariance, out = knowledge.covariance, []
    for i, ink in enumerate(shelf):
        at = slice(i * ROWS, (i + 1) * ROWS)
        if np.allclose(covariance[at, at], np.eye(ROWS), atol=1e-4):
            continue
        numbers = []
        for rows, spectrum in zip(learnt_rows(ink), (ink.k, ink.s), strict=True):
            pull = rows @ (spectrum / spectrum.sum() if spectrum.sum() > 0 else spectrum)
            numbers += [
                float(np.exp(pull @ knowledge.mean[at])),
                float(np.sqrt(pull @ covariance[at, at] @ pull)),
                float(np.sqrt(pull @ pull)),
            ]
        out.append(Learnt(ink.name, *numbers))
    return tuple(out)
