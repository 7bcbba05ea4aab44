"""Hidden studios for the advice benchmark: inks of other pigments than the starter's.

Their spectra are made up: one or two bands of absorption with soft edges, scattering that
falls with wavelength. The shelf knows them only from a photo of each ink's strips (alone on
paper and across a black bar, a tenth in white, a fifth in base), read with the noise of the
photo chain and fitted as ``drawdown ink fit`` does, without a pigment to start from.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.colour.difference import local_metric
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM, XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.ink import film
from drawdown.ink.forward import mix_of
from drawdown.ink.ladder_fit import fit_ladder, fitted_ink
from drawdown.ink.ladder_model import Rung
from drawdown.ink.prior import blank_prior, pigment_prior
from drawdown.ink.shelf import Ink, Shelf, starter_shelf

# Absorbing bands (centre nm, half width nm) as organic and mineral pigments of each hue have.
HUES = {
    "yellow": ((420, 45),), "orange": ((450, 65),), "red": ((490, 75),),
    "rose": ((525, 45), (420, 30)), "violet": ((560, 60),), "blue": ((610, 65),),
    "turquoise": ((650, 55), (400, 25)), "green": ((660, 60), (430, 40)),
    "brown": ((400, 130),),
}  # fmt: skip
OWN_SD, WEIGHING_SD, FILM_SD = 0.3, 0.02, 0.10


@dataclass
class Studio:
    """A shelf as its owner has fitted it, and what is true of it."""

    shelf: Shelf
    k: np.ndarray
    s: np.ndarray
    k1: float
    k2: float
    film: float
    paper_lab: np.ndarray

    def lab(self, parts, film_factor: float = 1.0, ground=None) -> np.ndarray:
        """Lab of a strip on paper, or on another ground (31,), measured from outside."""
        outside = smooth_spectrum(self.paper_lab) if ground is None else ground
        inner = film.internal_from_measured(outside, self.k1, self.k2)
        k, s = mix_of(parts, self.k, self.s)
        inside = film.reflectance(k, s, self.film * film_factor, inner)
        return xyz_to_lab(film.measured_from_internal(inside, self.k1, self.k2) @ XYZ_D50_WEIGHTS)


def pigment(rng, hue: str) -> tuple[np.ndarray, np.ndarray]:
    """K and S (31,) of an invented pigment."""
    nm = WAVELENGTHS_NM.astype(float)
    k = np.full(31, np.exp(rng.normal(-3.5, 0.5)))
    peak = np.exp(rng.uniform(np.log(5), np.log(40)))
    for centre, half in HUES[hue]:
        away = (nm - centre - rng.normal(0, 12)) / (half * np.exp(rng.normal(0, 0.15)))
        k = k + peak * np.exp(rng.normal(0, 0.3)) * np.exp(-(np.abs(away) ** rng.uniform(2, 4)))
    level = np.exp(rng.uniform(np.log(0.15), np.log(4)))
    s = level * (nm / 550) ** -rng.uniform(0, 2)
    # Particles scatter more on the long side of a band.
    return k, s * (1 + 0.5 / (1 + np.exp(-(nm - HUES[hue][0][0] - 60) / 25)))


def studio(seed: int, noise: np.ndarray) -> Studio:
    """A studio of eleven inks; ``noise`` as the benchmark's table of photo errors."""
    rng = np.random.default_rng([seed, 77])
    start = {kind: starter_shelf().find(kind) for kind in ("white", "base", "black")}
    spectra = [
        (start["white"].k * np.exp(rng.normal(0, 0.4)), start["white"].s * rng.uniform(0.7, 1.3)),
        (np.full(31, rng.uniform(0.005, 0.03)), np.full(31, rng.uniform(0.01, 0.08))),
    ]
    hues = list(rng.choice(list(HUES), 8, replace=False))
    spectra += [pigment(rng, hue) for hue in hues]
    black = np.exp(rng.uniform(np.log(8), np.log(30))) * (WAVELENGTHS_NM / 550) ** rng.normal(
        0, 0.3
    )
    spectra.append((black, np.full(31, rng.uniform(0.1, 1.0))))
    k, s = (np.array(one) for one in zip(*spectra, strict=True))
    paper_lab = np.array([rng.uniform(92, 96), rng.normal(0, 0.5), rng.uniform(0, 5)])
    true = Studio(
        Shelf(()), k, s, rng.uniform(0.03, 0.045), rng.uniform(0.5, 0.68),
        np.exp(rng.normal(0, 0.15)), paper_lab,
    )  # fmt: skip
    bar = np.full(31, rng.uniform(0.03, 0.06))
    white = _fitted(rng, true, noise, 0, start["white"], start["white"], start["base"], bar)
    base = _fitted(rng, true, noise, 1, start["base"], white, start["base"], bar)
    inks = [white, base]
    others = [ink for ink in starter_shelf() if ink.kind == "colour"]
    for i, name in enumerate((*hues, "black"), start=2):
        kind = "black" if name == "black" else "colour"
        named = Ink(str(name), "", "", kind, k[i], s[i], "")
        inks.append(_fitted(rng, true, noise, i, named, white, base, bar, blank_prior(others)))
    true.shelf = Shelf(tuple(inks))
    return true


def _fitted(
    rng, true: Studio, noise, place: int, named: Ink, white: Ink, base: Ink, bar, prior=None
):
    """One ink as the fit of its strips in one photo has it."""
    n = len(true.k)
    row = noise[rng.integers(len(noise))]
    steps = [((1, 0, 0), "paper"), ((1, 0, 0), "bar")]
    if prior is not None:
        steps += [((0.1, 0.9, 0), "paper"), ((0.2, 0, 0.8), "paper"), ((0, 0, 1), "paper")]
    rungs, labs = [], []
    for number, (parts, where) in enumerate(steps):
        amounts = np.zeros(n)
        amounts[[0, 1]] = parts[1:]
        amounts[place] += parts[0] * np.exp(rng.normal(0, WEIGHING_SD))
        factor = float(np.exp(rng.normal(0, FILM_SD)))
        lab = true.lab(amounts, factor, bar if where == "bar" else None)
        labs.append(_read(rng, lab, row))
        rungs.append(Rung(parts, number, where, labs[-1]))
    bar_lab = xyz_to_lab(bar @ XYZ_D50_WEIGHTS)
    fit = fit_ladder(
        rungs, _covariance(labs, row), prior or pigment_prior(named), white, base,
        _read(rng, true.paper_lab, row), _read(rng, bar_lab, row),
    )  # fmt: skip
    blank = Ink(named.name, "", named.generic_name, named.kind, fit.k, fit.s, "")
    return fitted_ink(fit, blank, white, base, true.paper_lab, "benchmark")


def _read(rng, lab: np.ndarray, row: np.ndarray) -> np.ndarray:
    """As read: off by what the whole photo is off by, and by a little of its own."""
    return lab + np.linalg.solve(local_metric(lab), row[1:4] + rng.normal(0, OWN_SD, 3))


def _covariance(labs, row: np.ndarray) -> np.ndarray:
    """(3n, 3n) as the program states it: the card's uncertainty in common."""
    back = np.vstack([np.linalg.inv(local_metric(lab)) for lab in labs])
    common = back @ np.diag(row[[13, 14, 14]] ** 2) @ back.T
    own = np.zeros_like(common)
    for i in range(len(labs)):
        at = slice(3 * i, 3 * i + 3)
        own[at, at] = OWN_SD**2 * back[at] @ back[at].T
    return common + own
