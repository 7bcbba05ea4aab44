"""One layer printed over another: its colour, from K, S and film, with uncertainty (README.md).

All Lab are D50, 2 degree; spectra are 31 numbers, 400 to 700 nm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.uncertainty.gauss_newton import State, most_probable
from calibration.uncertainty.intervals import half_width
from calibration.uncertainty.streams import stream
from drawdown.ink.film import reflectance
from drawdown.ink.forward import film_slopes, lab_of_internal, paper_ground
from drawdown.ink.prior import (
    CLEAR_LAYER,
    FILM_COMMON_SD,
    FILM_SD,
    HALF,
    ROWS,
    WHITE_LAYER,
    ShelfFigures,
    mix_prior,
    rows_of,
)
from drawdown.ink.shelf import Shelf, starter_shelf

LAYER_SAMPLES = 64
TAKE_DRY, TAKE_WET, TAKE_SD = 1.0, 0.9, 0.1
# What the formula itself may miss where ink lies on ink, in Lab on each axis. Set so that the
# predictions for nine printed tables hold what they promise (tests/benchmarks/overprint.py).
PHYSICS_SD = 1.5
PHYSICS_FROM_DE = 4.0  # where one layer changes the other by less, it errs by less
LAB_SD = 0.3  # of a colour given without an ensemble
REACHED_SD = 0.02  # Lab: how near a guessed layer is led to its colour; far under what is seen
WHITE_S, CLEAR_S = 4.0, 0.005  # what an ordinary film of white ink scatters, and a clear one
LOG_LIMITS = np.repeat([[-12.0, -12.0], [6.0, 4.0]], HALF, axis=1)  # of ln K, then ln S


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
        return half_width(self.lab_samples)


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
    possible = np.full(LAYER_SAMPLES, surface) if surface_samples is None else surface_samples
    possible = np.asarray(possible, dtype=float)[:, None]
    return Sheet(
        paper_ground(paper_lab_d50, surface),
        float(surface),
        TAKE_WET if wet else TAKE_DRY,
        paper_ground(paper_lab_d50, possible),
        possible,
    )


def layers_from_mixes(
    shelf: Shelf, mixes: Sequence[tuple[str, dict[str, float], float]]
) -> tuple[Layer, ...]:
    """Layers from (name, {ink of the shelf: parts}, film; 1 is an ordinary strip).

    Samples: every ink's figures, as uncertain as the shelf says and the same in every layer;
    what an ordinary film is for this hand; each layer's own film.
    """
    rng = stream("layers")
    figures = ShelfFigures(shelf)
    unknowns = figures.draws(rng.standard_normal((LAYER_SAMPLES, len(shelf) * ROWS)))
    k, s = figures.curves.spectra(unknowns)
    common = FILM_COMMON_SD * rng.standard_normal((LAYER_SAMPLES, 1))
    layers = []
    for name, mix, film in mixes:
        parts = np.array([mix.get(ink.name, 0.0) for ink in shelf])
        share = parts / parts.sum()
        own = film * np.exp(common + FILM_SD * rng.standard_normal((LAYER_SAMPLES, 1)))
        layers.append(
            Layer(
                name,
                film * share @ shelf.k,
                film * share @ shelf.s,
                own * (share @ k),
                own * (share @ s),
            )
        )
    return tuple(layers)


def over(layers: Sequence[Layer], on: Sheet) -> Predicted:
    """The colour of layers printed in this order, the first on the bare paper."""
    rng = stream("order")
    wobble = rng.standard_normal((LAYER_SAMPLES, 1))
    physics = rng.standard_normal((LAYER_SAMPLES, 3))
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


def layer_from_colour(
    name: str,
    lab_d50: np.ndarray,
    on: Sheet,
    shelf: Shelf,
    *,
    lab_samples: np.ndarray | None = None,
    mix: dict[str, float] | None = None,
    opaque: bool | None = None,
    place: int = 0,
) -> Layer:
    """The layer that has this Lab D50 (3,) alone on the paper of ``on``.

    One colour leaves K and S open. What settles them, as far as it can be settled: the
    ``mix`` where it is known; else each colour and black of the ``shelf`` in turn, as a
    transparent film and as a tint in white (only one of them where ``opaque`` says which),
    each weighed by how little it must be bent to give the colour. The samples are spread
    over all that remain likely, and each of them gives the colour, or its row of
    ``lab_samples`` (m, 3).
    """
    rng = stream("layer", place)
    mean, white, roots = _candidates(shelf, mix, opaque)
    target = np.asarray(lab_d50, dtype=float)
    rows = np.array([roots[w] for w in white])
    aims = np.broadcast_to(target, (len(mean), 3))
    found = _led(mean, rows, aims, on.ground[None], np.full((1, 1), on.surface))
    score = found.log_evidence
    odds = np.exp(score - score.max())
    odds /= odds.sum()
    best = int(np.argmax(odds))

    # Every sample begins at a likely candidate, bent at random, and is led to the colour.
    # Row i of one layer must not know row i of another by the order of the candidates.
    row = rng.permutation(np.repeat(np.arange(len(mean)), _shares(odds, LAYER_SAMPLES)))
    bent = rng.standard_normal((LAYER_SAMPLES, rows.shape[1]))
    start = mean[row] + (bent[:, None] @ rows[row])[:, 0]
    if lab_samples is not None and len(lab_samples):
        seen = np.asarray(lab_samples, dtype=float)
        seen = seen[np.arange(LAYER_SAMPLES) % len(seen)]
    else:
        seen = target + LAB_SD * rng.standard_normal((LAYER_SAMPLES, 3))
    drawn = _led(start, rows[row], seen, on.ground_samples, on.surface_samples)
    kx, sx = np.split(np.exp(_logs(mean, rows, found.mode)[best]), 2)
    samples = np.split(np.exp(_logs(start, rows[row], drawn.mode)), 2, axis=1)
    return Layer(name, kx, sx, *samples, opaque=None if mix else float(white[row].mean()))


def _shares(odds: np.ndarray, count: int) -> np.ndarray:
    """Whole numbers that sum to ``count``, in proportion (largest remainders)."""
    exact = odds * count
    whole = np.floor(exact).astype(int)
    rest = np.argsort(whole - exact)[: count - whole.sum()]
    whole[rest] += 1
    return whole


def _candidates(shelf: Shelf, mix: dict[str, float] | None, opaque: bool | None):
    """(c, 62) means of ln K and ln S, (c,) 1 where the body is covering, and {covering: rows
    (j, 62) of the prior}."""
    if mix is not None:
        prior = mix_prior(shelf.mix(mix))
        rows = np.vstack([np.full(2 * HALF, FILM_COMMON_SD), prior.rows])
        return prior.mean[None], np.zeros(1, dtype=int), {0: rows}
    means, white = [], []
    # A shelf may hold white and base alone: any colour will do to start from.
    colours, stand_ins = (
        [ink for ink in of if ink.kind in ("colour", "black")] for of in (shelf, starter_shelf())
    )
    for covering in (0, 1):
        if opaque is not None and covering != int(opaque):
            continue
        for ink in colours or stand_ins:
            # Where it starts from hardly counts: the film is almost free.
            k = ink.k * (0.03 if covering else 0.15)
            s = np.full(HALF, WHITE_S if covering else CLEAR_S)
            means.append(np.log(np.maximum(np.hstack([k, s]), 1e-3 * CLEAR_S)))
            white.append(covering)
    rows = {0: np.vstack(rows_of(CLEAR_LAYER)), 1: np.vstack(rows_of(WHITE_LAYER))}
    return np.array(means), np.array(white), rows


def _logs(mean: np.ndarray, rows: np.ndarray, unknowns: np.ndarray) -> np.ndarray:
    """(r, 62) ln K and ln S of unknowns (r, j)."""
    return np.clip(mean + (unknowns[:, None] @ rows)[:, 0], *LOG_LIMITS)


def _led(mean: np.ndarray, rows: np.ndarray, lab, ground, surface) -> State:
    """The likeliest films of these colours (r, 3) by prior means (r, 62) and rows (r, j, 62),
    over internal grounds (r, 31) under surfaces (r, 1)."""

    def model(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        k, s = np.split(np.exp(_logs(mean, rows, unknowns)), 2, axis=1)
        now, by_k, by_s, _ = film_slopes(k, s, 1.0, ground, surface)
        by_log = np.concatenate([k[..., None] * by_k, s[..., None] * by_s], axis=1)
        slope = (rows @ by_log).swapaxes(-1, -2)
        return (now - lab) / REACHED_SD, slope / REACHED_SD

    return most_probable(model, np.zeros(rows.shape[:2]), longest=3.0)
