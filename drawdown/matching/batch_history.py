"""What was read of a batch: two colours for each photo, and what went in between photos."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration.uncertainty.intervals import K95
from drawdown.reading.colour import Colour

# What no ensemble knows of: the physics is not perfect.
MODEL_SD = 0.15
RATIO_SD = 0.04  # of the logarithm of a film ratio that was measured, when nothing is said


@dataclass(frozen=True, eq=False)
class Reading:
    """The two measured colours and their joint covariance (6, 6): original, then batch."""

    lab_original: np.ndarray
    lab_batch: np.ndarray
    covariance: np.ndarray

    @property
    def difference_covariance(self) -> np.ndarray:
        """(3, 3) of batch minus original."""
        step = np.hstack([-np.eye(3), np.eye(3)])
        return np.asarray(step @ self.covariance @ step.T)


def reading_of(original: Colour, batch: Colour, difference_cov: np.ndarray) -> Reading:
    """Two colours as they were compared, with the covariance (3, 3) of their difference; the mean
    of what each is uncertain by counts as common to both."""
    common = np.diag(((original.widest_u95 + batch.widest_u95) / (2 * K95)) ** 2)
    own = np.asarray(difference_cov, dtype=float) / 2
    covariance = np.block([[common + own, common], [common, common + own]])
    return Reading(original.lab_d50, batch.lab_d50, covariance + MODEL_SD**2 * np.eye(6))


@dataclass(frozen=True, eq=False)
class Step:
    """One photo of a batch. ``added`` is what went in since the photo before it: ink (a name
    of the shelf) -> share of the batch's weight as it was; empty for the first photo."""

    reading: Reading
    added: dict[str, float] = field(default_factory=dict)
    film_ratio: float | None = None  # batch over original, None when not measured
    film_log_sd: float = RATIO_SD


@dataclass(frozen=True, eq=False)
class BatchPhoto:
    """One photo of a batch: ``step`` as the advice takes it, when (ISO 8601) it was noted,
    ``grams`` the batch's weight then (None when not known), Lab of the bare paper."""

    step: Step
    when: str
    grams: float | None
    paper_lab: tuple[float, ...] | None
    path: str = ""


@dataclass(frozen=True, eq=False)
class BatchStory:
    """A batch in the making: ``mix`` (names of the shelf -> parts per 100) as it was at the
    first photo, and its photos, oldest first."""

    name: str
    mix: dict[str, float]
    photos: tuple[BatchPhoto, ...] = ()

    @property
    def steps(self) -> tuple[Step, ...]:
        return tuple(photo.step for photo in self.photos)

    @property
    def inks(self) -> tuple[str, ...]:
        """Every ink that went in so far."""
        return tuple(dict.fromkeys((*self.mix, *(n for s in self.steps for n in s.added))))


@dataclass(frozen=True, eq=False)
class Followed:
    """A batch as a new photo finds it: what went in since its last photo (share of the batch
    by ink), and its weight now."""

    story: BatchStory
    added: dict[str, float]
    grams: float | None


def added_in_all(steps: tuple[Step, ...]) -> list[dict[str, float]]:
    """What each step added, in shares of the batch's first weight. (A portion taken out
    changes no share: what is left is the same ink.)"""
    whole, out = 1.0, []
    for step in steps:
        out.append({name: whole * share for name, share in step.added.items()})
        whole += sum(out[-1].values())
    return out


def pulls(steps: tuple[Step, ...]) -> int:
    """How many strips show the batch as it is now."""
    count = 1
    for step in reversed(steps[1:]):
        if step.added:
            break
        count += 1
    return count
