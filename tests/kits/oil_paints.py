"""Measured mixtures of oil paints (tests/data/oils), and the program's inks fitted to some of them.

White is fitted from its own film; black from three mixtures with it; each colour from its masstone
and its palest tint but one, which is about 10 % in white. All other mixtures are never seen.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from drawdown.ink.forward import film_slopes, ground_of_spectrum, mix_of, spectrum_of_film
from drawdown.ink.ladder_fit import fit_ladder, fitted_ink
from drawdown.ink.ladder_model import LADDER_FILM_SD, GroundSpectra, Rung
from drawdown.ink.prior import blank_prior, ink_rows, pigment_prior
from drawdown.ink.shelf import Ink, starter_shelf

DATA = Path(__file__).resolve().parents[1] / "data" / "oils"
WHITE, BLACK = "zinc-white", "bone-black"
# Paint -> the two samples that it is known from. What the models assume was chosen on the first.
CHOSEN_ON = {
    "red-lead": ("05A", "05B"), "viridian": ("09A", "09B"), "emerald-green": ("10A", "10B"),
    "cobalt-blue": ("12A", "12B"), "chrome-yellow": ("14A", "14B"),
}  # fmt: skip
HELD_OUT = {
    "cochineal-lake": ("04A", "04B"), "vermilion": ("06A", "06B"), "ultramarine": ("11A", "11B"),
    "prussian-blue": ("13A", "13B"), "light-chrome-yellow": ("15A", "15C"),
}  # fmt: skip
WHITE_FROM, BLACK_FROM = ("07A",), ("07C", "07D", "07F")
# Whites and extenders that no colour was fitted in, each known from its own film.
OTHER_MEDIA = {"lead-white": "08A", "barium-sulphate": "16A", "chalk": "17A"}
READING_SD = 0.3  # Lab: repeated readings of painted samples, our own judgement


@dataclass(frozen=True, eq=False)
class Sample:
    """A mixture: ``parts`` by weight, reflectances (2, 31) ``over`` black and white, and of the
    bare ``grounds``."""

    parts: Mapping[str, float]
    over: np.ndarray
    grounds: np.ndarray

    @property
    def lab_d50(self) -> np.ndarray:
        """(2, 3)"""
        return lab_of(self.over)


def lab_of(spectra: np.ndarray, weights: np.ndarray = XYZ_D50_WEIGHTS) -> np.ndarray:
    return xyz_to_lab(spectra @ weights)


def read_samples() -> dict[str, Sample]:
    with (DATA / "spectra.csv").open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    seen = {(name, over): np.array(values, dtype=float) / 100 for name, over, *values in rows}
    grounds = {
        ground: np.mean([v for (_, over), v in seen.items() if over == ground], axis=0)
        for ground in ("black", "white")
    }
    samples = {}
    with (DATA / "mixtures.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            parts = {row["paint"]: float(row["parts"])}
            if row["with"]:
                parts[row["with"]] = float(row["with_parts"])
            name = row["sample"]
            samples[name] = Sample(
                parts,
                np.array([seen[name, f"over {g}"] for g in ("black", "white")]),
                np.array([seen.get((name, g), grounds[g]) for g in ("black", "white")]),
            )
    return samples


def unseen(samples: Mapping[str, Sample], paints: Mapping[str, tuple[str, str]]) -> list[str]:
    """The mixtures of these paints with white or black that none of them is known from."""
    known = {name for pair in paints.values() for name in pair}
    return [
        name
        for name, sample in samples.items()
        if name not in known
        and set(sample.parts) & set(paints)
        and not set(sample.parts) & set(OTHER_MEDIA)
    ]


def guessed_from_lab(samples: Mapping[str, Sample]) -> dict[str, Sample]:
    """The samples with spectra that only have their Lab, as one without spectra guesses them."""
    return {n: replace(s, over=np.array([_smoothest(lab) for lab in s.lab_d50]))
            for n, s in samples.items()}  # fmt: skip


def _smoothest(lab_d50: np.ndarray) -> np.ndarray:
    """(31,) the reflectance of this Lab with the least slope, through tanh, so that it lies between
    0 and 1 (S. A. Burns, Color Res. Appl. 45 (2020) 8; from memory), by Newton's steps."""
    wanted, slope = lab_to_xyz(lab_d50), np.diff(np.eye(31), axis=0)
    least = 2 * slope.T @ slope
    x = np.zeros(34)  # the curve's 31 numbers, and a multiplier for each of X, Y and Z
    for _ in range(60):
        t, m = np.tanh(x[:31]), XYZ_D50_WEIGHTS @ x[31:]
        by_curve = XYZ_D50_WEIGHTS * ((1 - t * t) / 2)[:, None]
        miss = np.append(least @ x[:31] + by_curve @ x[31:], (t + 1) / 2 @ XYZ_D50_WEIGHTS - wanted)
        if np.abs(miss).max() < 1e-9:
            break
        whole = np.zeros((34, 34))
        whole[:31, :31] = least - np.diag(t * (1 - t * t) * m)
        whole[:31, 31:], whole[31:, :31] = by_curve, by_curve.T
        step = np.linalg.lstsq(whole, -miss, rcond=None)[0]
        x += min(1.0, 2 / np.abs(step[:31]).max()) * step
    found: np.ndarray = (np.tanh(x[:31]) + 1) / 2
    return found


class Fitted:
    """The program's inks, fitted ``by_spectra`` or by their Lab alone."""

    def __init__(self, samples: Mapping[str, Sample], by_spectra: bool) -> None:
        self.samples, self.by_spectra = samples, by_spectra
        shelf = starter_shelf()
        self.base = shelf.find("base")
        self.inks: dict[str, Ink] = {}
        self.starters = shelf

    def ink(self, paint: str) -> Ink:
        """Fitted when it is first asked for."""
        if paint not in self.inks:
            kinds = {WHITE: "white", BLACK: "black"}
            alike = [i for i in self.starters if i.kind == kinds.get(paint, "colour")]
            if paint == WHITE:
                self._fit(paint, WHITE_FROM, pigment_prior(*alike), *alike)
            elif paint == BLACK:
                self._fit(paint, BLACK_FROM, blank_prior(alike), self.ink(WHITE))
            elif paint in OTHER_MEDIA:
                like = self.starters.find("white" if "white" in paint else "base")
                self._fit(paint, (OTHER_MEDIA[paint],), pigment_prior(like), self.ink(WHITE))
            else:
                known_from = (CHOSEN_ON | HELD_OUT)[paint]
                self._fit(paint, known_from, blank_prior(alike[::5]), self.ink(WHITE))
        return self.inks[paint]

    def _fit(self, paint, known_from, prior, white: Ink) -> None:
        rungs = []
        for strip, name in enumerate(known_from):
            sample = self.samples[name]
            parts = (sample.parts.get(paint, 0.0), sample.parts.get(WHITE, 0.0), 0.0)
            parts = parts if paint != WHITE else (1.0, 0.0, 0.0)
            for i, ground in enumerate(("bar", "paper")):
                spectrum = sample.over[i] if self.by_spectra else None
                rungs.append(Rung(parts, strip, ground, sample.lab_d50[i], spectrum))
        black, paper = self.samples[known_from[0]].grounds
        noise = READING_SD**2 * np.eye(3 * len(rungs))
        bare = GroundSpectra(paper, black) if self.by_spectra else None
        found = fit_ladder(
            rungs, noise, prior, white, self.base, lab_of(paper), lab_of(black), bare=bare
        )
        named = Ink(paint, "", "", "colour", np.zeros(31), np.zeros(31), "")
        self.inks[paint] = fitted_ink(found, named, white, self.base, lab_of(paper), "open data")

    def predict(self, sample: Sample, film: float = 1.0) -> np.ndarray:
        """(2, 31) reflectances of a mixture in an ordinary film, over black and white."""
        inks = [self.ink(paint) for paint in sample.parts]
        k, s = mix_of(
            np.array(list(sample.parts.values())),
            np.array([ink.k for ink in inks]), np.array([ink.s for ink in inks]),
        )  # fmt: skip
        return spectrum_of_film(k, s, film, ground_of_spectrum(sample.grounds))


def held(inks: Fitted, samples: Mapping[str, Sample], names: Sequence[str]) -> float:
    """How often a mixture lies within the 95 % that the inks' doubts and those of a film leave open
    (chi squared with three degrees of freedom: 7.815)."""
    hits = []
    for sample in (samples[name] for name in names):
        of = [inks.ink(paint) for paint in sample.parts]
        share = np.array(list(sample.parts.values())) / sum(sample.parts.values())
        k, s = (share @ np.array([getattr(ink, q) for ink in of]) for q in "ks")
        ground = ground_of_spectrum(sample.grounds)
        lab, by_k, by_s, by_film = film_slopes(k, s, 1.0, ground)
        covariance = (
            READING_SD**2 * np.eye(3) + LADDER_FILM_SD**2 * by_film[..., None] * by_film[:, None]
        )
        for ink, c in zip(of, share, strict=True):
            by_log = c * np.concatenate([ink.k[:, None] * by_k, ink.s[:, None] * by_s], axis=1)
            moved = ink_rows(ink) @ by_log
            covariance = covariance + moved.swapaxes(-1, -2) @ moved
        off = (lab - sample.lab_d50)[..., None]
        hits += list((off.swapaxes(-1, -2) @ np.linalg.solve(covariance, off)).ravel() < 7.815)
    return float(np.mean(hits))


def two_constants(samples: Mapping[str, Sample]) -> Callable[[Sample], np.ndarray]:
    """The plain model: every film opaque, K and S of each paint by wavelength from the same
    samples, relative to white with S = 1 (Duncan 1940; by least squares as Walowit, McCarthy and
    Berns, Color Res. Appl. 12 (1987) 340, from memory), and the usual surface of paint: k1 0.04, k2
    0.6 (Saunderson 1942; without the mirror reflection). Written out apart from the program."""
    from scipy.optimize import nnls

    def ratio(spectrum: np.ndarray) -> np.ndarray:
        inside = np.clip(spectrum / (0.96 * 0.4 + 0.6 * spectrum), 1e-4, 0.999)
        return (1 - inside) ** 2 / (2 * inside)

    white = ratio(samples[WHITE_FROM[0]].over[1])
    found = {WHITE: (white, np.ones_like(white))}
    for paint, known_from in ({BLACK: BLACK_FROM} | CHOSEN_ON | HELD_OUT).items():
        rows, right = [], []
        for name in known_from:
            parts = samples[name].parts
            share = np.array([parts.get(paint, 0.0), parts.get(WHITE, 0.0)]) / sum(parts.values())
            q = ratio(samples[name].over[1])
            # c (K - q S) = (1 - c) (q - q of white), each as sure as q is large
            rows.append(np.stack([share[0] / q, np.full_like(q, -share[0])], axis=-1))
            right.append(share[1] * (1 - white / q))
        by_nm = zip(np.stack(rows, axis=1), np.stack(right, axis=1), strict=True)
        k, s = np.array([nnls(np.vstack([a, 1e-6 * np.eye(2)]), np.append(b, [1e-6, 1e-6]))[0]
                         for a, b in by_nm]).T  # fmt: skip
        found[paint] = (k, s)

    def predict(sample: Sample) -> np.ndarray:
        k, s = (sum(c * found[p][i] for p, c in sample.parts.items()) for i in (0, 1))
        q = k / np.maximum(s, 1e-9)
        inside = 1 + q - np.sqrt(q * q + 2 * q)
        return np.tile(0.96 * 0.4 * inside / (1 - 0.6 * inside), (2, 1))

    return predict
