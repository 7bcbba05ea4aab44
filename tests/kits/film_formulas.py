"""Formulas of films that the program does without, to hold its own to: each is a way of its own to
what a film over a ground must come to."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from drawdown.ink.film import _sech, _tanh_over_g


def transmittance(k: ArrayLike, s: ArrayLike, thickness: ArrayLike) -> np.ndarray:
    """Internal transmittance of a film alone; Kubelka 1948: T = b / (a sinh bSX + b cosh bSX)."""
    k, s, x = (np.asarray(v, dtype=float) for v in (k, s, thickness))
    t, gx = _tanh_over_g(k, s, x)
    found: np.ndarray = _sech(gx) / (1 + (k + s) * t)
    return found


def reflectance_opaque(k: ArrayLike, s: ArrayLike) -> np.ndarray:
    """Internal reflectance of a film so thick that the ground no longer counts.

    The limit 1 + q - sqrt(q^2 + 2q), q = K/S, written so that nothing cancels. Where both
    are zero no light ever comes back: 0.
    """
    k, s = np.asarray(k, dtype=float), np.asarray(s, dtype=float)
    total = k + s + np.sqrt(k * (k + 2 * s))
    return np.where(total > 0, s / np.where(total > 0, total, 1.0), 0.0)


def surface_constants(index: float) -> tuple[float, float]:
    """(k1, k2) of a smooth surface from its refractive index (> 1): Fresnel at right angles
    from outside, and for fully diffuse light from inside.

    The diffuse value is the closed form of Walsh (in Judd, J. Res. NBS 29 (1942) 329) for
    light from outside, taken inside by 1 - (1 - r)/n^2. Real films give a k2 of 0.4 to 0.6.
    """
    n = float(index)
    k1 = ((n - 1) / (n + 1)) ** 2
    n2 = n * n
    outside = (
        0.5
        + (n - 1) * (3 * n + 1) / (6 * (n + 1) ** 2)
        + n2 * (n2 - 1) ** 2 / (n2 + 1) ** 3 * np.log((n - 1) / (n + 1))
        - 2 * n**3 * (n2 + 2 * n - 1) / ((n2 + 1) * (n2 * n2 - 1))
        + 8 * n2 * n2 * (n2 * n2 + 1) / ((n2 + 1) * (n2 * n2 - 1) ** 2) * np.log(n)
    )
    return k1, float(1 - (1 - outside) / n2)


def over(r_upper: ArrayLike, t_upper: ArrayLike, r_lower: ArrayLike) -> np.ndarray:
    """Internal reflectance of one layer on another; Kubelka 1954:
    R12 = R1 + T1^2 R2 / (1 - R1 R2). The upper layer must be even (same R from below)."""
    r1, t1, r2 = (np.asarray(v, dtype=float) for v in (r_upper, t_upper, r_lower))
    both: np.ndarray = r1 + t1 * t1 * r2 / (1 - r1 * r2)
    return both
