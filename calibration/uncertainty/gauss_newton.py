"""The one solver: the most probable state of unknowns with a normal prior, given what was read.
Many problems side by side along leading axes (...). Theory and sources: README.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

# z (..., p) -> residuals (..., d) in standard deviations, Jacobian (..., d, p) or (d, p).
Model = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]

MOST_TRIES = 16  # of one step, each half as long as the one before


@dataclass(frozen=True, eq=False)
class Normal:
    """A normal prior by its mean (..., p) and precision (..., p, p), the inverse of its
    covariance. A direction without precision is free; the evidence is then not defined."""

    mean: np.ndarray
    precision: np.ndarray

    @classmethod
    def of_sds(cls, sds: np.ndarray) -> Normal:
        """Independent, about zero, with standard deviations (p,); ``inf`` leaves one free."""
        sds = np.asarray(sds, dtype=float)
        return cls(np.zeros_like(sds), np.diag(sds**-2))


@dataclass(frozen=True, eq=False)
class State:
    """What a fit found, for each of the problems (...).

    ``mode`` (..., p) the most probable unknowns; ``residual`` (..., d) and ``jacobian``
    (..., d, p) there, in standard deviations; ``weight`` (..., d) what each residual counts,
    1 where nothing is doubted; ``surprise`` (...) -2 ln of the probability but for constants;
    ``settled`` (...) False where the steps ran out before the mode was reached.
    """

    mode: np.ndarray
    residual: np.ndarray
    jacobian: np.ndarray
    weight: np.ndarray
    prior: Normal | None
    surprise: np.ndarray
    settled: np.ndarray

    @cached_property
    def covariance(self) -> np.ndarray:
        """(..., p, p) of the unknowns, by the curvature at the mode."""
        rows = _rows(self.jacobian, self.weight)
        if not _narrow(rows, self.prior):
            inverse: np.ndarray = np.linalg.inv(_normal(rows, self.prior))
            return inverse
        solved = np.linalg.solve(_spread(rows), rows)
        covariance: np.ndarray = np.eye(rows.shape[-1]) - _turned(rows) @ solved
        symmetric: np.ndarray = (covariance + _turned(covariance)) / 2
        return symmetric

    @cached_property
    def log_evidence(self) -> np.ndarray:
        """(...) ln of the probability density of the readings, in standard deviations, by
        Laplace: exact for a linear model, less ln |det| of the root that made residuals of
        readings. Raises ``ValueError`` for a prior that leaves a direction free."""
        rows = _rows(self.jacobian, self.weight)
        if _narrow(rows, self.prior):
            log_det = np.linalg.slogdet(_spread(rows))[1]
        else:
            log_det = np.linalg.slogdet(_normal(rows, self.prior))[1]
            if self.prior is not None:
                sign, before = np.linalg.slogdet(self.prior.precision)
                if not np.all(sign > 0):
                    raise ValueError("a prior that leaves a direction free has no evidence")
                log_det = log_det - before
        count = self.residual.shape[-1]
        evidence: np.ndarray = -0.5 * (self.surprise + log_det + count * np.log(2 * np.pi))
        return evidence

    def samples(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """(..., count, p) possible unknowns: draws of the prior and of the readings' errors,
        corrected by what they say of the readings (linear at the mode). They come in mirrored
        halves, so that their mean is the mode; an odd ``count`` lacks one mirror image."""
        rows = _rows(self.jacobian, self.weight)
        d, p = rows.shape[-2:]
        half = rng.standard_normal((*rows.shape[:-2], (count + 1) // 2, p + d))
        if _narrow(rows, self.prior):
            drawn, error = half[..., :p], half[..., p:]
            say = drawn @ _turned(rows) + error
            drawn = drawn - _turned(np.linalg.solve(_spread(rows), _turned(say))) @ rows
        else:
            # What has precision N = R'R is R^-1 times white noise.
            root = _turned(np.linalg.cholesky(_normal(rows, self.prior)))
            drawn = _turned(np.linalg.solve(root, _turned(half[..., :p])))
        both = np.concatenate([drawn, -drawn], axis=-2)[..., :count, :]
        out: np.ndarray = self.mode[..., None, :] + both
        return out


# Longer than sixty lines by its description of what may be asked; the search itself has thirty.
def most_probable(
    model: Model,
    start: np.ndarray,
    *,
    prior: Normal | None = None,
    weigh: Callable[[np.ndarray], np.ndarray] | None = None,
    allow: Callable[[np.ndarray], np.ndarray] | None = None,
    longest: float = np.inf,
    rounds: int = 30,
    tolerance: float = 1e-3,
) -> State:
    """The most probable unknowns, from ``start`` (..., p).

    Parameters
    ----------
    model
        z -> residuals and their Jacobian.
    prior
        None: independent, mean 0, standard deviation 1.
    weigh
        residuals (..., d) -> what each of them counts (..., d), anew at every step; such as
        ``lambda r: biweight(r, 4.5 * robust_sd(r))``. None: all count in full. What is wild is
        told by the residuals of ``start``: begin at a fit without weights, or near the truth.
    allow
        z -> the nearest z that may be, for unknowns with limits.
    longest
        No unknown moves by more than this in one step, for the straight line holds only
        nearby: about one standard deviation of the prior.
    rounds
        Most steps.
    tolerance
        A problem has settled when a full step promises to lower -2 ln of the probability by
        less than this: 1e-3 is a thirtieth of a standard deviation from the mode. A step is
        halved no further than it promises as much.

    Raises ``ValueError`` where the model gives no finite residuals at ``start``.
    """
    z = np.array(start, dtype=float)
    residual, jacobian = model(z)
    if not np.isfinite(residual).all():
        raise ValueError("the model gives no finite residuals where the search starts")
    weight = np.ones_like(residual)
    settled = np.zeros(residual.shape[:-1], dtype=bool)
    done = settled
    for _ in range(rounds):
        if weigh is not None:
            weight = np.broadcast_to(weigh(residual), residual.shape)
        step, promise = _step(residual, jacobian, weight, z, prior)
        settled = settled | (promise < tolerance)
        reach = np.abs(step).max(axis=-1, keepdims=True)
        step = step * np.minimum(1.0, longest / np.maximum(reach, 1e-300))
        place = z, residual, jacobian
        tries = np.minimum(np.log2(np.maximum(promise / tolerance, 2.0)), MOST_TRIES)
        tries = np.where(done, 0.0, tries)
        (z, residual, jacobian), moved = _downhill(model, allow, place, step, weight, prior, tries)
        done = done | settled | ~moved
        if done.all():
            break
    if weigh is not None:
        weight = np.broadcast_to(weigh(residual), residual.shape)
    return State(
        mode=z,
        residual=residual,
        jacobian=np.broadcast_to(jacobian, (*residual.shape, z.shape[-1])),
        weight=weight,
        prior=prior,
        surprise=_surprise(residual, weight, z, prior),
        settled=settled,
    )


def _downhill(
    model: Model,
    allow: Callable[[np.ndarray], np.ndarray] | None,
    place: tuple[np.ndarray, np.ndarray, np.ndarray],
    step: np.ndarray,
    weight: np.ndarray,
    prior: Normal | None,
    tries: np.ndarray,
) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray], np.ndarray]:
    """Each problem goes by its step, or by the first of its halves that does not make things
    worse, in so many ``tries`` (...): the place (z, residuals, Jacobian) where they are then,
    and who has moved."""
    z, residual, jacobian = place
    before = _surprise(residual, weight, z, prior)
    moved = np.zeros(tries.shape, dtype=bool)
    seeking = tries > 0
    turn = 0
    while seeking.any():
        trial = z + step / 2**turn
        trial = np.where(seeking[..., None], trial if allow is None else allow(trial), z)
        new_residual, new_jacobian = model(trial)
        found = seeking & (_surprise(new_residual, weight, trial, prior) <= before)
        moved = moved | (found & (trial != z).any(axis=-1))
        residual = np.where(found[..., None], new_residual, residual)
        if jacobian.ndim > residual.ndim:  # else one for all problems, and for all z
            jacobian = np.where(found[..., None, None], new_jacobian, jacobian)
        z = np.where(found[..., None], trial, z)
        turn += 1
        seeking = seeking & ~found & (turn < tries)
    return (z, residual, jacobian), moved


def reweighed(
    design: np.ndarray,
    target: np.ndarray,
    prior: Normal,
    weigh: Callable[[np.ndarray], np.ndarray],
    weight: np.ndarray | None = None,
    rounds: int = 4,
) -> tuple[np.ndarray, np.ndarray]:
    """Unknowns (p,) or (p, k) and weights (d,) of a straight line's figures, solved so many
    times: ``target`` (d,) or (d, k) by ``design`` (d, p), in any unit. ``weigh`` gives from
    residuals, target less model, what each row counts (d,): its precision, less where it is
    wild; ``weight`` (d,) are the first ones, 1 unless given. The same as ``most_probable`` for a
    straight line, where columns of the target share their weights."""
    weight = np.ones(len(design)) if weight is None else weight
    pull = prior.precision @ prior.mean
    if target.ndim > 1:
        pull = pull[:, None]
    for _ in range(rounds):
        rows = design * weight[:, None]
        z = np.linalg.solve(rows.T @ design + prior.precision, rows.T @ target + pull)
        weight = weigh(target - design @ z)
    return z, weight


def biweight(size: np.ndarray, limit: np.ndarray | float) -> np.ndarray:
    """What a residual of so large a ``size`` counts: 1 for none, falling smoothly to 0 at
    ``limit`` (Beaton and Tukey)."""
    return np.asarray(np.maximum(0.0, 1.0 - (np.asarray(size) / limit) ** 2) ** 2)


def whitened(
    residual: np.ndarray, jacobian: np.ndarray, covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Residuals (..., d) and Jacobian (..., d, p) in standard deviations, for readings whose
    errors have this covariance (..., d, d)."""
    root = np.linalg.cholesky(covariance)
    both = np.linalg.solve(root, np.concatenate([residual[..., None], jacobian], axis=-1))
    return both[..., 0], both[..., 1:]


def _step(
    residual: np.ndarray,
    jacobian: np.ndarray,
    weight: np.ndarray,
    z: np.ndarray,
    prior: Normal | None,
) -> tuple[np.ndarray, np.ndarray]:
    """The full step (..., p), and by how much it promises to lower -2 ln of the probability."""
    rows = _rows(jacobian, weight)
    column = (np.sqrt(weight) * residual)[..., None]
    gradient = (_turned(rows) @ column)[..., 0] + _pull(z, prior)
    try:
        if _narrow(rows, prior):
            aim = rows @ z[..., None] - column
            step = (_turned(rows) @ np.linalg.solve(_spread(rows), aim))[..., 0] - z
        else:
            step = -np.linalg.solve(_normal(rows, prior), gradient[..., None])[..., 0]
    except np.linalg.LinAlgError as problem:
        raise ValueError("the readings say nothing of an unknown without a prior") from problem
    return step, -(gradient * step).sum(axis=-1)


def _surprise(
    residual: np.ndarray, weight: np.ndarray, z: np.ndarray, prior: Normal | None
) -> np.ndarray:
    """(...) -2 ln of the probability, but for constants."""
    off = z if prior is None else z - prior.mean
    total: np.ndarray = (weight * residual**2).sum(axis=-1) + (off * _pull(z, prior)).sum(axis=-1)
    return total


def _pull(z: np.ndarray, prior: Normal | None) -> np.ndarray:
    """(..., p) how hard the prior pulls back: half the slope of its part of the surprise."""
    if prior is None:
        return z
    return np.asarray((prior.precision @ (z - prior.mean)[..., None])[..., 0])


def _rows(jacobian: np.ndarray, weight: np.ndarray) -> np.ndarray:
    return np.asarray(jacobian * np.sqrt(weight)[..., None])


def _narrow(rows: np.ndarray, prior: Normal | None) -> bool:
    """Fewer readings than unknowns, and a plain prior: solved among the readings."""
    return prior is None and rows.shape[-2] < rows.shape[-1]


def _spread(rows: np.ndarray) -> np.ndarray:
    """(..., d, d) covariance of the readings before anything is known of z."""
    return np.asarray(rows @ _turned(rows) + np.eye(rows.shape[-2]))


def _normal(rows: np.ndarray, prior: Normal | None) -> np.ndarray:
    """(..., p, p) precision of the unknowns."""
    before = np.eye(rows.shape[-1]) if prior is None else prior.precision
    return np.asarray(_turned(rows) @ rows + before)


def _turned(matrix: np.ndarray) -> np.ndarray:
    return matrix.swapaxes(-1, -2)
