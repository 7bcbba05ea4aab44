"""How far the shelf's inks may be from their figures, and what has been learnt of that.

Each ink has a few unknowns z, standard normal before anything is learnt: its strength and
smooth changes of ln K and ln S over wavelength, or the rows of ``doubt`` that came with a
fit of the ink. ``Knowledge`` is what readings have made of them: a joint normal distribution
of the whole shelf, since a mixture tells of its inks together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from drawdown.ink.shelf import Ink, Shelf

# Smooth deviations of log K and log S: cosines over 400..700 nm. The first is the strength.
_WAVES_K = np.array([1.0, 0.5, 0.4, 0.3, 0.25])
_WAVES_S = np.array([1.0, 0.4, 0.25])
STRENGTH_SD = 0.25  # pigment load of the ink: K and S together
TUBE_SD = 0.05  # of a fitted ink, from one tube to the next
ROWS = 1 + _WAVES_K.size + _WAVES_S.size


def cosines(weights: np.ndarray) -> np.ndarray:
    """(len(weights), 31): smooth waves over wavelength, slowest first."""
    t = (np.arange(WAVELENGTHS_NM.size) + 0.5) / WAVELENGTHS_NM.size
    return weights[:, None] * np.cos(np.pi * np.arange(weights.size)[:, None] * t)


_BASIS_K, _BASIS_S = cosines(_WAVES_K), cosines(_WAVES_S)


def doubt_rows(ink: Ink) -> tuple[np.ndarray, np.ndarray]:
    """(ROWS, 31) each: what a unit of each unknown does to ln K and to ln S."""
    k, s = np.zeros((ROWS, WAVELENGTHS_NM.size)), np.zeros((ROWS, WAVELENGTHS_NM.size))
    given = ink.doubt
    if given is not None:
        # The fit gives first what does most to the colours; the rest changes little.
        rows = np.asarray(given, dtype=float)[: ROWS - 1]
        k[: len(rows)], s[: len(rows)] = np.split(rows, 2, axis=1)
        k[-1] = s[-1] = TUBE_SD
        return k, s
    k[0] = s[0] = STRENGTH_SD
    k[1 : 1 + _WAVES_K.size] = ink.k_sd * _BASIS_K
    s[1 + _WAVES_K.size :] = ink.s_sd * _BASIS_S
    return k, s


@dataclass(frozen=True, eq=False)
class Knowledge:
    """What is known of the unknowns of a shelf's ``n`` inks, ink by ink: ``mean`` (n * ROWS,)
    and ``root`` (n * ROWS, n * ROWS), a lower triangle with covariance root @ root.T."""

    mean: np.ndarray
    root: np.ndarray

    @property
    def covariance(self) -> np.ndarray:
        return self.root @ self.root.T


class ShelfFigures:
    """The shelf as the fit needs it: ln K, ln S and their doubts, with what was learnt."""

    def __init__(self, shelf: Shelf, knowledge: Knowledge | None = None) -> None:
        self.log_k = np.log(np.maximum([ink.k for ink in shelf], 1e-7))
        self.log_s = np.log(np.maximum([ink.s for ink in shelf], 1e-7))
        rows = [doubt_rows(ink) for ink in shelf]
        self.rows_k = np.array([k for k, _ in rows])  # (n, ROWS, 31)
        self.rows_s = np.array([s for _, s in rows])
        self.knowledge = knowledge
        self.covariance = None if knowledge is None else knowledge.covariance

    @property
    def size(self) -> int:
        return len(self.log_k)

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

    def spectra(self, z: np.ndarray, inks: np.ndarray):
        """K and S (..., 31) of ``inks`` (...) for their unknowns z (..., ROWS)."""
        dk = (z[..., None, :] @ self.rows_k[inks])[..., 0, :]
        ds = (z[..., None, :] @ self.rows_s[inks])[..., 0, :]
        return np.exp(self.log_k[inks] + dk), np.exp(self.log_s[inks] + ds)
