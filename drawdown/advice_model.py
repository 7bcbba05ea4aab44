"""What the two strips say about the inks: a small Bayesian fit behind the advice.

The recipe was meant to give the original; the batch was meant to be the same and is not.
Unknown are: how each ink differs from the shelf's figures (strength, and smooth changes of
K and S over wavelength), how far the original's and the batch's true parts are from the
recipe, and both films. All are given a prior, and the two measured colours together narrow
them down; what is common to both strips (a wrong ink figure) then cancels in their
difference. Linearised at the most probable values (Gauss-Newton), with samples for the
rest of the uncertainty. The sizes of the priors are our own judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colorimetry import xyz_to_lab
from calibration.spectra import WAVELENGTHS_NM, XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.film import internal_from_measured, measured_from_internal, reflectance
from drawdown.inks import Shelf

# Smooth deviations of log K and log S: cosines over 400..700 nm. The first is the strength.
_WAVES_K = np.array([1.0, 0.5, 0.4, 0.3, 0.25])
_WAVES_S = np.array([1.0, 0.4, 0.25])
STRENGTH_SD = 0.25  # pigment load of the ink: K and S together
ORIGINAL_SD = 0.05  # weighing error of a kept recipe
BATCH_SD = 0.25  # how far a batch strays from its recipe
FILM_COMMON_SD = 0.25  # what "an ordinary film" is for this printmaker
FILM_SD = 0.07  # one strip against the next
RATIO_SD = 0.04  # of a film ratio that was measured along the strips
SAMPLES = 40
PAPER_LAB = (95.0, 0.0, 2.0)  # an ordinary white paper, when none was measured


def _cosines(weights: np.ndarray) -> np.ndarray:
    t = (np.arange(WAVELENGTHS_NM.size) + 0.5) / WAVELENGTHS_NM.size
    return weights[:, None] * np.cos(np.pi * np.arange(weights.size)[:, None] * t)


_BASIS_K, _BASIS_S = _cosines(_WAVES_K), _cosines(_WAVES_S)
_NK, _NS = _WAVES_K.size, _WAVES_S.size
_PER_INK = 1 + _NK + _NS


def film_lab(k, s, parts, film, ground) -> np.ndarray:
    """Lab D50 (..., 3) of a strip: ``k``, ``s`` (..., n, 31), ``parts`` (..., n) of any sum,
    ``film`` (...), ``ground`` (31,) the internal reflectance of the paper."""
    share = parts / parts.sum(axis=-1, keepdims=True)
    k_mix = np.matmul(share[..., None, :], k)[..., 0, :]
    s_mix = np.matmul(share[..., None, :], s)[..., 0, :]
    inside = reflectance(k_mix, s_mix, np.asarray(film)[..., None], ground)
    return xyz_to_lab(measured_from_internal(inside) @ XYZ_D50_WEIGHTS)


def paper_ground(paper_lab: np.ndarray | None) -> np.ndarray:
    """(31,) internal reflectance of the paper, such that a clear film leaves its look alone."""
    spectrum = smooth_spectrum(PAPER_LAB if paper_lab is None else paper_lab)
    return np.clip(internal_from_measured(spectrum), 0.0, 0.99)


@dataclass(frozen=True, eq=False)
class Reading:
    """The two measured colours and their joint covariance (6, 6): original, then batch."""

    lab_original: np.ndarray
    lab_batch: np.ndarray
    covariance: np.ndarray


# Without an ensemble: per strip and axis, and common to both. Usual for a phone and a card.
ALONE_SD, COMMON_SD = 0.4, 1.0
# What no ensemble knows of: the physics is not perfect.
MODEL_SD = 0.15


def reading(lab_original, lab_batch, samples_original=None, samples_batch=None) -> Reading:
    """A reading from the colours (3,) and, if there are any, their ensembles (m, 3), of
    which row i of one belongs to row i of the other."""
    lab_original = np.asarray(lab_original, dtype=float)
    lab_batch = np.asarray(lab_batch, dtype=float)
    eye = np.eye(3)
    if samples_original is not None and samples_batch is not None and len(samples_batch) > 6:
        m = min(len(samples_original), len(samples_batch))
        both = np.hstack([np.asarray(samples_original)[:m], np.asarray(samples_batch)[:m]])
        covariance = np.cov(both, rowvar=False)
    else:
        common = COMMON_SD**2 * eye
        own = ALONE_SD**2 * eye
        covariance = np.block([[common + own, common], [common, common + own]])
    return Reading(lab_original, lab_batch, covariance + MODEL_SD**2 * np.eye(6))


@dataclass(frozen=True, eq=False)
class Fit:
    """The inks and strips as they probably are. Row 0 of every array is the most probable
    state, the other rows are samples of the rest of the uncertainty (r rows, n inks)."""

    k: np.ndarray  # (r, n, 31)
    s: np.ndarray  # (r, n, 31)
    original_parts: np.ndarray  # (r, n), sum 1
    batch_parts: np.ndarray  # (r, n), sum 1
    film_original: np.ndarray  # (r,)
    film_batch: np.ndarray  # (r,)
    ground: np.ndarray  # (31,)
    lab_original: np.ndarray  # (r, 3) as the model has it
    lab_batch: np.ndarray  # (r, 3)
    surprise: float  # squared size of the misfit, 6 degrees of freedom

    def lab_with(self, added: np.ndarray, rows=slice(0, 1)) -> np.ndarray:
        """Model Lab (c, r, 3) of the batch with ``added`` (c, n) shares of its weight, pulled
        as thick as the original's strip."""
        parts = self.batch_parts[None, rows] + added[:, None, :]
        return film_lab(self.k[rows], self.s[rows], parts, self.film_original[rows], self.ground)


def fit(
    shelf: Shelf,
    mix: dict[str, float],
    data: Reading,
    ground: np.ndarray,
    film_ratio: float | None = None,
    recipe_sd: float = ORIGINAL_SD,
) -> Fit:
    """Fit the inks of ``mix`` (names of the shelf -> parts) to the reading; inks of the shelf
    that are not in the mix keep their prior. ``film_ratio`` is batch over original."""
    n, w = len(shelf), WAVELENGTHS_NM.size
    used = np.array([i for i, ink in enumerate(shelf) if mix.get(ink.name, 0) > 0])
    m = used.size
    log_k = np.log(np.maximum([ink.k for ink in shelf], 1e-7))
    log_s = np.log(np.maximum([ink.s for ink in shelf], 1e-7))
    k_sd = np.array([ink.k_sd for ink in shelf])
    s_sd = np.array([ink.s_sd for ink in shelf])
    recipe = np.log([mix[shelf.inks[i].name] for i in used])
    size = m * (_PER_INK + 2) + 3

    def spectra(z, inks):
        """log K and log S of ``inks`` for whitened deviations z (..., len(inks), _PER_INK)."""
        strength = STRENGTH_SD * z[..., :1]
        dk = (z[..., 1 : 1 + _NK] * k_sd[inks, None]) @ _BASIS_K
        ds = (z[..., 1 + _NK :] * s_sd[inks, None]) @ _BASIS_S
        return log_k[inks] + strength + dk, log_s[inks] + strength + ds

    def unpack(theta):
        z = theta[..., : m * _PER_INK].reshape(*theta.shape[:-1], m, _PER_INK)
        rest = theta[..., m * _PER_INK :]
        original = np.exp(recipe + recipe_sd * rest[..., :m])
        batch = np.exp(recipe + recipe_sd * rest[..., :m] + BATCH_SD * rest[..., m : 2 * m])
        film_o = FILM_COMMON_SD * rest[..., -3] + FILM_SD * rest[..., -2]
        if film_ratio is None:
            film_b = FILM_COMMON_SD * rest[..., -3] + FILM_SD * rest[..., -1]
        else:
            film_b = film_o + np.log(film_ratio) + RATIO_SD * rest[..., -1]
        return z, original, batch, np.exp(film_o), np.exp(film_b)

    def both(theta):
        z, original, batch, film_o, film_b = unpack(theta)
        k, s = (np.exp(v) for v in spectra(z, used))
        return np.concatenate(
            [film_lab(k, s, original, film_o, ground), film_lab(k, s, batch, film_b, ground)],
            axis=-1,
        )

    measured = np.concatenate([data.lab_original, data.lab_batch])
    theta = np.zeros(size)
    step = 0.02
    for _ in range(6):
        values = both(np.vstack([theta, theta + step * np.eye(size)]))
        slope = (values[1:] - values[0]) / step  # (size, 6)
        # Far-off colours are approached in steps, as the straight line holds only nearby.
        misfit = measured - values[0] + theta @ slope
        target = slope @ np.linalg.solve(slope.T @ slope + data.covariance, misfit)
        move = target - theta
        theta = np.clip(theta + move * min(1.0, 1.5 / max(np.abs(move).max(), 1e-9)), -4, 4)
        if np.abs(move).max() < 0.02:
            break
    values = both(np.vstack([theta, theta + step * np.eye(size)]))
    slope = (values[1:] - values[0]) / step
    residual = measured - values[0]
    surprise = float(theta @ theta + residual @ np.linalg.solve(data.covariance, residual))

    # Samples of the posterior: prior draws corrected by what they say of the reading
    # (Matheron's rule). The generator is seeded: the same photo gets the same advice.
    rng = np.random.default_rng(7)
    half = rng.standard_normal((SAMPLES // 2, n * _PER_INK + size + 6))
    draws = np.vstack([half, -half])
    prior, others, noise = np.split(draws, [size, size + n * _PER_INK], axis=1)
    noise = noise @ np.linalg.cholesky(data.covariance).T
    weight = np.linalg.solve(slope.T @ slope + data.covariance, (prior @ slope + noise).T).T
    thetas = np.vstack([theta, np.clip(theta + prior - weight @ slope.T, -4, 4)])
    z, original, batch, film_o, film_b = unpack(thetas)
    z_all = np.concatenate([np.zeros((1, n, _PER_INK)), others.reshape(-1, n, _PER_INK)])
    z_all[:, used] = z
    k, s = (np.exp(v) for v in spectra(z_all, np.arange(n)))

    def on_shelf(parts):
        full = np.zeros((len(parts), n))
        full[:, used] = parts / parts.sum(axis=1, keepdims=True)
        return full

    original, batch = on_shelf(original), on_shelf(batch)
    assert k.shape == (len(thetas), n, w)
    return Fit(
        k, s, original, batch, film_o, film_b, ground,
        film_lab(k, s, original, film_o, ground), film_lab(k, s, batch, film_b, ground),
        surprise,
    )  # fmt: skip
