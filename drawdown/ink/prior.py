"""The prior of an ink: how far K and S may be from its figures, and what has been learnt of that.

Each ink has a few unknowns z, standard normal before anything is learnt; what one unit of each
does to ln K and ln S are its rows (r, 62). ``rows.T @ rows`` is the covariance. Everything
that doubts an ink asks here; the numbers stand in ``spread_of``.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.uncertainty import kernels
from drawdown.ink.shelf import Ink, InkMix, Shelf

LOWEST = 1e-7  # of K and S: less is the same
HALF = WAVELENGTHS_NM.size
# What is smooth over wavelength: the lengths that served best in simulation (README.md).
LENGTH_K_NM, LENGTH_S_NM = 40.0, 70.0
# What a measured spectrum can tell beside: bands of K too narrow for those lengths.
DETAIL_K, DETAIL_LENGTH_NM = 0.5, 15.0
# What a batch's photos can tell of one ink: its load, and the slowest changes of K and S.
LEARNT_K, LEARNT_S = 5, 3
ROWS = 1 + LEARNT_K + LEARNT_S
# Of the unknowns that files keep what was learnt of: raise it when their rows change, and what
# was learnt is worked out anew from the photos.
FORM = 2
# About what a binder absorbs, per ordinary film: where a pigment lets all light pass the
# binder decides, and binders differ.
BINDER_K = 0.004
# How ink's smooth departures compare with that of its strength.
SHAPE_K, SHAPE_S = 0.7, 0.45


@dataclass(frozen=True)
class Spread:
    """Standard deviations about an ink's figures: of the ``load`` (K and S together); of ln K
    and ln S as a whole (``k``, ``s``); of their smooth shapes over wavelength."""

    load: float
    k: float
    k_shape: float
    s: float
    s_shape: float
    k_length_nm: float = LENGTH_K_NM


# An ink that nobody knows anything of but that it is one; its figures are round, and our own.
UNKNOWN = Spread(0.0, 2.0, 2.0, 1.0, 0.8)
UNKNOWN_LOG = -1.0  # mean ln K and ln S
# A mix that was guessed from a colour, on top of what is uncertain of its inks.
GUESSED = Spread(0.0, 0.8, 0.6, 1.0, 0.4)
# A layer of which only the colour is known: any strength; next to clear, or with a white body.
CLEAR_LAYER, WHITE_LAYER = (
    Spread(0.0, 2.0, 0.5, 0.7, 0.0, 60.0),
    Spread(0.3, 2.0, 0.5, 0.3, 0.0, 60.0),
)
# The film of an ordinary strip: for one hand against another, and one strip against the next.
FILM_COMMON_SD, FILM_SD = 0.25, 0.10
TUBE_SD = 0.05  # the load of one tin against the next
_TUBE = np.full((1, 2 * HALF), TUBE_SD)
STAND_IN_SD = 0.35  # the load of a maker's ink against the starter's figures
CLEAR_SD = 1.2  # ln S of a base that nobody measured: from clear varnish to stiffened with chalk


def spread_of(ink: Ink) -> Spread:
    """How far an ink may be from the shelf's figures. ``k_sd`` and ``s_sd`` are the shelf's;
    the rest is our own judgement, held to the benchmarks."""
    tints = ink.kind in ("colour", "black")
    load = STAND_IN_SD if ink.starter and tints else TUBE_SD
    least = CLEAR_SD if ink.starter and ink.kind == "base" else 0.0
    k, s = ink.k_sd, ink.s_sd
    return Spread(load, k, SHAPE_K * k, max(s, least), SHAPE_S * s)


@functools.cache
def rows_of(spread: Spread) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows of the load (1, 62), of ln K (a, 62) and of ln S (b, 62), those that matter most
    first."""
    k = _smooth(spread.k, spread.k_shape, spread.k_length_nm)
    s = _smooth(spread.s, spread.s_shape, LENGTH_S_NM)
    return (
        np.full((1, 2 * HALF), spread.load),
        np.hstack([k, np.zeros_like(k)]),
        np.hstack([np.zeros_like(s), s]),
    )


def _smooth(level: float, shape: float, length_nm: float) -> np.ndarray:
    """(r, 31) rows of a level and a smooth shape about it. An eigenvector's sign is anybody's
    choice; here all begin upwards, so that what was learnt of them can be kept in a file."""
    covariance = level**2 + kernels.squared_exponential(WAVELENGTHS_NM, length_nm, shape)
    rows = kernels.rows_of(covariance, 1e-5)
    upwards: np.ndarray = rows * np.sign(rows[:, :1])
    return upwards


def logs_of(ink: Ink) -> tuple[np.ndarray, np.ndarray]:
    """ln K and ln S (31,) of an ink's figures."""
    return np.log(np.maximum(ink.k, LOWEST)), np.log(np.maximum(ink.s, LOWEST))


def ink_rows(ink: Ink) -> np.ndarray:
    """(r, 62) what is uncertain of an ink on the shelf: of a fitted one what its strips left
    open, and how tins differ; else ``spread_of``."""
    if ink.doubt is None:
        return np.vstack(_stand_in_rows(ink))
    return np.vstack([ink.doubt, _TUBE])


def learnt_rows(ink: Ink) -> tuple[np.ndarray, np.ndarray]:
    """(ROWS, 31) each: what a unit of each unknown that batches teach does to ln K and ln S."""
    if ink.doubt is None:
        load, k, s = _stand_in_rows(ink)
        # Fewer rows than places: the others do nothing.
        first, last = [load, _first(k, LEARNT_K), _first(s, LEARNT_S)], np.zeros((0, 2 * HALF))
    else:
        # The fit gives first what does most to the colours; the rest changes little.
        first, last = [_first(ink.doubt, ROWS - 1)], _TUBE
    rows = np.vstack([*first, last])
    return rows[:, :HALF], rows[:, HALF:]


def _first(rows: np.ndarray, count: int) -> np.ndarray:
    """(count, 62): the first rows; where there are fewer the others do nothing."""
    return np.vstack([rows[:count], np.zeros((max(0, count - len(rows)), 2 * HALF))])


def _stand_in_rows(ink: Ink) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How far another maker's version of this ink may be from it."""
    load, k, s = rows_of(spread_of(ink))
    if ink.kind in ("colour", "black"):
        by_binder = np.ones(2 * HALF)
        by_binder[:HALF] += BINDER_K / (ink.k + 0.1 * BINDER_K)
        load, k = load * by_binder, k * by_binder
    return load, k, s


@dataclass(frozen=True, eq=False)
class InkPrior:
    """What is thought of an ink or of a mix: mean ln K, then ln S (62,), and ``rows`` (r, 62),
    one independent standard deviation each. ``starts`` (q, 62) are places to begin a search
    from, besides the mean."""

    mean: np.ndarray
    rows: np.ndarray
    starts: tuple[np.ndarray, ...] = ()


def blank_prior(shelf_colours: Sequence[Ink] = ()) -> InkPrior:
    """Nothing is known of the ink but that it is one; ``shelf_colours`` only lend places to
    start the search from."""
    starts = tuple(np.hstack(logs_of(ink)) for ink in shelf_colours)
    return InkPrior(np.full(2 * HALF, UNKNOWN_LOG), np.vstack(rows_of(UNKNOWN)[1:]), starts)


def pigment_prior(ink: Ink) -> InkPrior:
    """The ink is a maker's version of this one (a starter pigment, or an earlier fit)."""
    return InkPrior(np.hstack(logs_of(ink)), np.vstack(_stand_in_rows(ink)))


def with_detail(prior: InkPrior) -> InkPrior:
    """The same for an ink whose spectra were measured: K may have narrow bands as well."""
    k = kernels.rows_of(
        kernels.squared_exponential(WAVELENGTHS_NM, DETAIL_LENGTH_NM, DETAIL_K), 1e-2
    )
    return replace(prior, rows=np.vstack([prior.rows, np.hstack([k, np.zeros_like(k)])]))


def mix_prior(mix: InkMix) -> InkPrior:
    """The prior of a mix: Duncan's sums; an ink's unknowns count by what it brings of the
    mix's K and S."""
    share = mix.parts / mix.parts.sum()
    k, s = (share[:, None] * np.exp([logs_of(ink)[i] for ink in mix.inks]) for i in (0, 1))
    of_both = np.hstack([k / k.sum(axis=0), s / s.sum(axis=0)])
    rows = [of * ink_rows(ink) for ink, of in zip(mix.inks, of_both, strict=True)]
    mean = np.log(np.hstack([k.sum(axis=0), s.sum(axis=0)]))
    return InkPrior(mean, np.vstack(rows))


@dataclass(frozen=True, eq=False)
class Knowledge:
    """What is known of the unknowns of a shelf's ``n`` inks, ink by ink: ``mean`` (n * ROWS,)
    and ``root`` (n * ROWS, n * ROWS), a lower triangle with covariance root @ root.T."""

    mean: np.ndarray
    root: np.ndarray

    @property
    def covariance(self) -> np.ndarray:
        covariance: np.ndarray = self.root @ self.root.T
        return covariance


class InkCurves(NamedTuple):
    """ln K and ln S (..., 31) of inks, and what a unit of each unknown does to them
    (..., ROWS, 31)."""

    log_k: np.ndarray
    log_s: np.ndarray
    rows_k: np.ndarray
    rows_s: np.ndarray

    def spectra(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """K and S (..., 31) for the inks' unknowns z (..., ROWS)."""
        dk, ds = ((z[..., None, :] @ rows)[..., 0, :] for rows in (self.rows_k, self.rows_s))
        return np.exp(self.log_k + dk), np.exp(self.log_s + ds)


class ShelfFigures:
    """The shelf as the fit needs it: ln K, ln S and their doubts, with what was learnt."""

    def __init__(self, shelf: Shelf, knowledge: Knowledge | None = None) -> None:
        logs, rows = [logs_of(ink) for ink in shelf], [learnt_rows(ink) for ink in shelf]
        self.curves = InkCurves(
            *map(np.array, (*zip(*logs, strict=True), *zip(*rows, strict=True)))
        )
        self.knowledge = knowledge
        self.covariance = None if knowledge is None else knowledge.covariance

    @property
    def size(self) -> int:
        return len(self.curves.log_k)

    @property
    def mean(self) -> np.ndarray:
        """(n, ROWS) most probable unknowns."""
        if self.knowledge is None:
            return np.zeros((self.size, ROWS))
        return self.knowledge.mean.reshape(self.size, ROWS)

    def draws(self, normal: np.ndarray) -> np.ndarray:
        """Deviations (count, n, ROWS) from the mean out of standard normal (count, n * ROWS)."""
        if self.knowledge is not None:
            normal = normal @ self.knowledge.root.T
        return normal.reshape(len(normal), self.size, ROWS)

    def of(self, inks: np.ndarray) -> InkCurves:
        """Those of some ``inks`` (...)."""
        return InkCurves(*(curve[inks] for curve in self.curves))
