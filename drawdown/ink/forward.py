"""Colour of a strip from absorption and scattering, and its slopes."""

from __future__ import annotations

import numpy as np

from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.ink.film import (
    STARTER_K1,
    STARTER_K2,
    internal_from_measured,
    measured_from_internal,
    reflectance,
    reflectance_slopes,
)

PAPER_LAB = (95.0, 0.0, 2.0)  # an ordinary white paper, when none was measured


def film_lab(k, s, parts, film, ground) -> np.ndarray:
    """Lab D50 (..., 3) of a strip: ``k``, ``s`` (..., n, 31), ``parts`` (..., n) of any sum,
    ``film`` (...), ``ground`` (31,) the internal reflectance of the paper."""
    share = parts / parts.sum(axis=-1, keepdims=True)
    k_mix = np.matmul(share[..., None, :], k)[..., 0, :]
    s_mix = np.matmul(share[..., None, :], s)[..., 0, :]
    return lab_of_film(k_mix, s_mix, np.asarray(film)[..., None], ground)


def lab_of_film(k, s, film, ground) -> np.ndarray:
    """Lab D50 (..., 3) of films with K and S (..., 31)."""
    return xyz_to_lab(spectrum_of_film(k, s, film, ground) @ XYZ_D50_WEIGHTS)


def spectrum_of_film(k, s, film, ground) -> np.ndarray:
    """Measured reflectance (..., 31) of films with K and S (..., 31)."""
    return measured_from_internal(reflectance(k, s, film, ground))


def lab_slopes(k, s, film, ground):
    """Lab (..., 3) of films with K and S (..., 31), and its derivatives by K, S (..., 31, 3)
    at each wavelength and by the film (..., 3)."""
    r, by_k, by_s, by_x = reflectance_slopes(k, s, film, ground)
    xyz = measured_from_internal(r) @ XYZ_D50_WEIGHTS
    to_lab = _lab_by_xyz(xyz)
    # Saunderson's slope, the surface constants as in measured_from_internal.
    outside = (1 - STARTER_K1) * (1 - STARTER_K2) / (1 - STARTER_K2 * r) ** 2
    by_r = XYZ_D50_WEIGHTS @ to_lab  # (..., 31, 3)
    by_x = ((outside * by_x)[..., None, :] @ by_r)[..., 0, :]
    return (
        xyz_to_lab(xyz),
        (outside * by_k)[..., None] * by_r,
        (outside * by_s)[..., None] * by_r,
        by_x,
    )


def _lab_by_xyz(xyz: np.ndarray) -> np.ndarray:
    """(..., 3, 3): row by X, Y, Z, column L*, a*, b*."""
    t = xyz / WHITE_D50
    steep = (29 / 3) ** 3 / 116
    f = np.where(t > (6 / 29) ** 3, np.cbrt(np.maximum(t, 1e-9)) ** -2 / 3, steep) / WHITE_D50
    return f[..., None] * np.array([[0.0, 500, 0], [116, -500, 200], [0, 0, -200]])


def paper_ground(paper_lab: np.ndarray | None) -> np.ndarray:
    """(31,) internal reflectance of the paper, such that a clear film leaves its look alone."""
    spectrum = smooth_spectrum(PAPER_LAB if paper_lab is None else paper_lab)
    return np.clip(internal_from_measured(spectrum), 0.0, 0.99)
