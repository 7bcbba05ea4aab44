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

from calibration.colorimetry import WHITE_D50, xyz_to_lab
from calibration.spectra import WAVELENGTHS_NM, XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.film import (
    STARTER_K1,
    STARTER_K2,
    internal_from_measured,
    measured_from_internal,
    reflectance,
    reflectance_slopes,
)
from drawdown.inks import Shelf

# Smooth deviations of log K and log S: cosines over 400..700 nm. The first is the strength.
_WAVES_K = np.array([1.0, 0.5, 0.4, 0.3, 0.25])
_WAVES_S = np.array([1.0, 0.4, 0.25])
STRENGTH_SD = 0.25  # pigment load of the ink: K and S together
ORIGINAL_SD = 0.05  # weighing error of a kept recipe
BATCH_SD = 0.25  # how far a batch strays from its recipe
FREEDOM = 3.0  # of Student's t for that
FILM_COMMON_SD = 0.25  # what "an ordinary film" is for this printmaker
FILM_SD = 0.07  # one strip against the next
RATIO_SD = 0.04  # of a film ratio that was measured along the strips
SAMPLES = 40
# Guessed recipes are never quite the true one, so evidence for one of them counts for less.
TEMPER = 0.5
LEAST_ODDS = 0.02  # of a recipe against the best one, to be kept
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
    return lab_of_film(k_mix, s_mix, np.asarray(film)[..., None], ground)


def lab_of_film(k, s, film, ground) -> np.ndarray:
    """Lab D50 (..., 3) of films with K and S (..., 31)."""
    inside = reflectance(k, s, film, ground)
    return xyz_to_lab(measured_from_internal(inside) @ XYZ_D50_WEIGHTS)


def lab_slopes(k, s, film, ground):
    """Lab (..., 3) of films with K and S (..., 31), and its derivatives by K, S (..., 31, 3)
    at each wavelength and by the film (..., 3)."""
    r, by_k, by_s, by_x = reflectance_slopes(k, s, film, ground)
    xyz = measured_from_internal(r) @ XYZ_D50_WEIGHTS
    to_lab = _lab_by_xyz(xyz)
    # Saunderson's slope, the surface constants as in measured_from_internal.
    outside = (1 - STARTER_K1) * (1 - STARTER_K2) / (1 - STARTER_K2 * r) ** 2
    by_r = XYZ_D50_WEIGHTS @ to_lab  # (..., 31, 3)
    by_x = ((outside * by_x)[..., None, :] @ by_r)[..., 0, :]
    return (
        xyz_to_lab(xyz),
        (outside * by_k)[..., None] * by_r,
        (outside * by_s)[..., None] * by_r,
        by_x,
    )


def _lab_by_xyz(xyz: np.ndarray) -> np.ndarray:
    """(..., 3, 3): row by X, Y, Z, column L*, a*, b*."""
    t = xyz / WHITE_D50
    steep = (29 / 3) ** 3 / 116
    f = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 1e-9)) ** -2 / 3, steep) / WHITE_D50
    return f[..., None] * np.array([[0.0, 500, 0], [116, -500, 200], [0, 0, -200]])


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
    """The inks and strips as they probably are: ``r`` possible states over the ``n`` inks of
    the shelf. The first ``heads`` rows are the most probable state of each recipe that was
    considered, best first; the others are samples of the uncertainty that is left."""

    k: np.ndarray  # (r, n, 31)
    s: np.ndarray  # (r, n, 31)
    original_parts: np.ndarray  # (r, n), sum 1
    batch_parts: np.ndarray  # (r, n), sum 1
    film_original: np.ndarray  # (r,)
    film_batch: np.ndarray  # (r,)
    lab_original: np.ndarray  # (r, 3) as the model has it
    lab_batch: np.ndarray  # (r, 3)
    shift: np.ndarray  # (r, 3) what the fit left unexplained of the step batch -> original
    weight: np.ndarray  # (r,) probability of the state; zero for the heads
    ground: np.ndarray  # (31,)
    heads: int
    recipe: int  # which of the recipes given was best
    surprise: float  # of the best recipe: squared size of the misfit, 6 degrees of freedom

    def lab_with(self, added: np.ndarray, rows=slice(None)) -> np.ndarray:
        """Model Lab (r, c, 3) of the batch with ``added`` (c, n) shares of its weight, pulled
        as thick as the original's strip."""
        parts = self.batch_parts[rows][:, None, :] + added
        parts = parts / parts.sum(axis=-1, keepdims=True)
        film = self.film_original[rows][:, None, None]
        return lab_of_film(parts @ self.k[rows], parts @ self.s[rows], film, self.ground)

    @property
    def target(self) -> np.ndarray:
        """(r, 3) the model Lab that would be the measured original."""
        return self.lab_original + self.shift


@dataclass(frozen=True, eq=False)
class _Recipes:
    """Several recipes side by side (g), each of up to m inks; empty places have no parts."""

    inks: np.ndarray  # (g, m) places on the shelf
    parts: np.ndarray  # (g, m) by weight
    sd: float  # of their logarithms, for the original
    film_ratio: float | None
    ground: np.ndarray
    batch_sd: np.ndarray  # (g, m) of the logarithms of batch over original

    @property
    def size(self) -> int:
        """How many unknowns a recipe has: ink by ink, parts of both strips, three films."""
        return self.inks.shape[1] * (_PER_INK + 2) + 3

    def unpack(self, theta: np.ndarray, row=slice(None)):
        """Whitened unknowns (g, size) of all recipes, or (..., size) of one ``row`` -> ink
        deviations (..., m, _PER_INK), parts of the two strips (..., 2, m), log films (..., 2)."""
        m = self.inks.shape[1]
        z = theta[..., : m * _PER_INK].reshape(*theta.shape[:-1], m, _PER_INK)
        rest = theta[..., m * _PER_INK :]
        original = self.sd * rest[..., :m]
        logs = np.stack([original, original + self.batch_sd[row] * rest[..., m : 2 * m]], axis=-2)
        film_o = FILM_COMMON_SD * rest[..., -3] + FILM_SD * rest[..., -2]
        if self.film_ratio is None:
            film_b = FILM_COMMON_SD * rest[..., -3] + FILM_SD * rest[..., -1]
        else:
            film_b = film_o + np.log(self.film_ratio) + RATIO_SD * rest[..., -1]
        strips = self.parts[row][..., None, :] * np.exp(logs)
        return z, strips / strips.sum(-1, keepdims=True), np.stack([film_o, film_b], axis=-1)


class _Inks:
    """The shelf's figures as the fit needs them."""

    def __init__(self, shelf: Shelf) -> None:
        self.log_k = np.log(np.maximum([ink.k for ink in shelf], 1e-7))
        self.log_s = np.log(np.maximum([ink.s for ink in shelf], 1e-7))
        self.k_sd = np.array([ink.k_sd for ink in shelf])
        self.s_sd = np.array([ink.s_sd for ink in shelf])

    def spectra(self, z: np.ndarray, inks: np.ndarray):
        """K and S (..., 31) of ``inks`` (...) for their deviations z (..., _PER_INK)."""
        strength = STRENGTH_SD * z[..., :1]
        dk = (z[..., 1 : 1 + _NK] * self.k_sd[inks][..., None]) @ _BASIS_K
        ds = (z[..., 1 + _NK :] * self.s_sd[inks][..., None]) @ _BASIS_S
        return np.exp(self.log_k[inks] + strength + dk), np.exp(self.log_s[inks] + strength + ds)


def _strips(inks: _Inks, recipes: _Recipes, theta: np.ndarray):
    """Both strips' Lab (g, 6) and their slopes (g, size, 6) by the unknowns."""
    g, m = recipes.inks.shape
    z, share, log_film = recipes.unpack(theta)
    k, s = inks.spectra(z, recipes.inks)  # (g, m, 31)
    film = np.exp(log_film)
    k_mix, s_mix = share @ k, share @ s  # (g, 2, 31)
    lab, by_k, by_s, by_x = lab_slopes(k_mix, s_mix, film[..., None], recipes.ground)
    # What each ink contributes at each wavelength: (g, 2, m, 31, 3).
    from_k = (share[..., None] * k[:, None])[..., None] * by_k[:, :, None]
    from_s = (share[..., None] * s[:, None])[..., None] * by_s[:, :, None]
    whole = (from_k + from_s).sum(axis=-2)  # (g, 2, m, 3)
    by_parts = whole - share[..., None] * whole.sum(axis=2, keepdims=True)
    by_film = film[..., None] * by_x  # (g, 2, 3) by the log film
    slope = np.zeros((g, recipes.size, 2, 3))
    by_z = np.concatenate(
        [
            STRENGTH_SD * whole[..., None, :],
            inks.k_sd[recipes.inks][:, None, :, None, None] * (_BASIS_K @ from_k),
            inks.s_sd[recipes.inks][:, None, :, None, None] * (_BASIS_S @ from_s),
        ],
        axis=-2,
    )
    n = m * _PER_INK
    slope[:, :n] = by_z.transpose(0, 2, 3, 1, 4).reshape(g, n, 2, 3)
    slope[:, n : n + m] = recipes.sd * by_parts.transpose(0, 2, 1, 3)
    slope[:, n + m : n + 2 * m, 1] = recipes.batch_sd[..., None] * by_parts[:, 1]
    slope[:, -3] = FILM_COMMON_SD * by_film
    slope[:, -2, 0] = FILM_SD * by_film[:, 0]
    if recipes.film_ratio is None:
        slope[:, -1, 1] = FILM_SD * by_film[:, 1]
    else:
        slope[:, -2, 1] = FILM_SD * by_film[:, 1]
        slope[:, -1, 1] = RATIO_SD * by_film[:, 1]
    return lab.reshape(g, 6), slope.reshape(g, recipes.size, 6)


def fit(
    shelf: Shelf,
    mixes: list[dict[str, float]],
    log_prior: list[float],
    data: Reading,
    ground: np.ndarray,
    film_ratio: float | None = None,
    recipe_sd: float = ORIGINAL_SD,
    most_heads: int = 1,
) -> Fit:
    """Fit one or more recipes (names of the shelf -> parts) to the reading, weigh them by
    evidence and prior, and keep the best ``most_heads``. Inks of the shelf that are not in
    a recipe keep their prior. ``film_ratio`` is batch over original, None when unknown."""
    places = {ink.name: i for i, ink in enumerate(shelf)}
    mixes = [{name: p for name, p in mix.items() if p > 0} for mix in mixes]
    width = max(len(mix) for mix in mixes)
    used = np.zeros((len(mixes), width), dtype=int)
    parts = np.zeros((len(mixes), width))
    for row, mix in enumerate(mixes):
        used[row, : len(mix)] = [places[name] for name in mix]
        parts[row, : len(mix)] = list(mix.values())
    inks = _Inks(shelf)
    recipes = _Recipes(used, parts, recipe_sd, film_ratio, ground, np.full(parts.shape, BATCH_SD))

    measured = np.concatenate([data.lab_original, data.lab_batch])
    theta = np.zeros((len(mixes), recipes.size))
    for _ in range(8):
        values, slope = _strips(inks, recipes, theta)
        spread = slope.transpose(0, 2, 1) @ slope + data.covariance
        misfit = measured - values + (theta[:, None] @ slope)[:, 0]
        target = (slope @ np.linalg.solve(spread, misfit[..., None]))[..., 0]
        move = target - theta
        # Far-off colours are approached in steps, as the straight line holds only nearby.
        reach = np.abs(move).max(axis=1, keepdims=True)
        theta = np.clip(theta + move * np.minimum(1, 1.5 / np.maximum(reach, 1e-9)), -4, 4)
        if np.quantile(reach, 0.9) < 0.05:  # the odd hopeless recipe may wander on
            break
        theta = _loosen(recipes, theta)
    values, slope = _strips(inks, recipes, theta)
    spread = slope.transpose(0, 2, 1) @ slope + data.covariance
    residual = measured - values
    surprise = (theta**2).sum(axis=1) + np.einsum(
        "gi,gi->g", residual, np.linalg.solve(data.covariance, residual.T).T
    )
    log_odds = -0.5 * (surprise + np.linalg.slogdet(spread)[1]) + np.array(log_prior)
    odds = np.exp((log_odds - log_odds.max()) * (TEMPER if len(mixes) > 1 else 1))
    order = [i for i in np.argsort(-odds)[:most_heads] if odds[i] > LEAST_ODDS]
    return _sampled(inks, recipes, data, order, theta, slope, spread, odds, surprise)


def _loosen(recipes: _Recipes, theta: np.ndarray) -> np.ndarray:
    """Now and then an ink is forgotten or put in twice: where a batch is far off its recipe,
    widen what is thought possible, as Student's t distribution does, and restate theta."""
    m = recipes.inks.shape[1]
    at = slice(m * (_PER_INK + 1), m * (_PER_INK + 2))
    strayed = recipes.batch_sd * theta[:, at]
    wide = np.sqrt((FREEDOM + (strayed / BATCH_SD) ** 2) / (FREEDOM + 1))
    recipes.batch_sd[:] = BATCH_SD * np.clip(wide, 1.0, 8.0)
    theta = theta.copy()
    theta[:, at] = strayed / recipes.batch_sd
    return theta


def _sampled(inks, recipes, data, order, theta, slope, spread, odds, surprise) -> Fit:
    """The kept recipes' most probable states and samples of their uncertainty: prior draws
    corrected by what they say of the reading (Matheron's rule). The generator is seeded, so
    that the same photo gets the same advice."""
    n, heads = len(inks.log_k), len(order)
    count = SAMPLES if heads == 1 else max(12, 4 * (SAMPLES // heads))
    rng = np.random.default_rng(7)
    half = rng.standard_normal((count // 2, n * _PER_INK + recipes.size + 6))
    draws = np.vstack([half, -half])
    prior, others, noise = np.split(draws, [recipes.size, recipes.size + n * _PER_INK], axis=1)
    noise = noise @ np.linalg.cholesky(data.covariance).T
    states, on_shelf = [], []
    others = others.reshape(count, n, _PER_INK)
    for i in order:
        weight = np.linalg.solve(spread[i], (prior @ slope[i] + noise).T).T
        samples = np.clip(theta[i] + prior - weight @ slope[i].T, -4, 4)
        states.append(np.vstack([theta[i], samples]))
        # Other inks of the shelf are as uncertain as before.
        z = np.concatenate([np.zeros((1, n, _PER_INK)), others])
        there = recipes.parts[i] > 0
        z[:, recipes.inks[i][there]] = recipes.unpack(states[-1], i)[0][:, there]
        on_shelf.append(z)

    def rows(values) -> np.ndarray:
        """Heads first, then all samples."""
        return np.concatenate([v[:1] for v in values] + [v[1:] for v in values])

    parts, films = [], []
    for i, state in zip(order, states, strict=True):
        _, share, log_film = recipes.unpack(state, i)
        full = np.zeros((1 + count, 2, n))
        there = recipes.parts[i] > 0
        full[..., recipes.inks[i][there]] = share[..., there]
        parts.append(full)
        films.append(np.exp(log_film))
    parts, films = rows(parts), rows(films)
    k, s = inks.spectra(rows(on_shelf), np.arange(n))
    lab = lab_of_film(parts @ k, parts @ s, films[..., None], recipes.ground)  # (r, 2, 3)
    step = data.lab_original - data.lab_batch - (lab[:heads, 0] - lab[:heads, 1])
    odds = odds[order] / odds[order].sum()
    return Fit(
        k, s, parts[:, 0], parts[:, 1], films[:, 0], films[:, 1], lab[:, 0], lab[:, 1],
        shift=np.concatenate([step, np.repeat(step, count, axis=0)]),
        weight=np.concatenate([np.zeros(heads), np.repeat(odds / count, count)]),
        ground=recipes.ground, heads=heads, recipe=int(order[0]),
        surprise=float(surprise[order[0]]),
    )  # fmt: skip
