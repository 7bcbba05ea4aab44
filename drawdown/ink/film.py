"""One film of ink over a ground: Kubelka-Munk, and the surface that light has to cross.

Pure formulas in float64. Every argument is a number or an array and all shapes broadcast;
a spectrum is simply the last axis. K and S are absorption and scattering per unit of film
(KX and SX have no unit), 0 to 1e6 without overflow; X is the film, 0 to infinity;
reflectances are 0..1. "Internal" reflectance is inside the film, "measured" is outside.

Sources: P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448 (films) and 44 (1954) 330 (layers);
J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727 (surface).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# The surface constants that belong to the starter shelf's pigment data.
STARTER_K1 = 0.03
STARTER_K2 = 0.65


def _tanh_over_g(k: np.ndarray, s: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(tanh(gX)/g, gX) with g = sqrt(K(K + 2S)), finite where g or gX vanish."""
    g = np.sqrt(k * (k + 2 * s))
    gx = g * x
    small = gx < 1e-4
    if not small.any():
        return np.tanh(gx) / g, gx
    # Below 1e-4 the next term of the series, 2(gX)^4/15, is under the rounding error.
    series = x * (1 - gx * gx / 3)
    return np.where(small, series, np.tanh(gx) / np.where(small, 1.0, g)), gx


def reflectance(k: ArrayLike, s: ArrayLike, thickness: ArrayLike, ground: ArrayLike) -> np.ndarray:
    """Internal reflectance of a film of ``thickness`` X over a ``ground`` Rg.

    Kubelka 1948: R = [1 - Rg(a - b coth bSX)] / [a - Rg + b coth bSX] with a = 1 + K/S,
    b = sqrt(a^2 - 1), rewritten with t = tanh(gX)/g so that S = 0 (which gives
    Rg exp(-2KX)), K = 0 and X -> infinity (1e6 and more) need no cases of their own.
    """
    k, s, x, rg = (np.asarray(v, dtype=float) for v in (k, s, thickness, ground))
    t, _ = _tanh_over_g(k, s, x)
    # Rounding may leave a black a hair below zero.
    found: np.ndarray = np.maximum((s - rg * (k + s)) * t + rg, 0.0) / ((k + s - rg * s) * t + 1)
    return found


def reflectance_slopes(
    k: ArrayLike, s: ArrayLike, thickness: ArrayLike, ground: ArrayLike
) -> tuple[np.ndarray, ...]:
    """``reflectance`` and its derivatives by K, S and X, in that order (plain calculus)."""
    k, s, x, rg = (np.asarray(v, dtype=float) for v in (k, s, thickness, ground))
    t, gx = _tanh_over_g(k, s, x)
    g2 = k * (k + 2 * s)
    sech2 = _sech(gx) ** 2
    small = gx < 1e-3  # the difference below cancels sooner than tanh does
    by_g2 = np.where(small, -(x**3) / 3, (x * sech2 - t) / (2 * np.where(small, 1.0, g2)))
    by_k, by_s = 2 * (k + s) * by_g2, 2 * k * by_g2  # of t
    up, down = s - rg * (k + s), k + s - rg * s
    denominator = down * t + 1
    r = np.maximum(up * t + rg, 0.0) / denominator
    return (
        r,
        (up * by_k - rg * t - r * (down * by_k + t)) / denominator,
        (up * by_s + (1 - rg) * t - r * (down * by_s + (1 - rg) * t)) / denominator,
        (up - r * down) * sech2 / denominator,
    )


def reflectance_by_ground(
    k: ArrayLike, s: ArrayLike, thickness: ArrayLike, ground: ArrayLike
) -> np.ndarray:
    """How ``reflectance`` follows the ground's: T^2 / (1 - R1 Rg)^2 (Kubelka 1954)."""
    k, s, x, rg = (np.asarray(v, dtype=float) for v in (k, s, thickness, ground))
    t, gx = _tanh_over_g(k, s, x)
    found: np.ndarray = (_sech(gx) / ((k + s - rg * s) * t + 1)) ** 2
    return found


def _sech(gx: np.ndarray) -> np.ndarray:
    e = np.exp(-gx)
    sech: np.ndarray = 2 * e / (1 + e * e)
    return sech


def k_over_s(reflectance_internal: ArrayLike) -> np.ndarray:
    """K/S = (1 - R)^2 / 2R of an opaque film; infinite at R = 0.

    Raises ``ValueError`` outside 0..1: no film does that, so the caller has made a slip.
    """
    r = np.asarray(reflectance_internal, dtype=float)
    if np.any((r < 0) | (r > 1)):
        raise ValueError("reflectance must lie between 0 and 1")
    with np.errstate(divide="ignore"):
        ratio: np.ndarray = (1 - r) ** 2 / (2 * r)
    return ratio


def film_from_two_grounds(
    r_black: ArrayLike, r_white: ArrayLike, ground: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """(KX, SX) of one film from its internal reflectance over black (0) and over ``ground``.

    Kubelka 1948: T^2 = (R - R0)(1 - Rg R0)/Rg, a = (1 + R0^2 - T^2)/(2 R0), and
    bSX = arsinh(b/T) - arsinh(b), which is the arcoth form without its narrow domain.
    R0 = 0 is a film that only absorbs. NaN where no film can give such a pair
    (R <= R0, or more light leaves than falls in).
    """
    r0, r, rg = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (r_black, r_white, ground))
    )
    with np.errstate(all="ignore"):
        t = np.sqrt((r - r0) * (1 - rg * r0) / rg)
        absorbs_only = r0 <= 0
        a = (1 + r0 * r0 - t * t) / (2 * np.where(absorbs_only, 1.0, r0))
        # Rounding may leave a a hair under 1 for a film that does not absorb.
        a = np.where((a < 1) & (a > 1 - 1e-9), 1.0, a)
        b = np.sqrt(a * a - 1)
        thin = b < 1e-6
        sx = np.where(thin, 1 / t - 1, (np.arcsinh(b / t) - np.arcsinh(b)) / np.where(thin, 1.0, b))
        kx = np.where(absorbs_only, -np.log(t), sx * (a - 1))
        sx = np.where(absorbs_only, 0.0, sx)
        possible = (r0 >= 0) & (t > 0) & (t <= 1) & (absorbs_only | (a >= 1))
    return np.where(possible, kx, np.nan), np.where(possible, sx, np.nan)


def over_ideal_black(
    r_dark: ArrayLike, r_white: ArrayLike, dark: ArrayLike, white: ArrayLike
) -> np.ndarray:
    """Internal reflectance R0 of a film over nothing, from those over a ``dark`` ground that is
    no ideal black and over a ``white`` one: R = R0 + T^2 Rg/(1 - R0 Rg) (Kubelka 1948) twice,
    with T eliminated."""
    r2, r1, g2, g1 = (np.asarray(v, dtype=float) for v in (r_dark, r_white, dark, white))
    return np.asarray((r2 * g1 - r1 * g2) / (g1 * (1 + r2 * g2) - g2 * (1 + r1 * g1)))


def measured_from_internal(
    internal: ArrayLike,
    k1: float = STARTER_K1,
    k2: float = STARTER_K2,
    specular_included: bool = False,
) -> np.ndarray:
    """What an instrument or camera sees of an internal reflectance (Saunderson 1942).

    Rm = k1 + (1 - k1)(1 - k2) R / (1 - k2 R); the leading k1 is the mirror reflection and
    is left out unless ``specular_included`` (a sphere with its trap closed).
    """
    r = np.asarray(internal, dtype=float)
    rm = (1 - k1) * (1 - k2) * r / (1 - k2 * r)
    return rm + k1 if specular_included else rm


def measured_slope(internal: ArrayLike) -> np.ndarray:
    """How ``measured_from_internal`` follows the internal reflectance."""
    k1, k2 = STARTER_K1, STARTER_K2
    return (1 - k1) * (1 - k2) / (1 - k2 * np.asarray(internal, dtype=float)) ** 2


def internal_from_measured(
    measured: ArrayLike,
    k1: float = STARTER_K1,
    k2: float = STARTER_K2,
    specular_included: bool = False,
) -> np.ndarray:
    """The inverse of ``measured_from_internal``. A measured value that no film can give
    (below k1 with the mirror reflection included, or above 1) comes back outside 0..1."""
    rm = np.asarray(measured, dtype=float) - (k1 if specular_included else 0.0)
    return rm / ((1 - k1) * (1 - k2) + k2 * rm)
