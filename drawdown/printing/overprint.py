"""One layer printed over another: its colour, from K, S and film, with uncertainty.

A layer is a film of ink that touches what lies below it, so the films' own formula serves
(Kubelka 1948 over any ground; 1954 for layers) with the paper's or the lower layer's
internal reflectance as the ground and one surface on top (Saunderson 1942). Two things
come on top of that:

* a layer over ink may take up less ink than over bare paper (its *take*): printed wet on
  wet 0.90, wet on dry 1.00, each with a standard uncertainty of 0.10. The first is in line
  with the trapping of offset presses (usual figures from memory: 0.7 to 0.9); the second
  is common practice, no source.
* light that the surface scatters back before it reaches the ink (``surface``, a measured
  reflectance 0..1): none on a smooth sheet, several per cent on rough paper. The darkest
  solid on the sheet bounds it (``surface_from_darkest``).

Where K and S are not known but the colour of the layer alone on paper is
(``layer_from_colour``), the likeliest absorption is sought among the pigments of a shelf.
All Lab are D50, 2 degree; spectra are 31 numbers, 400 to 700 nm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM, XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.ink.film import (
    STARTER_K1,
    STARTER_K2,
    internal_from_measured,
    measured_from_internal,
    reflectance,
    reflectance_slopes,
)
from drawdown.ink.prior import ROWS, ShelfFigures
from drawdown.ink.shelf import Ink, Shelf, starter_shelf

SAMPLES = 64
PAPER_LAB = (95.0, 0.0, 2.0)  # an ordinary white paper
TAKE_DRY, TAKE_WET, TAKE_SD = 1.0, 0.9, 0.1
# What a black solid itself returns, the rest of its light being the surface's: 0.01 and a
# tenth of what it reads, and the standard uncertainty of its logarithm. Our own judgement.
BLACK_OWN_Y, BLACK_OWN_SHARE, BLACK_OWN_SD = 0.010, 0.1, 0.9
# What the formula itself may miss where ink lies on ink, in Lab on each axis. Set so that the
# predictions for nine printed tables hold what they promise (tests/benchmarks/overprint.py).
PHYSICS_SD = 1.5
PHYSICS_FROM_DE = 4.0  # where one layer changes the other by less, it errs by less
# Priors of a layer whose K and S are guessed from its colour: our own judgement.
_FREE_SD = 2.0  # of the logarithm of the strength, where the mix is not known
_FILM_SD = 0.3  # of the logarithm of the film
_SHAPE_SD, _SHAPE_NM = 0.5, 60.0  # of log K over wavelength
_LAB_SD = 0.3  # of a colour given without an ensemble
_WHITE_S, _WHITE_SD = 4.0, 0.3  # an ordinary film of white ink scatters so much
_CLEAR_S, _CLEAR_SD = 0.005, 0.7  # a transparent one


@dataclass(frozen=True, eq=False)
class Layer:
    """A film of ink as printed on paper: absorption KX and scattering SX (31,), and possible
    values of both (m, 31) that carry the uncertainty; row i belongs to row i of the other
    layers made with it. ``opaque`` is the share (0..1) of those samples with a white or
    other covering body, for layers that were guessed from a colour; else None."""

    name: str
    kx: np.ndarray
    sx: np.ndarray
    kx_samples: np.ndarray
    sx_samples: np.ndarray
    opaque: float | None = None


@dataclass(frozen=True, eq=False)
class Predicted:
    """A predicted colour: ``lab_d50`` (3,), possible values (m, 3), and ``lab_u95`` (3,),
    half the width of the interval that holds the true one with 95 % probability."""

    lab_d50: np.ndarray
    lab_samples: np.ndarray

    @property
    def lab_u95(self) -> np.ndarray:
        low, high = np.percentile(self.lab_samples, [2.5, 97.5], axis=0)
        return (high - low) / 2


@dataclass(frozen=True, eq=False)
class Sheet:
    """What is printed on, and how: paper (31,) internal reflectance, ``surface`` a measured
    reflectance, ``take`` the share of its film that a layer leaves on ink; possible values
    of the first two, (m, 31) and (m, 1), that belong together."""

    ground: np.ndarray
    surface: float
    take: float
    ground_samples: np.ndarray
    surface_samples: np.ndarray


def sheet(paper_lab_d50=None, surface=0.0, surface_samples=None, wet=False) -> Sheet:
    """A sheet from the paper's Lab D50 (3,) (an ordinary white one when None), and the light
    its surface scatters back, with possible values (m,) of that."""
    seen = smooth_spectrum(np.asarray(PAPER_LAB if paper_lab_d50 is None else paper_lab_d50))
    possible = np.full(SAMPLES, surface) if surface_samples is None else surface_samples
    possible = np.asarray(possible, dtype=float)[:, None]
    return Sheet(
        _inside(seen - surface),
        float(surface),
        TAKE_WET if wet else TAKE_DRY,
        _inside(seen - possible),
        possible,
    )


def _inside(measured: np.ndarray) -> np.ndarray:
    return np.clip(internal_from_measured(measured), 0.0, 0.99)


def surface_from_darkest(y: float) -> tuple[float, np.ndarray]:
    """The surface, and possible values (m,), from the luminous reflectance of a black solid."""
    own = BLACK_OWN_Y + BLACK_OWN_SHARE * y
    factor = np.exp(BLACK_OWN_SD * np.random.default_rng(23).standard_normal(SAMPLES))
    return max(0.0, y - own), np.maximum(y - own * factor, 0.0)


def layers_from_mixes(
    shelf: Shelf, mixes: Sequence[tuple[str, dict[str, float], float]], seed: int = 11
) -> tuple[Layer, ...]:
    """Layers from (name, {ink of the shelf: parts}, film; 1 is an ordinary strip).

    Samples: every ink's figures, as uncertain as the shelf says and the same in every layer;
    what an ordinary film is for this hand; each layer's own film.
    """
    rng = np.random.default_rng(seed)
    figures = ShelfFigures(shelf)
    unknowns = figures.draws(rng.standard_normal((SAMPLES, len(shelf) * ROWS)))
    k, s = figures.spectra(unknowns, np.arange(len(shelf)))
    k0, s0 = (np.array([getattr(ink, q) for ink in shelf]) for q in "ks")
    common = 0.25 * rng.standard_normal((SAMPLES, 1))
    layers = []
    for name, mix, film in mixes:
        parts = np.array([mix.get(ink.name, 0.0) for ink in shelf])
        share = parts / parts.sum()
        own = film * np.exp(common + 0.07 * rng.standard_normal((SAMPLES, 1)))
        layers.append(
            Layer(name, film * share @ k0, film * share @ s0, own * (share @ k), own * (share @ s))
        )
    return tuple(layers)


def over(layers: Sequence[Layer], on: Sheet, seed: int = 5) -> Predicted:
    """The colour of layers printed in this order, the first on the bare paper."""
    rng = np.random.default_rng(seed)
    wobble = rng.standard_normal((SAMPLES, 1))
    physics = rng.standard_normal((SAMPLES, 3))
    physics = PHYSICS_SD * (physics - physics.mean(axis=0))
    best, samples, lower = on.ground, on.ground_samples, on.ground
    take, take_samples = 1.0, 1.0  # the first layer's film is what it is on paper
    for layer in layers:
        lower, best = best, reflectance(layer.kx, layer.sx, take, best)
        samples = reflectance(layer.kx_samples, layer.sx_samples, take_samples, samples)
        take, take_samples = on.take, np.clip(on.take + TAKE_SD * wobble, 0.5, 1.3)
    labs = lab_of_internal(samples, on.surface_samples)
    if len(layers) > 1:
        # Where the top layer hides the others, or adds nothing, little is left to go wrong.
        top = reflectance(layers[-1].kx, layers[-1].sx, 1.0, on.ground)
        apart = lab_of_internal(np.array([top, lower]), on.surface) - labs.mean(axis=0)
        counts = np.linalg.norm(apart, axis=-1).min() / PHYSICS_FROM_DE
        labs = labs + min(1.0, counts) * physics
    # Of many spectra that would give the same colour, the mean errs least.
    guessed = any(layer.opaque is not None for layer in layers)
    return Predicted(labs.mean(axis=0) if guessed else lab_of_internal(best, on.surface), labs)


def lab_of_internal(internal, surface=0.0) -> np.ndarray:
    """Lab D50 (..., 3) of internal reflectances (..., 31) under one surface."""
    return xyz_to_lab((measured_from_internal(internal) + surface) @ XYZ_D50_WEIGHTS)


def layer_from_colour(
    name: str,
    lab_d50: np.ndarray,
    on: Sheet,
    shelf: Shelf,
    *,
    lab_samples: np.ndarray | None = None,
    mix: dict[str, float] | None = None,
    opaque: bool | None = None,
    seed: int = 3,
) -> Layer:
    """The layer that has this Lab D50 (3,) alone on the paper of ``on``.

    One colour leaves K and S open. What settles them, as far as it can be settled: the
    ``mix`` where it is known; else each colour and black of the ``shelf`` in turn, as a
    transparent film and as a tint in white (only one of them where ``opaque`` says which),
    each weighed by how little it must be bent to give the colour. The samples are spread
    over all that remain likely, and each of them gives the colour, or its row of
    ``lab_samples`` (m, 3).
    """
    rng = np.random.default_rng(seed)
    mean, white, roots = _candidates(shelf, mix, opaque)
    target = np.asarray(lab_d50, dtype=float)
    noise = np.eye(3) * 0.02**2  # of the fit itself, far under what an eye sees
    grow = np.array([roots[w] for w in white])
    ground, surface = on.ground[None], np.full((1, 1), on.surface)
    aims = np.broadcast_to(target, (len(mean), 3))
    theta, score = _solve(mean, grow, aims, noise, ground, surface)
    odds = np.exp(score - score.max())
    odds /= odds.sum()
    best = int(np.argmax(odds))

    # Every sample begins at a likely candidate, bent at random, and is led to the colour.
    # Row i of one layer must not know row i of another by the order of the candidates.
    row = rng.permutation(np.repeat(np.arange(len(mean)), _shares(odds, SAMPLES)))
    start = mean[row] + np.einsum(
        "mij,mj->mi", grow[row], rng.standard_normal((SAMPLES, grow.shape[-1]))
    )
    if lab_samples is not None and len(lab_samples):
        seen = np.asarray(lab_samples, dtype=float)
        seen = seen[np.arange(SAMPLES) % len(seen)]
    else:
        seen = target + _LAB_SD * rng.standard_normal((SAMPLES, 3))
    drawn, _ = _solve(start, grow[row], seen, noise, on.ground_samples, on.surface_samples)
    n = WAVELENGTHS_NM.size
    return Layer(
        name,
        np.exp(theta[best, :n]),
        np.exp(theta[best, n:]),
        np.exp(drawn[:, :n]),
        np.exp(drawn[:, n:]),
        opaque=None if mix else float(white[row].mean()),
    )


def _shares(odds: np.ndarray, count: int) -> np.ndarray:
    """Whole numbers that sum to ``count``, in proportion (largest remainders)."""
    exact = odds * count
    whole = np.floor(exact).astype(int)
    rest = np.argsort(whole - exact)[: count - whole.sum()]
    whole[rest] += 1
    return whole


def _root(length_nm: float) -> np.ndarray:
    """(31, 31) whose product with white noise is smooth over wavelength, variance 1."""
    nm = WAVELENGTHS_NM.astype(float)
    kernel = np.exp(-0.5 * ((nm[:, None] - nm) / length_nm) ** 2)
    return np.linalg.cholesky(kernel + 1e-8 * np.eye(nm.size))


def _tinting(shelf: Shelf) -> list[Ink]:
    return [ink for ink in shelf if ink.kind in ("colour", "black")]


def _candidates(shelf: Shelf, mix, opaque):
    """(c, 62) means of log K and log S, (c,) 1 where the body is covering, and {covering:
    (62, j) root of the prior covariance}."""
    n = WAVELENGTHS_NM.size
    ones = np.ones((n, 1))
    shape = _SHAPE_SD * _root(_SHAPE_NM)

    def root(free: float, film: float, s_own: float) -> np.ndarray:
        # The film moves K and S alike, the strength moves K; S has no shape of its own.
        upper = np.hstack([film * ones, free * ones, 0 * ones, shape])
        lower = np.hstack([film * ones, 0 * ones, s_own * ones, np.zeros((n, n))])
        return np.vstack([upper, lower])

    if mix is not None:
        parts = np.array([mix.get(ink.name, 0.0) for ink in shelf])
        share = parts / parts.sum()
        figures = ShelfFigures(shelf)
        mean, doubts = [], []
        for log, rows in ((figures.log_k, figures.rows_k), (figures.log_s, figures.rows_s)):
            each = share[:, None] * np.exp(log)
            whole = np.maximum(each.sum(axis=0), 1e-5)
            mean.append(np.log(whole))
            # What an ink's unknowns do to the mixture, by its share in it.
            doubts.append(((each / whole)[:, None] * rows).reshape(-1, n).T)
        columns = np.vstack([np.hstack([_FILM_SD * ones, rows]) for rows in doubts])
        return np.concatenate(mean)[None], np.zeros(1, dtype=int), {0: columns}
    rows, white = [], []
    # A shelf may hold white and base alone: any colour will do to start from.
    colours = _tinting(shelf) or _tinting(starter_shelf())
    for covering in (0, 1):
        if opaque is not None and covering != int(opaque):
            continue
        for ink in colours:
            # Where it starts from hardly counts: the film is almost free.
            k = ink.k * (0.03 if covering else 0.15)
            s = np.full(n, _WHITE_S if covering else _CLEAR_S)
            rows.append(np.log(np.maximum(np.hstack([k, s]), 1e-3 * _CLEAR_S)))
            white.append(covering)
    roots = {0: root(_FREE_SD, 0.0, _CLEAR_SD), 1: root(_FREE_SD, _FILM_SD, _WHITE_SD)}
    return np.array(rows), np.array(white), roots


def _solve(mean, root, lab, noise, ground, surface):
    """Most probable log K, log S (r, 62) and log evidence (r,) for prior means (r, 62), prior
    roots (r, 62, j), colours (r, 3) and papers: Gauss-Newton in the three dimensions of colour."""
    n = WAVELENGTHS_NM.size
    theta = mean.copy()
    for _ in range(30):
        f, slope = _lab_slopes(theta, ground, surface)
        turned = np.matmul(np.swapaxes(root, -1, -2), slope)  # (r, 62, 3)
        spread = np.matmul(np.swapaxes(turned, -1, -2), turned)
        miss = lab - f + np.einsum("rij,ri->rj", slope, theta - mean)
        v = np.linalg.solve(spread + noise, miss[..., None])
        move = mean + np.matmul(root, np.matmul(turned, v))[..., 0] - theta
        reach = np.abs(move).max(axis=-1, keepdims=True)
        theta = theta + move * np.minimum(1.0, 1.0 / np.maximum(reach, 1e-12))
        theta[:, :n] = np.clip(theta[:, :n], -12, 6)
        theta[:, n:] = np.clip(theta[:, n:], -12, 4)
        if reach.max() < 1e-4:
            break
    f, _ = _lab_slopes(theta, ground, surface)
    bent = np.einsum("ri,rij,rj->r", v[..., 0], spread, v[..., 0])
    missed = np.einsum("ri,ij,rj->r", lab - f, np.linalg.inv(noise), lab - f)
    return theta, -0.5 * (bent + missed + np.linalg.slogdet(spread + noise)[1])


def _lab_slopes(theta, ground, surface):
    """Lab (r, 3) of films with log K and log S (r, 62), and its slopes (r, 62, 3)."""
    n = WAVELENGTHS_NM.size
    k, s = np.exp(theta[:, :n]), np.exp(theta[:, n:])
    r, by_k, by_s, _ = reflectance_slopes(k, s, 1.0, ground)
    xyz = (measured_from_internal(r) + surface) @ XYZ_D50_WEIGHTS
    t = xyz / WHITE_D50
    steep = (29 / 3) ** 3 / 116
    f = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 1e-9)) ** -2 / 3, steep) / WHITE_D50
    to_lab = f[..., None] * np.array([[0.0, 500, 0], [116, -500, 200], [0, 0, -200]])
    outside = (1 - STARTER_K1) * (1 - STARTER_K2) / (1 - STARTER_K2 * r) ** 2
    by_r = np.matmul(XYZ_D50_WEIGHTS, to_lab) * outside[..., None]
    slope = np.concatenate([(by_k * k)[..., None] * by_r, (by_s * s)[..., None] * by_r], axis=1)
    return xyz_to_lab(xyz), slope
