"""Lightening an ink to a Munsell value with white or with base: both results, side by side.

White covers, base lets the sheet through; both can bring an ink on white paper to the same
value, and then lie quite differently over another layer. The mix is taken as one ink whose
K and S over wavelength deviate smoothly from the shelf's figures, and is fitted to the
strip's colour over paper and, where it crosses a bar, over the bar (Gauss-Newton, as in
``advice_model``); samples of what stays open carry the uncertainty. The sizes of the priors
are our own judgement. Pure: colours and inks in, records out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM, XYZ_D50_WEIGHTS
from drawdown.ink.film import internal_from_measured, measured_from_internal, reflectance
from drawdown.ink.shelf import Ink, Shelf
from drawdown.matching.batch_model import lab_slopes
from drawdown.printing.opacity import WHITE_Y, Number
from drawdown.printing.value import y_of_value

SAMPLES = 200
GUESSES = 12  # mixes that are tried when none was noted
# Standard deviations of the priors: how loaded an ink is (K and S together) that is a stand-in
# or a measured one, the film, and the shapes of K and S of a mix that was guessed.
LOAD_SD, LEAST_LOAD_SD, FILM_SD = 0.25, 0.05, 0.25
GUESSED_SD = (0.8, 1.0)
_WAVES_K, _WAVES_S = np.array([1.0, 0.5, 0.4, 0.3, 0.25]), np.array([1.0, 0.4, 0.25])
# Bases run from clear varnish to ones stiffened with chalk: what one that was not measured
# scatters is known within a factor of some five.
UNMEASURED_BASE_SD = 1.6
TEMPER = 0.5  # a guessed mix is never quite the true one: evidence for it counts for less
LEAST_ODDS = 0.03  # of a guessed mix against the best one, to be kept
LEAST_SD = 0.3  # Delta E: what the physics leaves open, per axis
MOST_PARTS = 1e5  # to 100: no one adds more, and bare white or paper is reached before
FLOODED = 100.0  # more than this to 100: let down a portion instead


def _cosines(weights: np.ndarray) -> np.ndarray:
    t = (np.arange(WAVELENGTHS_NM.size) + 0.5) / WAVELENGTHS_NM.size
    return weights[:, None] * np.cos(np.pi * np.arange(weights.size)[:, None] * t)


_BASIS_K, _BASIS_S = _cosines(_WAVES_K), _cosines(_WAVES_S)


@dataclass(frozen=True, eq=False)
class Seen:
    """What a strip looks like over one or more grounds: ``lab_d50`` (g, 3), ``covariance``
    (3g, 3g) of them, ``grounds`` (g, 31) internal reflectance; the first is the paper."""

    lab_d50: np.ndarray
    covariance: np.ndarray
    grounds: np.ndarray


@dataclass(frozen=True, eq=False)
class InkStates:
    """The ink as it may be: ``k``, ``s`` (r, 31) per ordinary film, ``film`` (r,), most
    probable first; ``gain`` (3,) is XYZ over paper as seen divided by the model's, ``misfit``
    the CIEDE2000 between the two."""

    k: np.ndarray
    s: np.ndarray
    film: np.ndarray
    gain: np.ndarray
    paper: np.ndarray  # (31,) internal reflectance
    log_evidence: float
    misfit: float


@dataclass(frozen=True, eq=False)
class Lightened:
    """One way to the value.

    ``parts`` of ``ink`` (``kind`` "white" or "base") to 100 parts of the mix, None when the
    value cannot be reached (``why`` says so). ``lab_d50``, ``lab_u95`` (3,) are over the
    paper, ``ratio`` the reduced contrast ratio, ``lab_over_layer`` and its ``_u95`` (3,) over
    the other layer, ``layer_change`` CIEDE2000 from that layer bare, ``short_of_paper``
    CIEDE2000 from its own colour on paper. ``flooded``: let down a portion instead."""

    ink: str
    kind: str
    parts: Number | None
    lab_d50: np.ndarray | None
    lab_u95: np.ndarray | None
    ratio: Number | None
    lab_over_layer: np.ndarray | None
    lab_over_layer_u95: np.ndarray | None
    layer_change: Number | None
    short_of_paper: Number | None
    flooded: bool
    why: str


@dataclass(frozen=True, eq=False)
class Figures:
    """What a mix is thought to be: ``k``, ``s`` (31,), the relative standard uncertainties of
    their shapes, and of how loaded the ink is (K and S together)."""

    k: np.ndarray
    s: np.ndarray
    k_sd: float = 0.25
    s_sd: float = 0.30
    load_sd: float = LOAD_SD


def figures_of(mix: dict[str, float], shelf: Shelf) -> Figures:
    """The figures of a mix in parts by the shelf's names (Duncan's sums). An ink's uncertainty
    counts by what it brings of the mix's K and S; inks that were measured are better known
    than stand-ins, and a base that was not measured is hardly known."""
    share = np.array(list(mix.values())) / sum(mix.values())
    inks = [shelf.find(name) for name in mix]
    k = share[:, None] * np.array([ink.k for ink in inks])
    s = share[:, None] * np.array([ink.s for ink in inks])
    of_k, of_s = (v.sum(axis=1) / max(v.sum(), 1e-12) for v in (k, s))
    stand_in = np.array([bool(ink.starter) for ink in inks])
    s_sd = [UNMEASURED_BASE_SD if _unmeasured_base(ink) else ink.s_sd for ink in inks]
    return Figures(
        k.sum(axis=0),
        s.sum(axis=0),
        float(of_k @ [ink.k_sd for ink in inks]),
        float(of_s @ s_sd),
        float(np.hypot(LEAST_LOAD_SD, LOAD_SD * of_k[stand_in].sum())),
    )


def _unmeasured_base(ink: Ink) -> bool:
    return ink.kind == "base" and bool(ink.starter)


def fit_ink(mix: Figures, seen: Seen, guessed: bool) -> InkStates:
    """Fit the mix to what was seen."""
    k0, s0 = mix.k, mix.s
    sd_k, sd_s = mix.k_sd, mix.s_sd
    if guessed:
        sd_k, sd_s = max(sd_k, GUESSED_SD[0]), max(sd_s, GUESSED_SD[1])
    log_k, log_s = np.log(np.maximum(k0, 1e-6)), np.log(np.maximum(s0, 1e-6))
    n_k, n_s = len(_BASIS_K), len(_BASIS_S)
    # Rows: what one unit of each unknown does to log K and to log S.
    to_k = np.zeros((2 + n_k + n_s, WAVELENGTHS_NM.size))
    to_s = to_k.copy()
    to_k[0] = to_s[0] = mix.load_sd
    to_k[2 : 2 + n_k], to_s[2 + n_k :] = sd_k * _BASIS_K, sd_s * _BASIS_S

    def unpack(theta):
        return (
            np.exp(log_k + theta @ to_k),
            np.exp(log_s + theta @ to_s),
            np.exp(FILM_SD * theta[..., 1]),
        )

    measured = seen.lab_d50.ravel()
    noise = seen.covariance + LEAST_SD**2 * np.eye(measured.size)
    theta = np.zeros(len(to_k))

    def straight(theta):
        k, s, film = unpack(theta)
        lab, by_k, by_s, by_x = lab_slopes(k, s, film[..., None], seen.grounds)
        slope = (to_k * k) @ by_k + (to_s * s) @ by_s  # (g, unknowns, 3)
        slope[:, 1] += FILM_SD * film * by_x
        return lab.ravel(), slope.transpose(1, 0, 2).reshape(len(theta), -1)

    for _ in range(12):
        value, slope = straight(theta)
        spread = slope.T @ slope + noise
        move = slope @ np.linalg.solve(spread, measured - value + theta @ slope) - theta
        reach = np.abs(move).max()
        theta = np.clip(theta + move * min(1.0, 1.0 / max(reach, 1e-9)), -4, 4)
        if reach < 0.02:
            break
    value, slope = straight(theta)
    spread = slope.T @ slope + noise
    left = measured - value
    surprise = theta @ theta + left @ np.linalg.solve(noise, left)
    rng = np.random.default_rng(23)
    half = rng.standard_normal((SAMPLES // 2, theta.size + measured.size))
    draws = np.vstack([half, -half])
    prior, error = draws[:, : theta.size], draws[:, theta.size :] @ np.linalg.cholesky(noise).T
    # Prior draws corrected by what they say of the reading (Matheron's rule).
    back = np.linalg.solve(spread, (prior @ slope + error).T).T @ slope.T
    every = np.vstack([theta, np.clip(theta + prior - back, -4, 4)])
    k, s, film = unpack(every)
    paper = seen.grounds[0]
    xyz = _xyz(k[:1], s[:1], film[:1], paper)
    # What the best fit leaves of the colour is put right in all of them alike.
    gain = np.clip(lab_to_xyz(seen.lab_d50[0]) / np.maximum(xyz[0], 1e-4), 0.5, 2.0)
    evidence = -0.5 * (surprise + np.linalg.slogdet(spread)[1])
    misfit = float(delta_e_2000(xyz_to_lab(xyz[0]), seen.lab_d50[0]))
    return InkStates(k, s, film, gain, paper, float(evidence), misfit)


def fit_guesses(guesses: list[tuple[Figures, float]], seen: Seen) -> tuple[InkStates, int]:
    """Fit several guessed mixes (figures, log prior) and pool what they say by
    their odds; also which of them is the most probable. The pool keeps its size."""
    fits = [fit_ink(mix, seen, guessed=True) for mix, _ in guesses]
    log_odds = [f.log_evidence + g[1] for f, g in zip(fits, guesses, strict=True)]
    odds = np.exp(TEMPER * (np.array(log_odds) - max(log_odds)))
    odds[odds < LEAST_ODDS] = 0.0
    best = int(np.argmax(odds))
    counts = np.floor(SAMPLES * odds / odds.sum()).astype(int)
    counts[best] += SAMPLES - counts.sum()
    # Draws come in mirrored halves: every other row keeps both.
    take = [1 + np.round(np.linspace(0, SAMPLES - 1, n)).astype(int) for n in counts]
    head = fits[best]

    def pooled(name: str) -> np.ndarray:
        rows = [getattr(f, name)[t] for f, t in zip(fits, take, strict=True)]
        return np.concatenate([getattr(head, name)[:1], *rows])

    pool = InkStates(
        pooled("k"),
        pooled("s"),
        pooled("film"),
        head.gain,
        head.paper,
        head.log_evidence,
        head.misfit,
    )
    return pool, best


def _xyz(k, s, film, ground) -> np.ndarray:
    """XYZ D50 (..., 3) of films with K, S (..., 31) over an internal ground (31,)."""
    inside = reflectance(k, s, np.asarray(film)[..., None], ground)
    return measured_from_internal(inside) @ XYZ_D50_WEIGHTS


def ink_samples(ink: Ink, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """K and S (1 + count, 31) of white or base as they may be, the shelf's figures first."""
    draw = np.random.default_rng([29, seed]).standard_normal((count, 2, 1))
    least = UNMEASURED_BASE_SD if _unmeasured_base(ink) else 0.0
    k = ink.k * np.exp(np.concatenate([np.zeros((1, 1)), ink.k_sd * draw[:, 0]]))
    s = ink.s * np.exp(np.concatenate([np.zeros((1, 1)), max(ink.s_sd, least) * draw[:, 1]]))
    return k, s


def lighten(states: InkStates, ink: Ink, to_value: float, layer: np.ndarray) -> Lightened:
    """What it takes of ``ink`` (white or base) to bring the mix to a Munsell value on its
    paper at the same film, and what comes of it. ``layer`` (31,) is the internal reflectance
    of another layer to print it on."""
    add_k, add_s = ink_samples(ink, len(states.film) - 1, 0 if ink.kind == "white" else 1)
    target = y_of_value(to_value)

    def mixed(parts):
        share = 100 / (100 + parts)[:, None]
        return share * states.k + (1 - share) * add_k, share * states.s + (1 - share) * add_s

    def y_of(parts):
        k, s = mixed(parts)
        gain = states.gain[1] ** (100 / (100 + parts))
        return _xyz(k, s, states.film, states.paper)[:, 1] * gain

    count = len(states.film)
    low, high = np.full(count, np.log(1e-3)), np.full(count, np.log(MOST_PARTS))
    reached = y_of(np.exp(high)) >= target
    if not reached[0]:
        limit = "white itself" if ink.kind == "white" else "the bare paper"
        nothing = (None,) * 8
        return Lightened(
            ink.name, ink.kind, *nothing, False, f"even {limit} is no lighter than that"
        )
    for _ in range(44):
        middle = (low + high) / 2
        light = y_of(np.exp(middle)) >= target
        low, high = np.where(light, low, middle), np.where(light, middle, high)
    # The amount is chosen once, by the best estimate; what comes of it is uncertain.
    needed = np.exp(high)
    k, s = mixed(np.full(count, needed[0]))
    parts = interval_of(needed)
    if parts.high95 is not None and parts.high95 > 0.9 * MOST_PARTS:
        parts = Number(parts.value, parts.low95, None)
    return _outcome(states, k, s, layer, (ink.name, ink.kind), parts)


def as_it_is(states: InkStates, layer: np.ndarray) -> Lightened:
    """The ink as it is, in the same terms."""
    return _outcome(states, states.k, states.s, layer, ("", ""), Number(0.0, 0.0, 0.0))


def _outcome(states: InkStates, k, s, layer, names, parts: Number) -> Lightened:
    # The mix's own misfit fades as it is let down, over every ground alike.
    gain = states.gain ** (100 / (100 + parts.value))
    lab = xyz_to_lab(_xyz(k, s, states.film, states.paper) * gain)
    white = np.full(WAVELENGTHS_NM.size, float(internal_from_measured(WHITE_Y)))
    ratio = _xyz(k, s, states.film, 0 * white)[:, 1] / _xyz(k, s, states.film, white)[:, 1]
    on_layer = xyz_to_lab(_xyz(k, s, states.film, layer) * gain)
    layer_lab = xyz_to_lab(measured_from_internal(layer) @ XYZ_D50_WEIGHTS)
    return Lightened(
        ink=names[0],
        kind=names[1],
        parts=parts,
        lab_d50=lab[0],
        lab_u95=_half_width(lab),
        ratio=interval_of(ratio),
        lab_over_layer=on_layer[0],
        lab_over_layer_u95=_half_width(on_layer),
        layer_change=interval_of(delta_e_2000(on_layer, layer_lab)),
        short_of_paper=interval_of(delta_e_2000(on_layer, lab)),
        flooded=parts.value > FLOODED,
        why="",
    )


def interval_of(values: np.ndarray) -> Number:
    """The first value with the 95 % interval of the others."""
    low, high = np.quantile(values[1:], (0.025, 0.975))
    best = float(values[0])
    return Number(best, float(min(low, best)), float(max(high, best)))


def _half_width(lab: np.ndarray) -> np.ndarray:
    """(3,) half widths of the 95 % intervals of (r, 3), the first row left out."""
    low, high = np.quantile(lab[1:], (0.025, 0.975), axis=0)
    return (high - low) / 2
