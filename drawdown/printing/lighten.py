"""Lightening an ink to a value with white or with base: both results, side by side.

White covers, base lets the sheet through; both can bring an ink on white paper to the same
value, and then lie quite differently over another layer. Pure: colours and inks in, records out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab, y_of_value
from calibration.uncertainty.gauss_newton import most_probable, whitened
from calibration.uncertainty.intervals import half_width, interval_with
from calibration.uncertainty.streams import mirrored_normals, stream
from drawdown.ink.forward import film_slopes, lab_of_internal, xyz_of_film
from drawdown.ink.prior import FILM_COMMON_SD, GUESSED, HALF, InkPrior, ink_rows, rows_of
from drawdown.ink.shelf import Ink
from drawdown.printing.opacity import Number, contrast_ratio

MIX_SAMPLES = 200
GUESSES = 12  # mixes that are tried when none was noted
TEMPER = 0.5  # a guessed mix is never quite the true one: evidence for it counts for less
LEAST_MIX_ODDS = 0.03  # of a guessed mix against the best one, to be kept
LEAST_SD = 0.3  # Delta E: what the physics leaves open, per axis
FARTHEST = 4.0  # standard deviations: what no unknown is off by
MOST_PARTS = 1e5  # to 100: no one adds more, and bare white or paper is reached before
FLOODED = 100.0  # more than this to 100: let down a portion instead


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
    value cannot be reached. ``lab_d50``, ``lab_u95`` (3,) are over the
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

    @property
    def flooded(self) -> bool:
        return self.parts is not None and self.parts.value > FLOODED


def fit_ink(mix: InkPrior, seen: Seen, guessed: bool) -> InkStates:
    """Fit the mix to what was seen."""
    rows = np.vstack([mix.rows, *rows_of(GUESSED)]) if guessed else mix.rows
    measured = seen.lab_d50.ravel()
    noise = seen.covariance + LEAST_SD**2 * np.eye(measured.size)

    def unpack(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """K and S (..., 31), film (...) of the unknowns: the film, then the mix's rows."""
        both = np.exp(mix.mean + unknowns[..., 1:] @ rows)
        return both[..., :HALF], both[..., HALF:], np.exp(FILM_COMMON_SD * unknowns[..., 0])

    def model(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        k, s, film = unpack(unknowns)
        lab, by_k, by_s, by_film = film_slopes(k, s, film[..., None], seen.grounds)
        by_row = (rows[:, :HALF] * k) @ by_k + (rows[:, HALF:] * s) @ by_s  # (g, rows, 3)
        slope = np.concatenate([(FILM_COMMON_SD * film * by_film)[:, None], by_row], axis=1)
        slope = slope.swapaxes(-1, -2).reshape(measured.size, -1)
        return whitened(lab.ravel() - measured, slope, noise)

    def within_reach(unknowns: np.ndarray) -> np.ndarray:
        return np.clip(unknowns, -FARTHEST, FARTHEST)

    state = most_probable(
        model, np.zeros(1 + len(rows)), longest=1.0, rounds=12, tolerance=0.01, allow=within_reach
    )
    drawn = within_reach(state.samples(stream("ink of a mix"), MIX_SAMPLES))
    k, s, film = unpack(np.vstack([state.mode, drawn]))
    paper = seen.grounds[0]
    xyz = xyz_of_film(k[0], s[0], film[0], paper)
    # What the best fit leaves of the colour is put right in all of them alike.
    gain = np.clip(lab_to_xyz(seen.lab_d50[0]) / np.maximum(xyz, 1e-4), 0.5, 2.0)
    misfit = float(delta_e_2000(xyz_to_lab(xyz), seen.lab_d50[0]))
    return InkStates(k, s, film, gain, paper, float(state.log_evidence), misfit)


def fit_guesses(guesses: list[tuple[InkPrior, float]], seen: Seen) -> tuple[InkStates, int]:
    """Fit several guessed mixes (with their log prior) and pool what they say by
    their odds; also which of them is the most probable. The pool keeps its size."""
    fits = [fit_ink(mix, seen, guessed=True) for mix, _ in guesses]
    log_odds = [f.log_evidence + g[1] for f, g in zip(fits, guesses, strict=True)]
    odds = np.exp(TEMPER * (np.array(log_odds) - max(log_odds)))
    odds[odds < LEAST_MIX_ODDS] = 0.0
    best = int(np.argmax(odds))
    counts = np.floor(MIX_SAMPLES * odds / odds.sum()).astype(int)
    counts[best] += MIX_SAMPLES - counts.sum()
    # Draws come in mirrored halves: every other row keeps both.
    take = [1 + np.round(np.linspace(0, MIX_SAMPLES - 1, n)).astype(int) for n in counts]
    head = fits[best]

    def pooled(name: str) -> np.ndarray:
        rows = [getattr(f, name)[t] for f, t in zip(fits, take, strict=True)]
        return np.concatenate([getattr(head, name)[:1], *rows])

    return replace(head, k=pooled("k"), s=pooled("s"), film=pooled("film")), best


def ink_samples(ink: Ink, count: int) -> tuple[np.ndarray, np.ndarray]:
    """K and S (1 + count, 31) of white or base as they may be, the shelf's figures first."""
    rows = ink_rows(ink)
    draws = mirrored_normals(stream("added ink", int(ink.kind != "white")), count, len(rows))
    k, s = np.split(np.exp(np.vstack([np.zeros(2 * HALF), draws @ rows])), 2, axis=1)
    return ink.k * k, ink.s * s


def lighten(states: InkStates, ink: Ink, to_value: float, layer: np.ndarray) -> Lightened:
    """What it takes of ``ink`` (white or base) to bring the mix to a value on its
    paper at the same film, and what comes of it. ``layer`` (31,) is the internal reflectance
    of another layer to print it on."""
    add_k, add_s = ink_samples(ink, len(states.film) - 1)
    target = y_of_value(to_value)

    def mixed(parts):
        share = 100 / (100 + parts)[:, None]
        return share * states.k + (1 - share) * add_k, share * states.s + (1 - share) * add_s

    film = states.film[:, None]

    def y_of(parts):
        k, s = mixed(parts)
        gain = states.gain[1] ** (100 / (100 + parts))
        return xyz_of_film(k, s, film, states.paper)[:, 1] * gain

    count = len(states.film)
    low, high = np.full(count, np.log(1e-3)), np.full(count, np.log(MOST_PARTS))
    reached = y_of(np.exp(high)) >= target
    if not reached[0]:
        return Lightened(ink.name, ink.kind, *(None,) * 8)
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
    film = states.film[:, None]
    # The mix's own misfit fades as it is let down, over every ground alike.
    gain = states.gain ** (100 / (100 + parts.value))
    lab = xyz_to_lab(xyz_of_film(k, s, film, states.paper) * gain)
    on_layer = xyz_to_lab(xyz_of_film(k, s, film, layer) * gain)
    layer_lab = lab_of_internal(layer)
    return Lightened(
        ink=names[0],
        kind=names[1],
        parts=parts,
        lab_d50=lab[0],
        lab_u95=half_width(lab[1:]),
        ratio=interval_of(contrast_ratio(k, s, film)),
        lab_over_layer=on_layer[0],
        lab_over_layer_u95=half_width(on_layer[1:]),
        layer_change=interval_of(delta_e_2000(on_layer, layer_lab)),
        short_of_paper=interval_of(delta_e_2000(on_layer, lab)),
    )


def interval_of(values: np.ndarray) -> Number:
    """The first value with the 95 % interval of the others."""
    best = float(values[0])
    return Number(best, *interval_with(best, values[1:]))
