"""A ladder's strips as a function of what is unknown: the ink, what it was thinned with, films,
weighings, grounds. ``ladder_fit`` looks for the unknowns. Pure: arrays in, arrays out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import cie94_metric, lab_by_xyz
from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.uncertainty.gauss_newton import Model
from calibration.uncertainty.kernels import squared_exponential, waves
from drawdown.ink.forward import (
    bare_ground,
    ground_of_spectrum,
    lab_of_spectrum,
    paper_ground,
    spectrum_slopes,
)
from drawdown.ink.prior import HALF, LENGTH_K_NM, LOWEST, InkPrior, ink_rows, logs_of
from drawdown.ink.shelf import Ink

LADDER_FILM_SD = 0.12  # of ln film, one strip against the ordinary one
WEIGHING_SD = 0.03  # of ln (ink / rest)
# How ink wets this paper: sd of four smooth waves in ln Rg about what is usual.
GROUND_SDS = np.array([0.02, 0.012, 0.008, 0.008])
BAR_SD = 0.2  # of ln Rg of a printed bar under ink
# What the physics leaves open, in the units of CIE94-like weights (L / K_L and so on): so
# that photographed ladders state about what they miss (tests/benchmarks/ladder_photo.py).
LADDER_SD = 0.7
K_L = 1.1  # how lightness counts in the scaling that served in simulation
# The same of a measured spectrum, in L* of a grey of each reflectance: smooth over wavelength, and
# one wavelength against the next (tests/benchmarks/real_paint.py).
SPECTRUM_SD, WAVELENGTH_SD = 1.5, 0.5
LOG_LIMITS = np.log(LOWEST), np.log(1e4)


@dataclass(frozen=True, eq=False)
class Rung:
    """One reading of the ladder: a strip over paper or over the black bar.

    ``parts`` are the shares by weight of the ink itself, white and base; ``strip`` tells
    which readings share a film and a weighing; ``ground`` is "paper" or "bar"; ``lab_d50``
    (3,) the colour, ``spectrum`` (31,) the reflectance where an instrument read it."""

    parts: tuple[float, float, float]
    strip: int
    ground: str
    lab_d50: np.ndarray
    spectrum: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class GroundSpectra:
    """Reflectances (31,) of the bare paper and, where strips lie on it, of the bare bar."""

    paper: np.ndarray
    bar: np.ndarray | None = None


class Ladder:
    """The strips as a function of whitened unknowns z (standard normal before the fit)."""

    def __init__(
        self,
        rungs: Sequence[Rung],
        paper_lab: np.ndarray,
        bar_lab: np.ndarray | None,
        prior: InkPrior,
        white: Ink,
        base: Ink,
        film_sd: float,
        bare: GroundSpectra | None = None,
    ) -> None:
        self.rungs = tuple(rungs)
        n = len(self.rungs)
        self.logs = np.array([prior.mean, *(np.hstack(logs_of(ink)) for ink in (white, base))])
        self.rows = (prior.rows, ink_rows(white), ink_rows(base))
        self.at = np.cumsum([0, *(len(r) for r in self.rows)])
        self.strips = tuple(dict.fromkeys(r.strip for r in self.rungs))
        self.of_strip = np.array([self.strips.index(r.strip) for r in self.rungs])
        parts = np.array([r.parts for r in self.rungs], dtype=float)
        self.parts = parts / parts.sum(axis=1, keepdims=True)
        self.film_sd = film_sd
        if bare is None:
            paper, bar = (
                paper_ground(paper_lab),
                bare_ground(paper_lab if bar_lab is None else bar_lab),
            )
        else:
            paper = ground_of_spectrum(bare.paper)
            bar = paper if bare.bar is None else ground_of_spectrum(bare.bar)
        self.paper, self.bar = np.log(np.maximum(paper, 1e-4)), np.log(np.maximum(bar, 1e-5))
        self.on_bar = np.array([r.ground == "bar" for r in self.rungs])
        self.paper_rows = waves(GROUND_SDS, HALF)
        m = len(self.strips)
        self.film_at = int(self.at[-1])
        self.weigh_at = self.film_at + m
        self.ground_at = self.weigh_at + m
        self.bar_at = self.ground_at + len(self.paper_rows)
        self.size = self.bar_at + 1
        self.n = n
        self.by_spectra = bare is not None

    def spectra(self, z: np.ndarray) -> np.ndarray:
        """(3, 62) ln K and ln S of ink, white and base."""
        moves = [
            z[a:b] @ rows for a, b, rows in zip(self.at[:-1], self.at[1:], self.rows, strict=True)
        ]
        logs: np.ndarray = np.clip(self.logs + np.array(moves), *LOG_LIMITS)
        return logs

    def films(self, z: np.ndarray) -> np.ndarray:
        films: np.ndarray = np.exp(self.film_sd * z[self.film_at : self.weigh_at])
        return films

    def shares(self, z: np.ndarray) -> np.ndarray:
        """(n, 3) true parts; the weighing shifts the ink against the rest."""
        off = np.exp(WEIGHING_SD * z[self.weigh_at : self.ground_at])[self.of_strip]
        parts = self.parts * np.stack([off, np.ones(self.n), np.ones(self.n)], axis=1)
        shares: np.ndarray = parts / parts.sum(axis=1, keepdims=True)
        return shares

    def grounds(self, z: np.ndarray) -> np.ndarray:
        """(n, 31) internal reflectance of what lies under each rung."""
        paper = np.exp(self.paper + z[self.ground_at : self.bar_at] @ self.paper_rows)
        bar = np.exp(self.bar + BAR_SD * z[self.bar_at])
        under: np.ndarray = np.clip(np.where(self.on_bar[:, None], bar, paper), 1e-5, 0.99)
        return under

    def spectra_and_slopes(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n, 31) measured reflectances and the Jacobian (n, 31, size)."""
        k, s = np.split(np.exp(self.spectra(z)), 2, axis=1)
        share, film, ground = self.shares(z), self.films(z)[self.of_strip], self.grounds(z)
        seen = spectrum_slopes(share @ k, share @ s, film[:, None], ground)
        slope = np.zeros((self.n, HALF, self.size))
        whole = np.zeros((self.n, HALF, 3))  # by the ln of an ink's share
        for i, rows in enumerate(self.rows):
            from_k = share[:, i, None] * k[i] * seen.by_k
            from_s = share[:, i, None] * s[i] * seen.by_s
            whole[:, :, i] = from_k + from_s
            slope[:, :, self.at[i] : self.at[i + 1]] = (
                from_k[..., None] * rows[:, :HALF].T + from_s[..., None] * rows[:, HALF:].T
            )
        rung = np.arange(self.n)
        slope[rung, :, self.film_at + self.of_strip] = self.film_sd * film[:, None] * seen.by_film
        by_share = whole[:, :, 0] - share[:, :1] * whole.sum(axis=2)
        slope[rung, :, self.weigh_at + self.of_strip] = WEIGHING_SD * by_share
        by_log = ground * seen.by_ground
        on_paper = ~self.on_bar
        slope[on_paper, :, self.ground_at : self.bar_at] = (
            by_log[on_paper, :, None] * self.paper_rows.T
        )
        slope[self.on_bar, :, self.bar_at] = BAR_SD * by_log[self.on_bar]
        return seen.reflectance, slope

    def labs_and_slopes(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n, 3) and the Jacobian (n, 3, size)."""
        seen, slope = self.spectra_and_slopes(z)
        lab, by_seen = lab_of_spectrum(seen)
        return lab, by_seen.swapaxes(-1, -2) @ slope

    def against(self, covariance: np.ndarray) -> Model:
        """z -> what the strips' readings say of it, in standard deviations: their spectra where
        ``by_spectra``, else their Lab, of which ``covariance`` (3n, 3n) is."""
        if self.by_spectra:
            return self._against_spectra(covariance)
        measured = np.array([r.lab_d50 for r in self.rungs], dtype=float)
        noise = np.array(covariance, dtype=float)
        unit = LADDER_SD * np.linalg.inv(cie94_metric(measured, K_L))
        for i, u in enumerate(unit):
            at = slice(3 * i, 3 * i + 3)
            noise[at, at] += u @ u.T
        to_sds = _to_sds(noise)

        def model(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            lab, slope = self.labs_and_slopes(z)
            return to_sds @ (lab - measured).ravel(), to_sds @ slope.reshape(measured.size, -1)

        return model

    def _against_spectra(self, covariance: np.ndarray) -> Model:
        """The same by wavelength. A reading is as sure there as it is in L*."""
        measured, _ = _as_greys(np.array([r.spectrum for r in self.rungs], dtype=float))
        smooth = squared_exponential(WAVELENGTHS_NM, LENGTH_K_NM)
        read = np.asarray(covariance, dtype=float)[::3, ::3]
        noise = np.kron(read + SPECTRUM_SD**2 * np.eye(self.n), smooth)
        to_sds = _to_sds(noise + WAVELENGTH_SD**2 * np.eye(len(noise)))

        def model(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            seen, slope = self.spectra_and_slopes(z)
            grey, by_seen = _as_greys(seen)
            by_z = (by_seen[..., None] * slope).reshape(measured.size, -1)
            return to_sds @ (grey - measured).ravel(), to_sds @ by_z

        return model


def _to_sds(covariance: np.ndarray) -> np.ndarray:
    """(d, d) what turns readings of this covariance into independent standard deviations."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _as_greys(reflectance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """L* of a grey of each reflectance, and how it follows it: a scale even to the eye."""
    xyz = reflectance[..., None] * WHITE_D50
    return xyz_to_lab(xyz)[..., 0], lab_by_xyz(xyz)[..., 0, 1]
