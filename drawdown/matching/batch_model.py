"""What the readings of a batch say about it and its inks: a small Bayesian fit behind the advice.

The recipe was meant to give the original; the batch was meant to be the same and is not.
Unknown are: how each ink differs from the shelf's figures, how far the original's and the
batch's true parts are from the recipe, what was really weighed in between photos, and the film
of every strip. The sizes of the priors are our own judgement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.uncertainty.gauss_newton import State, most_probable, whitened
from calibration.uncertainty.streams import mirrored_normals
from drawdown.ink.forward import film_slopes, lab_of_film
from drawdown.ink.prior import ROWS, InkCurves, Knowledge, ShelfFigures
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Step
from drawdown.matching.recipes import ADDED_SD, Recipe, Recipes, lay_out

Sloped = tuple[np.ndarray, np.ndarray]  # values and slopes, or residuals and Jacobian
FREEDOM = 3.0  # of Student's t for how far a batch strays from its recipe


def strips_and_slopes(curves: InkCurves, recipes: Recipes, theta: np.ndarray) -> Sloped:
    """Lab of all strips as they are read (g, photos * 6: original, batch; original, batch ..)
    and their slopes (g, size, photos * 6) by the unknowns."""
    g, m = recipes.inks.shape
    photos = recipes.photos
    z, share, log_film = recipes.unpack(theta)
    k, s = curves.spectra(z)  # (g, m, 31)
    film = np.exp(log_film)
    k_mix, s_mix = share @ k, share @ s  # (g, 1 + photos, 31)
    lab, by_k, by_s, by_x = film_slopes(k_mix, s_mix, film[..., None], recipes.ground)
    # By the inks' unknowns: what each ink contributes at each wavelength.
    k_of, s_of = k[:, :, None] * curves.rows_k, s[:, :, None] * curves.rows_s  # (g, m, ROWS, 31)
    by_z = k_of.reshape(g, 1, m * ROWS, -1) @ by_k + s_of.reshape(g, 1, m * ROWS, -1) @ by_s
    by_z = by_z.reshape(g, 1 + photos, m, ROWS, 3) * share[..., None, None]
    # By shares: (g, strips, m, 3), before the strip's own normalisation.
    effect = k[:, None] @ by_k + s[:, None] @ by_s
    effect = effect - (share[..., None] * effect).sum(axis=2, keepdims=True)
    by_film = film[..., None] * by_x  # (g, strips, 3) by the log film

    slope = np.zeros((g, recipes.size, 1 + photos, 3))
    slope[:, : m * ROWS] = by_z.reshape(g, 1 + photos, m * ROWS, 3).transpose(0, 2, 1, 3)
    at = m * ROWS
    common, stray = slice(at, at + m), slice(at + m, at + 2 * m)
    (common_0, stray_0), (common_1, stray_1) = recipes.reach(0), recipes.reach(1)
    first = share[:, 0, :, None] * effect[:, 0]
    slope[:, common, 0], slope[:, stray, 0] = (
        common_0[..., None] * first,
        stray_0[..., None] * first,
    )
    start = share[:, 1]
    weighed = theta[:, at + 2 * m : at + m * (1 + photos)].reshape(g, photos - 1, m)
    put_in = recipes.added[1:] * np.exp(ADDED_SD * weighed.transpose(1, 0, 2))
    whole = 1.0 + np.cumsum(put_in.sum(axis=2), axis=0)[..., None]
    whole = np.concatenate([np.ones((1, g, 1)), whole])
    for photo in range(photos):
        now = effect[:, 1 + photo] / whole[photo][..., None]
        first = start[..., None] * (now - (start[..., None] * now).sum(axis=1, keepdims=True))
        slope[:, common, 1 + photo] = common_1[..., None] * first
        slope[:, stray, 1 + photo] = stray_1[..., None] * first
        for before in range(1, photo + 1):
            more = ADDED_SD * put_in[before - 1]
            rows = slice(at + (1 + before) * m, at + (2 + before) * m)
            slope[:, rows, 1 + photo] = more[..., None] * now
    slope[:, -2 - photos :] = recipes.films[0][..., None] * by_film[:, None]
    read = np.stack([np.zeros(photos, dtype=int), 1 + np.arange(photos)], axis=1).ravel()
    return lab[:, read].reshape(g, -1), slope[:, :, read].reshape(g, recipes.size, -1)


# What the model of a mixture is off by, per axis, where no reading was taken.
MISFIT_SD = 0.35
BATCH_SAMPLES = 80
# Guessed recipes are never quite the true one, so evidence for one of them counts for less.
TEMPER = 0.5
LEAST_ODDS = 0.02  # of a recipe against the best one, to be kept
FARTHEST = 4.0  # standard deviations: what no unknown is off by
MOST_LOOSENED = 8.0  # times as wide as before
FIT_ROUNDS, LOOSENED = 1, 7  # steps, and how often the batch's straying is looked at again


@dataclass(frozen=True, eq=False)
class Fit:
    """The inks and strips as they probably are: ``r`` possible states over the ``n`` inks of
    the shelf. The first ``heads`` rows are the most probable state of each recipe that was
    considered, best first; the others are samples of the uncertainty that is left."""

    k: np.ndarray  # (r, n, 31)
    s: np.ndarray  # (r, n, 31)
    original_parts: np.ndarray  # (r, n), sum 1
    batch_parts: np.ndarray  # (r, n), sum 1, as the batch is now
    film_original: np.ndarray  # (r,)
    target: np.ndarray  # (r, 3) the model Lab that would be the measured original
    weight: np.ndarray  # (r,) probability of the state; zero for the heads
    ground: np.ndarray  # (31,)
    heads: int
    recipe: int  # which of the recipes given was best
    surprise: float  # of the best recipe: squared size of the misfit
    freedom: int  # how many numbers were read

    def lab_with(self, added: np.ndarray, rows: slice = slice(None)) -> np.ndarray:
        """Model Lab (r, c, 3) of the batch with ``added`` (c, n) shares of its weight, pulled
        as thick as the original's strip."""
        parts = self.batch_parts[rows][:, None, :] + added
        parts = parts / parts.sum(axis=-1, keepdims=True)
        film = self.film_original[rows][:, None, None]
        return lab_of_film(parts @ self.k[rows], parts @ self.s[rows], film, self.ground)


@dataclass(frozen=True, eq=False)
class _Prior:
    """Mean (g, size) and, where something was learnt, a root (g, size, size) of the covariance
    of the unknowns; without it they are independent with variance 1."""

    mean: np.ndarray
    root: np.ndarray | None

    def at(self, normal: np.ndarray) -> np.ndarray:
        """The unknowns (g, size) of standard normal ones."""
        if self.root is None:
            return np.asarray(self.mean + normal)
        return np.asarray(self.mean + (self.root @ normal[..., None])[..., 0])

    def across(self, slope: np.ndarray) -> np.ndarray:
        """Slopes (g, size, d) by the standard normal unknowns."""
        return slope if self.root is None else self.root.swapaxes(-1, -2) @ slope

    def spread(self, slope: np.ndarray) -> np.ndarray:
        """Covariance times slope (g, size, d)."""
        return slope if self.root is None else self.root @ self.across(slope)


def _prior(figures: ShelfFigures, recipes: Recipes) -> _Prior:
    g, m = recipes.inks.shape
    mean = np.zeros((g, recipes.size))
    if figures.covariance is None:
        return _Prior(mean, None)
    mean[:, : m * ROWS] = figures.mean[recipes.inks].reshape(g, -1)
    root = np.broadcast_to(np.eye(recipes.size), (g, recipes.size, recipes.size)).copy()
    at = _places(recipes.inks)
    own = figures.covariance[at[:, :, None], at[:, None, :]]
    root[:, : m * ROWS, : m * ROWS] = np.linalg.cholesky(own + 1e-9 * np.eye(m * ROWS))
    return _Prior(mean, root)


def _places(inks: np.ndarray) -> np.ndarray:
    """Places (..., m * ROWS) of the unknowns of ``inks`` (..., m) among the whole shelf's."""
    at = inks[..., None] * ROWS + np.arange(ROWS)
    return at.reshape(*inks.shape[:-1], -1)


@dataclass(frozen=True, eq=False)
class _Found:
    """The most probable state of each recipe."""

    recipes: Recipes  # with the width of the batch's straying as found
    theta: np.ndarray  # (g, size)
    slope: np.ndarray  # (g, size, d)
    spread: np.ndarray  # (g, size, d) prior covariance times slope
    total: np.ndarray  # (g, d, d) covariance of the readings
    misfit: np.ndarray  # (g, d) readings less what the prior's mean would give
    surprise: np.ndarray  # (g,) squared size of the misfit
    log_evidence: np.ndarray  # (g,)


def _solve(
    figures: ShelfFigures, recipes: Recipes, prior: _Prior, measured: np.ndarray, noise: np.ndarray
) -> _Found:
    curves = figures.of(recipes.inks)

    def most_probable_state(recipes: Recipes, start: np.ndarray, *known: Sloped) -> State:
        told = iter(known)  # what there is at the start, where it was worked out before

        def model(normal: np.ndarray) -> Sloped:
            for first in told:
                return first
            values, slope = strips_and_slopes(curves, recipes, prior.at(normal))
            across = prior.across(slope).swapaxes(-1, -2)
            return whitened(values - measured, across, noise)

        return most_probable(
            model, start, longest=1.5, rounds=FIT_ROUNDS, tolerance=0.03, allow=_within_reach
        )

    state = most_probable_state(recipes, np.zeros((len(recipes.parts), recipes.size)))
    for _ in range(LOOSENED):
        before, at = recipes.stray_sd, recipes.at_stray
        recipes, start = _loosened(recipes, state.mode)
        slope = state.jacobian.copy()
        slope[..., at] *= (recipes.stray_sd / before)[:, None]
        state = most_probable_state(recipes, start, (state.residual, slope))
    theta = prior.at(state.mode)
    values, slope = strips_and_slopes(curves, recipes, theta)
    spread = prior.spread(slope)
    total = slope.transpose(0, 2, 1) @ spread + noise
    misfit = measured - values + ((theta - prior.mean)[:, None] @ slope)[:, 0]
    return _Found(recipes, theta, slope, spread, total, misfit, state.surprise, state.log_evidence)


def _within_reach(unknowns: np.ndarray) -> np.ndarray:
    return np.asarray(np.clip(unknowns, -FARTHEST, FARTHEST))


def _loosened(recipes: Recipes, normal: np.ndarray) -> tuple[Recipes, np.ndarray]:
    """Now and then an ink is forgotten or put in twice: where a batch is far off its recipe,
    widen what is thought possible, as Student's t distribution does, and restate the unknowns."""
    at, least = recipes.at_stray, recipes.least_stray_sd
    strayed = recipes.stray_sd * normal[:, at]
    wide = np.sqrt((FREEDOM + (strayed / least) ** 2) / (FREEDOM + 1))
    stray_sd = least * np.clip(wide, 1.0, MOST_LOOSENED)
    normal = normal.copy()
    normal[:, at] = strayed / stray_sd
    return replace(recipes, stray_sd=stray_sd), normal


def fit(
    shelf: Shelf,
    recipes: list[Recipe],
    steps: tuple[Step, ...],
    ground: np.ndarray,
    most_heads: int = 1,
    knowledge: Knowledge | None = None,
    temper: float = 1.0,
) -> Fit:
    """Fit one or more recipes to the readings of a batch, the newest last, weigh them by evidence
    (to the power of ``temper``) and prior, and keep the best ``most_heads``. Inks of the shelf
    that are not in a recipe keep what was known of them."""
    figures = ShelfFigures(shelf, knowledge)
    side_by_side = lay_out(shelf, recipes, steps, ground)
    measured, noise = _read(steps)
    found = _solve(figures, side_by_side, _prior(figures, side_by_side), measured, noise)
    log_odds = found.log_evidence + np.array([recipe.log_prior for recipe in recipes])
    odds = np.exp((log_odds - log_odds.max()) * temper)
    order = [int(i) for i in np.argsort(-odds)[:most_heads] if odds[i] > LEAST_ODDS]
    return _sampled(figures, steps, order, found, noise, odds)


def posterior_of_inks(
    shelf: Shelf,
    recipe: Recipe,
    steps: tuple[Step, ...],
    ground: np.ndarray,
    knowledge: Knowledge | None = None,
) -> tuple[tuple[np.ndarray, np.ndarray], float]:
    """Mean (n * ROWS,) and covariance of the whole shelf's unknowns after the readings of one
    batch of noted mixes, and the squared size of the misfit."""
    figures = ShelfFigures(shelf, knowledge)
    recipes = lay_out(shelf, [recipe], steps, ground)
    measured, noise = _read(steps)
    found = _solve(figures, recipes, _prior(figures, recipes), measured, noise)
    pull = np.linalg.solve(found.total[0], found.misfit[0])
    at, own = _places(recipes.inks[0]), found.slope[0, : recipes.inks.shape[1] * ROWS]
    size = figures.size * ROWS
    covariance = np.eye(size) if figures.covariance is None else figures.covariance
    bound = covariance[:, at] @ own  # (size, d)
    mean = figures.mean.ravel() + bound @ pull
    covariance = covariance - bound @ np.linalg.solve(found.total[0], bound.T)
    return (mean, (covariance + covariance.T) / 2), float(found.misfit[0] @ pull)


def _read(steps: tuple[Step, ...]) -> tuple[np.ndarray, np.ndarray]:
    """All that was measured (6 * photos,), and its covariance; photos err on their own."""
    d = 6 * len(steps)
    noise = np.zeros((d, d))
    for i, step in enumerate(steps):
        noise[6 * i : 6 * i + 6, 6 * i : 6 * i + 6] = step.reading.covariance
    rows = [(step.reading.lab_original, step.reading.lab_batch) for step in steps]
    return np.array(rows, dtype=float).ravel(), noise


def _sampled(
    figures: ShelfFigures, steps: tuple[Step, ...], order: list[int], found: _Found,
    noise: np.ndarray, odds: np.ndarray,
) -> Fit:  # fmt: skip
    """The kept recipes' most probable states and samples of their uncertainty: prior draws
    corrected by what they say of the readings (Matheron's rule). The generator is seeded, so
    that the same photo gets the same advice."""
    n, heads, d = figures.size, len(order), noise.shape[0]
    recipes = found.recipes
    m = recipes.inks.shape[1]
    count = BATCH_SAMPLES if heads == 1 else max(12, BATCH_SAMPLES // heads // 2 * 2)
    rng = np.random.default_rng(7)
    drawn = mirrored_normals(rng, count, n * ROWS + recipes.size - m * ROWS + d)
    own, rest, err = np.split(drawn, [n * ROWS, drawn.shape[1] - d], axis=1)
    own, err = figures.draws(own), err @ np.linalg.cholesky(noise).T
    own = own.reshape(count, n * ROWS)
    zs, parts, films = [], [], []
    for i in order:
        there = recipes.parts[i].sum(axis=0) + recipes.added[:, i].sum(axis=0) > 0
        at = _places(recipes.inks[i])
        drawn = np.hstack([own[:, at], rest])
        say = drawn @ found.slope[i] + err  # (count, d)
        pull = np.linalg.solve(found.total[i], np.vstack([found.misfit[i], -say]).T).T
        # The unknowns of the recipe: most probable, then samples.
        state = np.vstack([found.theta[i], found.theta[i] + drawn])
        state[1:] += pull[1:] @ found.spread[i].T
        state = _within_reach(state)
        # The whole shelf's inks, moved along with those of the recipe if they are bound up.
        z = np.vstack([np.zeros((1, n * ROWS)), own]) + figures.mean.ravel()
        if figures.covariance is not None:
            z += pull @ (figures.covariance[:, at] @ found.slope[i, : m * ROWS]).T
            z[1:] += z[0] - figures.mean.ravel()
            z = _within_reach(z)
        z = z.reshape(1 + count, n, ROWS)
        own_z, share, log_film = recipes.unpack(state, i)
        z[:, recipes.inks[i][there]] = own_z[:, there]
        strips = np.zeros((1 + count, 2, n))
        strips[..., recipes.inks[i][there]] = share[:, [0, -1]][..., there]
        zs.append(z)
        parts.append(strips)
        films.append(np.exp(log_film[:, [0, -1]]))

    def rows(values: list[np.ndarray]) -> np.ndarray:
        """Heads first, then all samples."""
        return np.concatenate([v[:1] for v in values] + [v[1:] for v in values])

    share, film = rows(parts), rows(films)
    k, s = figures.curves.spectra(rows(zs))
    lab = lab_of_film(share @ k, share @ s, film[..., None], recipes.ground)  # (r, 2, 3)
    odds = odds[order] / odds[order].sum()
    shift = [_unexplained(steps, one[0] - one[1], count, rng) for one in lab[:heads]]
    return Fit(
        k, s, share[:, 0], share[:, 1], film[:, 0],
        # What the fit left unexplained of the step batch -> original is still to be gone.
        target=lab[:, 0] + rows(shift),
        weight=np.concatenate([np.zeros(heads), np.repeat(odds / count, count)]),
        ground=recipes.ground, heads=heads, recipe=order[0],
        surprise=float(found.surprise[order[0]]), freedom=d,
    )  # fmt: skip


def _unexplained(
    steps: tuple[Step, ...], modelled: np.ndarray, count: int, rng: np.random.Generator
) -> np.ndarray:
    """(1 + count, 3): what the newest step batch -> original has beyond ``modelled`` (3,) that
    is not the reading's own error, most probable first and then samples."""
    last = steps[-1].reading
    left = last.lab_original - last.lab_batch - modelled
    # A misfit far beyond the usual is believed: then it is the inks that are not as noted.
    usual = max(MISFIT_SD, float(np.linalg.norm(left)) / 3**0.5) ** 2 * np.eye(3)
    share = usual @ np.linalg.inv(usual + last.difference_covariance)
    spread = usual - share @ usual
    draws = mirrored_normals(rng, count, 3) @ np.linalg.cholesky(spread + 1e-9 * np.eye(3)).T
    return np.asarray(share @ left + np.vstack([np.zeros((1, 3)), draws]))
