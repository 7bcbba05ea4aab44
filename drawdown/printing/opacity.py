"""How see-through a film is, from its colour over paper and over a black bar (README.md).

Pure: XYZ D50, 2 degree observer, Y = 1 for the perfect diffuser, in; a record out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from drawdown.ink.film import (
    film_from_two_grounds,
    internal_from_measured,
    measured_from_internal,
    over_ideal_black,
)
from drawdown.ink.forward import xyz_of_film

WHITE_Y = 0.80  # the standard white ground
# Our own limits of the contrast ratio, and the words for what lies from each up. 0.98 is
# what ISO 6504-1 and ASTM D2805 take as complete hiding (from memory).
GRADES = ((0.98, "opaque"), (0.90, "semi-opaque"), (0.60, "semi-transparent"), (0.0, "transparent"))
# What one band for many wavelengths, ink that wets the paper and the surface constants leave
# open in the reduced ratio, as a share of the step from the ratio as measured, and at least;
# from 600 computed films (tests/benchmarks/opacity.py --reduction).
BAND_SHARE, BAND_SD = 0.12, 0.005
# Over white, ink darker than this hides what is below by being dark.
DARK_L = 35.0
LEAST_T2 = 1e-6  # of light crossing the film twice: less looks like none


@dataclass(frozen=True)
class Number:
    """A value and the interval that holds the true one with 95 % probability. ``high95`` is
    None where the reading sets no upper bound."""

    value: float
    low95: float
    high95: float | None


@dataclass(frozen=True)
class Opacity:
    """How a strip covers.

    ``ratio`` is reduced to black Y = 0 and white Y = 0.80, ``ratio_measured`` is over these
    grounds. ``ground_de00`` (reduced) and ``ground_de00_measured`` are CIEDE2000 of the film
    over white against over black. ``lightness_added`` is L* over the bar less L* of base
    alone over the bar, or of the bare bar when there was no base strip
    (``against_base`` False); ``lightness_over_black`` is L* over a black of Y = 0.
    ``kx`` and ``sx`` are of the Y band; ``kx_bands`` and ``sx_bands`` (3,) of X, Y and Z.
    ``lab_over_black`` and ``lab_over_white`` (3,) are the reduced colours. ``grade`` is the
    most probable of GRADES' words, ``grade_p`` the probability of each, thinnest first.
    ``dark`` tells that it hides by being dark, and that the ratio misleads."""

    ratio_measured: Number
    ratio: Number
    ground_de00_measured: Number
    ground_de00: Number
    lightness_added: Number
    lightness_over_black: Number
    against_base: bool
    kx: Number
    sx: Number
    kx_bands: np.ndarray
    sx_bands: np.ndarray
    lab_over_black: np.ndarray
    lab_over_white: np.ndarray
    grade: str
    grade_p: dict[str, float]
    dark: bool


def grade_of(ratio: float) -> str:
    """The word for a contrast ratio, by our own limits."""
    return next(word for limit, word in GRADES if ratio >= limit or limit == 0.0)


def contrast_ratio(k: np.ndarray, s: np.ndarray, film: ArrayLike = 1.0) -> np.ndarray:
    """The contrast ratio (...) of films with K and S (..., 31), as it would be measured: Y over
    black (Y = 0) by Y over white (Y = ``WHITE_Y``), the ratio that ``opacity`` reduces to."""
    white = np.full(k.shape[-1], float(internal_from_measured(WHITE_Y)))
    over_black, over_white = (xyz_of_film(k, s, film, ground)[..., 1] for ground in (0.0, white))
    return over_black / over_white


def film_of(over_paper, over_bar, paper, bar) -> tuple[np.ndarray, np.ndarray]:
    """(R1, T^2) of the film inside its surface, for reflectances (...) 0..1 as measured.

    From R = R1 + T^2 Rg / (1 - R1 Rg) over two grounds: R1 is linear in the four, no black
    of zero is needed. Held to what a film can do: R1 at least 0, T^2 at least ``LEAST_T2``.
    """
    r, r0, g, g0 = (
        internal_from_measured(np.clip(v, 1e-6, 0.999)) for v in (over_paper, over_bar, paper, bar)
    )
    first = np.clip(over_ideal_black(r0, r, g0, g), 0.0, np.minimum(r, 0.999))
    # Where R1 had to be held at 0 the paper tells the transmittance, being the brighter.
    through = (r - first) * (1 - first * g) / g
    return first, np.maximum(through, LEAST_T2)


def film_over(first, through, ground) -> np.ndarray:
    """Measured reflectance of the film ``film_of`` found, over a ground as measured (...)."""
    g = internal_from_measured(ground)
    return measured_from_internal(first + through * g / (1 - first * g))


def absorption_scattering(first, through) -> tuple[np.ndarray, np.ndarray]:
    """(KX, SX) of films from R1 and T^2. A film that gives back more light than it takes
    (noise) is read as one that does not absorb."""
    first = np.asarray(first, dtype=float)
    through = np.minimum(through, (1 - first) ** 2 * (1 - 1e-12))
    over_white = first + through / (1 - first)  # over a ground of 1
    return film_from_two_grounds(first, over_white, 1.0)


def opacity(
    best: np.ndarray, samples: np.ndarray, base: np.ndarray | None = None, seed: int = 0
) -> Opacity:
    """How a film covers, from four colours.

    ``best`` (4, 3) XYZ D50: the strip over paper, the strip over the bar, bare paper, bare
    bar; ``samples`` (m, 4, 3) their ensemble, row by row of the same draw. ``base``
    (1 + m, 3) is base alone over the bar, best estimate first, or None.

    Raises ``ValueError`` where bar and paper look alike (the bar must have less
    than half the light of the paper).
    """
    best = np.asarray(best, dtype=float)
    samples = np.asarray(samples, dtype=float)
    if not best[3, 1] < 0.5 * best[2, 1]:
        raise ValueError("the bar must be darker than half the paper's Y")
    whole = np.concatenate([best[None], samples])
    share = np.maximum(whole / WHITE_D50, 1e-6)
    over_paper, over_bar, paper, bar = np.moveaxis(share, 1, 0)
    first, through = film_of(over_paper, over_bar, paper, bar)
    on_black = measured_from_internal(first)
    on_white = film_over(first, through, WHITE_Y)
    as_measured = over_bar[:, 1] / over_paper[:, 1]
    reduced = on_black[:, 1] / on_white[:, 1]
    rng = np.random.default_rng([11, seed])
    left_open = np.maximum(BAND_SHARE * np.abs(reduced[0] - as_measured[0]), BAND_SD)
    reduced[1:] += left_open * rng.standard_normal(len(samples))
    reduced = np.clip(reduced, 0.0, 1.0)

    lab_black, lab_white = xyz_to_lab(on_black * WHITE_D50), xyz_to_lab(on_white * WHITE_D50)
    lab_bar, lab_paper = xyz_to_lab(whole[:, 1]), xyz_to_lab(whole[:, 0])
    below = xyz_to_lab(whole[:, 3] if base is None else np.asarray(base, dtype=float))
    kx, sx = absorption_scattering(first, through)
    # Where hardly any light crosses, thicker films would look the same: no upper bound.
    bounded = through[:, 1] > 10 * LEAST_T2
    p = _probabilities(reduced[1:])
    grade = max(p, key=p.__getitem__)
    return Opacity(
        ratio_measured=_number(as_measured, low=0.0),
        ratio=_number(reduced, low=0.0, high=1.0),
        ground_de00_measured=_number(delta_e_2000(lab_bar, lab_paper), low=0.0),
        ground_de00=_number(delta_e_2000(lab_black, lab_white), low=0.0),
        lightness_added=_number(lab_bar[:, 0] - below[:, 0]),
        lightness_over_black=_number(lab_black[:, 0], low=0.0),
        against_base=base is not None,
        kx=_number(kx[:, 1], bounded, low=0.0),
        sx=_number(sx[:, 1], bounded, low=0.0),
        kx_bands=kx[0],
        sx_bands=sx[0],
        lab_over_black=lab_black[0],
        lab_over_white=lab_white[0],
        grade=grade,
        grade_p=p,
        dark=bool(lab_white[0, 0] < DARK_L and lab_black[0, 0] < DARK_L / 2),
    )


def _number(
    values: np.ndarray, bounded: np.ndarray | None = None, low=-np.inf, high=np.inf
) -> Number:
    """Best value first, its ensemble after. The interval is that of the ensemble about its
    own middle, moved to the best value."""
    value = float(values[0])
    spread = values[1:] - np.median(values[1:])
    least, most = value + np.quantile(spread, (0.025, 0.975))
    if bounded is not None and (not bounded[0] or np.mean(~bounded[1:]) > 0.025):
        return Number(value, float(max(np.quantile(values[1:], 0.025), 0.0)), None)
    return Number(value, float(max(least, low)), float(min(most, high)))


def _probabilities(ratio: np.ndarray) -> dict[str, float]:
    """The share of the ensemble in each grade, thinnest first."""
    uppers = (np.inf, *(limit for limit, _ in GRADES))
    shares = {
        word: float(np.mean((ratio >= limit) & (ratio < upper)))
        for (limit, word), upper in zip(GRADES, uppers, strict=False)
    }
    return dict(reversed(shares.items()))
