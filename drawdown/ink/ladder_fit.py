"""Fit an ink's K and S to the strips of its ladder, all of them at once.

Known are the colours of a few strips, what went into each, and the bare grounds. Unknown are
the ink's ln K and ln S (smooth curves: squared-exponential kernels over wavelength), how far
the white and base it was thinned with are off their figures, the film of each strip, the
weighing of each mixture, and how the ink wets the paper. All have a prior; the most probable
state is found by Gauss-Newton steps, and the curvature there (Laplace) gives what is left
open. Pure: arrays in, frozen records out; nothing here reads a file.

The form is the one that simulation favoured for this project (kernels of 40 nm for K and
70 nm for S); film mixing by Duncan 1940, films by Kubelka 1948 (see film.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from drawdown.ink.forward import lab_of_film, lab_slopes, paper_ground
from drawdown.ink.ladder_use import WETTING, use_labs, weights
from drawdown.ink.shelf import Ink

LENGTH_K_NM, LENGTH_S_NM = 40.0, 70.0
FILM_SD = 0.12  # of ln film, one strip against the ordinary one
WEIGHING_SD = 0.03  # of ln (ink / rest)
# How ink wets this paper: sd of four smooth waves in ln Rg about WETTING.
GROUND_SDS = np.array([0.02, 0.012, 0.008, 0.008])
BAR_SD = 0.2  # of ln Rg of a printed bar under ink
# What the physics leaves open, in the units of CIE94-like weights (L / 1.1 and so on): so
# that photographed ladders state about what they miss (tests/benchmarks/ladder_photo.py).
MODEL_SD = 0.7
# Of ln K and ln S of a base that nobody has measured: "nearly clear" is all that is known.
CLEAR_SD = 1.2
# About what a binder absorbs, per ordinary film: next to nothing, our own judgement.
BINDER_K = 0.004
ROUNDS = 30
LOWEST = 1e-7


@dataclass(frozen=True, eq=False)
class Rung:
    """One reading of the ladder: a strip over paper or over the black bar.

    ``parts`` are the shares by weight of the ink itself, white and base; ``strip`` tells
    which readings share a film and a weighing; ``ground`` is "paper" or "bar"; ``lab_d50``
    (3,) the colour."""

    parts: tuple[float, float, float]
    strip: int
    ground: str
    lab_d50: np.ndarray


@dataclass(frozen=True, eq=False)
class InkPrior:
    """What is thought of the ink before the strips are seen: mean ln K and ln S (31,) each,
    and ``rows`` (r, 62), one independent standard deviation each. ``starts`` (q, 62) are
    places to begin the search from, besides the mean."""

    log_k: np.ndarray
    log_s: np.ndarray
    rows: np.ndarray
    starts: np.ndarray


@dataclass(frozen=True, eq=False)
class LadderFit:
    """The fitted ink: ``k``, ``s`` (31,) per ordinary film; ``root`` (r, 62) the rows of its
    uncertainty in ln K and ln S (``root.T @ root`` is the covariance), ``prior_root`` the
    same before the strips were seen. Per rung ``lab_model`` (n, 3); per strip (in order of
    first appearance, ``strips``) ``film`` and the standard uncertainty ``film_log_sd`` of its
    logarithm. ``surprise`` is the squared size of what the fit had to explain, to be
    compared with ``readings``, the number of values read."""

    k: np.ndarray
    s: np.ndarray
    root: np.ndarray
    prior_root: np.ndarray
    lab_model: np.ndarray
    strips: tuple[int, ...]
    film: np.ndarray
    film_log_sd: np.ndarray
    surprise: float
    readings: int


def _kernel_rows(length_nm: float, sd: float) -> np.ndarray:
    """(r, 31): the squared-exponential kernel as rows, the smallest left out."""
    gap = WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM[None, :]
    values, vectors = np.linalg.eigh(sd**2 * np.exp(-0.5 * (gap / length_nm) ** 2))
    keep = values > 1e-4 * values.max()
    return (np.sqrt(values[keep]) * vectors[:, keep]).T[::-1]


def _prior_rows(common, flat_k, smooth_k, flat_s, smooth_s) -> np.ndarray:
    """(r, 62): a common strength, flat changes of ln K and ln S, and smooth ones."""
    one, none = np.ones((1, WAVELENGTHS_NM.size)), np.zeros((1, WAVELENGTHS_NM.size))
    in_k, in_s = _kernel_rows(LENGTH_K_NM, smooth_k), _kernel_rows(LENGTH_S_NM, smooth_s)
    rows = [
        np.hstack([common * one, common * one]),
        np.hstack([flat_k * one, none]),
        np.hstack([none, flat_s * one]),
        np.hstack([in_k, 0 * in_k]),
        np.hstack([0 * in_s, in_s]),
    ]
    rows = np.vstack(rows)
    return rows[np.abs(rows).max(axis=1) > 0]


def blank_prior(shelf_colours: Sequence[Ink]) -> InkPrior:
    """Nothing is known of the ink but that it is one. ``shelf_colours`` only lend places to
    start the search from; the prior's own numbers are round and our own."""
    flat = np.ones(WAVELENGTHS_NM.size)
    starts = [np.concatenate(_logs(ink)) for ink in shelf_colours]
    return InkPrior(
        -1.0 * flat, -1.0 * flat, _prior_rows(0.0, 2.0, 2.0, 1.0, 0.8),
        np.array(starts).reshape(-1, 2 * flat.size),
    )  # fmt: skip


def pigment_prior(ink: Ink) -> InkPrior:
    """The ink is a maker's version of this one (a starter pigment, or an earlier fit): its
    strength, hiding and curves differ, but not beyond recognition (our own judgement)."""
    log_k, log_s = _logs(ink)
    rows = _prior_rows(0.7, 0.25, 0.35, 0.35, 0.25)
    if ink.kind in ("white", "base"):
        # What hardly absorbs or scatters is known least in its logarithm.
        rows = _prior_rows(0.5, 1.0, 0.8, 0.35, 0.2)
    else:
        # Where the pigment lets all light pass, the binder decides, and binders differ.
        rows[:, : log_k.size] *= 1 + BINDER_K / (ink.k + 0.1 * BINDER_K)
    return InkPrior(log_k, log_s, rows, np.zeros((0, 2 * log_k.size)))


def _logs(ink: Ink) -> tuple[np.ndarray, np.ndarray]:
    return np.log(np.maximum(ink.k, LOWEST)), np.log(np.maximum(ink.s, LOWEST))


def ink_rows(ink: Ink) -> np.ndarray:
    """(r, 62) what is uncertain of an ink on the shelf: its doubt, or else its strength."""
    if ink.doubt is not None:
        return ink.doubt
    k_sd, s_sd = ink.k_sd, ink.s_sd
    if ink.kind == "base" and ink.starter:
        k_sd, s_sd = CLEAR_SD, CLEAR_SD
    return _prior_rows(0.0, k_sd, 0.4 * ink.k_sd, s_sd, 0.25 * ink.s_sd)


class _Ladder:
    """The strips as a function of whitened unknowns z (standard normal before the fit)."""

    def __init__(
        self, rungs, paper_lab, bar_lab, prior: InkPrior, white: Ink, base: Ink, film_sd: float
    ) -> None:
        self.rungs = tuple(rungs)
        n = len(self.rungs)
        self.logs = np.array(
            [np.concatenate([prior.log_k, prior.log_s])]
            + [np.concatenate(_logs(ink)) for ink in (white, base)]
        )
        self.rows = (prior.rows, ink_rows(white), ink_rows(base))
        self.at = np.cumsum([0, *(len(r) for r in self.rows)])
        self.strips = tuple(dict.fromkeys(r.strip for r in self.rungs))
        self.of_strip = np.array([self.strips.index(r.strip) for r in self.rungs])
        parts = np.array([r.parts for r in self.rungs], dtype=float)
        self.parts = parts / parts.sum(axis=1, keepdims=True)
        self.film_sd = film_sd
        self.paper = np.log(np.maximum(paper_ground(paper_lab), 1e-4)) + WETTING
        dark = paper_lab if bar_lab is None else bar_lab
        self.bar = np.log(np.maximum(paper_ground(dark), 1e-5))
        self.on_bar = np.array([r.ground == "bar" for r in self.rungs])
        t = (np.arange(WAVELENGTHS_NM.size) + 0.5) / WAVELENGTHS_NM.size
        waves = np.cos(np.pi * np.arange(4)[:, None] * t)
        self.ground_rows = np.vstack([GROUND_SDS[:, None] * waves, np.full_like(t, BAR_SD)])
        m = len(self.strips)
        self.film_at = int(self.at[-1])
        self.weigh_at = self.film_at + m
        self.ground_at = self.weigh_at + m
        self.size = self.ground_at + len(self.ground_rows)
        self.n = n

    def spectra(self, z: np.ndarray) -> np.ndarray:
        """(3, 62) ln K and ln S of ink, white and base."""
        moves = [
            z[a:b] @ rows for a, b, rows in zip(self.at[:-1], self.at[1:], self.rows, strict=True)
        ]
        return np.clip(self.logs + np.array(moves), np.log(LOWEST), np.log(1e4))

    def films(self, z: np.ndarray) -> np.ndarray:
        return np.exp(self.film_sd * z[self.film_at : self.weigh_at])

    def shares(self, z: np.ndarray) -> np.ndarray:
        """(n, 3) true parts; the weighing shifts the ink against the rest."""
        off = np.exp(WEIGHING_SD * z[self.weigh_at : self.ground_at])[self.of_strip]
        parts = self.parts * np.stack([off, np.ones(self.n), np.ones(self.n)], axis=1)
        return parts / parts.sum(axis=1, keepdims=True)

    def grounds(self, z: np.ndarray) -> np.ndarray:
        """(n, 31) internal reflectance of what lies under each rung."""
        move = z[self.ground_at :]
        paper = np.exp(self.paper + move[:4] @ self.ground_rows[:4])
        bar = np.exp(self.bar + move[4] * self.ground_rows[4])
        return np.clip(np.where(self.on_bar[:, None], bar, paper), 1e-5, 0.99)

    def labs(self, z: np.ndarray) -> np.ndarray:
        k, s = np.split(np.exp(self.spectra(z)), 2, axis=1)
        share = self.shares(z)
        film = self.films(z)[self.of_strip][:, None]
        return lab_of_film(share @ k, share @ s, film, self.grounds(z))

    def labs_and_slopes(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n, 3) and the Jacobian (n, 3, size)."""
        k, s = np.split(np.exp(self.spectra(z)), 2, axis=1)
        share, film, ground = self.shares(z), self.films(z)[self.of_strip], self.grounds(z)
        k_mix, s_mix = share @ k, share @ s
        lab, by_k, by_s, by_x = lab_slopes(k_mix, s_mix, film[:, None], ground)
        slope = np.zeros((self.n, 3, self.size))
        whole = np.zeros((self.n, 3, 3))  # rung, ink, Lab: by the ln of an ink's share
        for i, rows in enumerate(self.rows):
            from_k = share[:, i, None, None] * k[i][:, None] * by_k  # (n, 31, 3)
            from_s = share[:, i, None, None] * s[i][:, None] * by_s
            both = np.concatenate([from_k, from_s], axis=1)
            whole[:, i] = both.sum(axis=1)
            slope[:, :, self.at[i] : self.at[i + 1]] = np.einsum("nwc,rw->ncr", both, rows)
        rung = np.arange(self.n)
        slope[rung, :, self.film_at + self.of_strip] = self.film_sd * film[:, None] * by_x
        by_share = whole[:, 0] - share[:, :1] * whole.sum(axis=1)
        slope[rung, :, self.weigh_at + self.of_strip] = WEIGHING_SD * by_share
        step = 1e-4
        for j, row in enumerate(self.ground_rows):
            hit = self.on_bar if j == 4 else ~self.on_bar
            if hit.any():
                moved = np.minimum(ground[hit] * np.exp(step * row), 0.9999)
                other = lab_of_film(k_mix[hit], s_mix[hit], film[hit][:, None], moved)
                slope[hit, :, self.ground_at + j] = (other - lab[hit]) / step
        return lab, slope


def fit_ladder(
    rungs: Sequence[Rung],
    covariance: np.ndarray,
    prior: InkPrior,
    white: Ink,
    base: Ink,
    paper_lab: np.ndarray,
    bar_lab: np.ndarray | None = None,
    film_sd: float = FILM_SD,
) -> LadderFit:
    """Fit the ink to its ladder.

    ``covariance`` (3n, 3n) is of the rungs' Lab, rung by rung; ``white`` and ``base`` what
    the ink was mixed with; ``paper_lab`` and ``bar_lab`` (3,) the bare grounds. Raises
    ``ValueError`` when no rung holds the ink, or one lies on a bar of unknown colour.
    """
    if not any(r.parts[0] > 0 for r in rungs):
        raise ValueError("no rung holds the ink itself")
    if bar_lab is None and any(r.ground == "bar" for r in rungs):
        raise ValueError("the bar's own colour is needed for a rung over the bar")
    ladder = _Ladder(rungs, paper_lab, bar_lab, prior, white, base, film_sd)
    measured = np.array([r.lab_d50 for r in rungs], dtype=float)
    noise = np.array(covariance, dtype=float)
    unit = np.linalg.inv(weights(measured))  # columns: one unit of the scaled residual
    for i, u in enumerate(unit):
        at = slice(3 * i, 3 * i + 3)
        noise[at, at] += MODEL_SD**2 * u @ u.T
    begin = [np.zeros(ladder.size)]
    gram = prior.rows @ prior.rows.T
    mean = np.concatenate([prior.log_k, prior.log_s])
    for start in prior.starts:
        z = np.zeros(ladder.size)
        near = np.linalg.solve(gram + 0.05 * np.eye(len(gram)), prior.rows @ (start - mean))
        z[: len(near)] = near
        begin.append(z)
    quick = 8 if len(begin) > 1 else 0
    if quick:  # a few steps from everywhere, then on from the three best
        begin = sorted((_descend(ladder, measured, noise, z, quick) for z in begin), key=_cost)[:3]
        begin = [z for _, z in begin]
    cost, z = min((_descend(ladder, measured, noise, z, ROUNDS) for z in begin), key=_cost)

    def use(logs: np.ndarray) -> np.ndarray:
        k, s = np.split(np.exp(logs), 2)
        return (use_labs(k, s, white, base, paper_lab, bar_lab) @ scale).ravel()

    # Chroma counts less in what is compared here; one scaling for all is enough.
    scale = np.diag([1.0, 0.6, 0.6])
    return _finish(ladder, measured, noise, z, cost, use)


def _cost(found: tuple[float, np.ndarray]) -> float:
    return found[0]


def _coster(ladder: _Ladder, measured: np.ndarray, noise: np.ndarray):
    """Squared size of prior and misfit (-2 ln of the probability) as a function of z."""
    inverse = np.linalg.inv(noise)

    def cost(z: np.ndarray) -> float:
        miss = (measured - ladder.labs(z)).ravel()
        return float(z @ z + miss @ inverse @ miss)

    return cost


def _descend(ladder, measured, noise, z, rounds) -> tuple[float, np.ndarray]:
    """Damped Gauss-Newton: (cost, z)."""
    cost = _coster(ladder, measured, noise)
    now = cost(z)
    for _ in range(rounds):
        lab, slope = ladder.labs_and_slopes(z)
        slope = slope.reshape(3 * ladder.n, ladder.size)
        spread = slope @ slope.T + noise
        aim = (measured - lab).ravel() + slope @ z
        move = slope.T @ np.linalg.solve(spread, aim) - z
        reach = np.abs(move).max()
        move *= min(1.0, 2.5 / max(reach, 1e-9))
        for _ in range(8):
            then = cost(z + move)
            if then < now:
                break
            move = 0.4 * move
        else:
            break
        z, gain, now = z + move, now - then, then
        if gain < 1e-3 and reach < 0.05:
            break
    return now, z


def _finish(ladder: _Ladder, measured, noise, z: np.ndarray, cost: float, use) -> LadderFit:
    lab, slope = ladder.labs_and_slopes(z)
    slope = slope.reshape(3 * ladder.n, ladder.size)
    gain = np.linalg.solve(slope @ slope.T + noise, slope)
    left = np.eye(ladder.size) - slope.T @ gain
    values, vectors = np.linalg.eigh(left)
    half = np.sqrt(np.clip(values, 0, None))[:, None] * vectors.T  # half.T @ half = left
    half = _bounded(half, z, cost, _coster(ladder, measured, noise), ladder, use)
    left = half.T @ half
    own = slice(0, ladder.at[1])
    root = _compact(half[:, own] @ ladder.rows[0])
    k, s = np.split(np.exp(ladder.spectra(z)[0]), 2)
    film_var = np.diag(left)[ladder.film_at : ladder.weigh_at]
    return LadderFit(
        k=k,
        s=s,
        root=root,
        prior_root=ladder.rows[0],
        lab_model=lab,
        strips=ladder.strips,
        film=ladder.films(z),
        film_log_sd=ladder.film_sd * np.sqrt(np.clip(film_var, 0, None)),
        surprise=cost,
        readings=3 * ladder.n,
    )


def _bounded(half: np.ndarray, z: np.ndarray, cost: float, cost_of, ladder, use) -> np.ndarray:
    """Shorten directions (rows) along which the strips object sooner than the curvature
    says: an absorption too small to see may be smaller still, but not much larger. But not
    below what the other way, where they do not object, would do to the colour: a black too
    dark to see through may be far stronger. ``use`` gives the scaled colours (c,) of ln K, ln S."""
    out = half.copy()
    own, rows = slice(0, ladder.at[1]), ladder.rows[0]
    centre = ladder.spectra(z)[0]
    at_centre = use(centre)
    for row in out:
        lengths = []
        for sign in (1.0, -1.0):
            length = 1.0
            for _ in range(4):
                rise = cost_of(z + sign * length * row) - cost
                if rise < 1.3:
                    break
                length *= max(0.3, 1 / np.sqrt(rise))
            lengths.append(length)
        short, long = min(lengths), max(lengths)
        if short >= 0.99:
            continue
        sign = 1.0 if lengths[0] == long else -1.0
        step = row[own] @ rows
        small = 0.01
        straight = np.linalg.norm(use(centre + small * step) - at_centre) / small
        other = np.linalg.norm(use(centre + sign * long * step) - at_centre)
        row *= np.clip(other / max(straight, 1e-9), short, long)
    return out


def _compact(rows: np.ndarray) -> np.ndarray:
    """The same covariance in as few rows as it has directions."""
    _, size, waves = np.linalg.svd(rows, full_matrices=False)
    keep = size > 1e-5 * max(float(size.max()), 1e-12)
    return size[keep, None] * waves[keep]
