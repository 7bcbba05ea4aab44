"""The forward model: the colour of a mix of inks, in a film, over paper, a bar or another layer.

Everything that predicts a colour from K and S asks here. Spectra are 31 numbers, 400 to
700 nm, along the last axis; Lab are D50, 2 degree; all shapes broadcast.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from calibration.colour.difference import lab_by_xyz
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.ink.film import (
    internal_from_measured,
    measured_from_internal,
    measured_slope,
    reflectance,
    reflectance_by_ground,
    reflectance_slopes,
)

PAPER_LAB = (95.0, 0.0, 2.0)  # an ordinary white paper, when none was measured
MOST_GROUND = 0.99  # internal: what no sheet exceeds, read with whatever error


def paper_ground(paper_lab: ArrayLike | None, surface: float | np.ndarray = 0.0) -> np.ndarray:
    """(..., 31) internal reflectance of the paper, an ordinary white one when None; see
    ``bare_ground``."""
    return bare_ground(PAPER_LAB if paper_lab is None else paper_lab, surface)


def bare_ground(lab_d50: ArrayLike, surface: float | np.ndarray = 0.0) -> np.ndarray:
    """(..., 31) internal reflectance of paper, a bar or a layer of dry ink that has this Lab
    (3,) bare, such that a clear film leaves its look alone; ``surface`` (..., 1) is the measured
    reflectance of what its surface alone scatters back."""
    return ground_of_spectrum(smooth_spectrum(np.asarray(lab_d50, dtype=float)) - surface)


def ground_of_spectrum(seen: np.ndarray) -> np.ndarray:
    """(..., 31) the same of a ground with this measured reflectance (..., 31)."""
    inside: np.ndarray = np.clip(internal_from_measured(seen), 0.0, MOST_GROUND)
    return inside


def mix_of(parts: np.ndarray, k: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K and S (..., 31) of mixtures: ``parts`` (..., n) of any sum, ``k``, ``s`` (..., n, 31)
    (D. R. Duncan, Proc. Phys. Soc. 52 (1940) 390; page from memory)."""
    share = parts / parts.sum(axis=-1, keepdims=True)
    return (share[..., None, :] @ k)[..., 0, :], (share[..., None, :] @ s)[..., 0, :]


def lab_of_mix(
    k: np.ndarray, s: np.ndarray, parts: np.ndarray, film: ArrayLike, under: ArrayLike
) -> np.ndarray:
    """Lab (..., 3) of mixtures as ``mix_of`` takes them, ``film`` (...) thick."""
    return lab_of_film(*mix_of(parts, k, s), np.asarray(film)[..., None], under)


def lab_of_film(k: ArrayLike, s: ArrayLike, film: ArrayLike, under: ArrayLike) -> np.ndarray:
    """Lab (..., 3) of films with K and S (..., 31) over a ground ``under`` (..., 31)."""
    return xyz_to_lab(xyz_of_film(k, s, film, under))


def xyz_of_film(k: ArrayLike, s: ArrayLike, film: ArrayLike, under: ArrayLike) -> np.ndarray:
    """XYZ D50 (..., 3) of films with K and S (..., 31)."""
    xyz: np.ndarray = spectrum_of_film(k, s, film, under) @ XYZ_D50_WEIGHTS
    return xyz


def spectrum_of_film(k: ArrayLike, s: ArrayLike, film: ArrayLike, under: ArrayLike) -> np.ndarray:
    """Measured reflectance (..., 31) of films with K and S (..., 31)."""
    return measured_from_internal(reflectance(k, s, film, under))


def lab_of_internal(internal: ArrayLike, surface: float | np.ndarray = 0.0) -> np.ndarray:
    """Lab (..., 3) of internal reflectances (..., 31) under one surface."""
    return xyz_to_lab((measured_from_internal(internal) + surface) @ XYZ_D50_WEIGHTS)


def film_slopes(
    k: ArrayLike,
    s: ArrayLike,
    film: ArrayLike,
    under: ArrayLike,
    surface: float | np.ndarray = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Lab (..., 3) of films with K and S (..., 31) and its derivatives: by K and by S
    (..., 31, 3) at each wavelength, and by the film (..., 3)."""
    r, by_k, by_s, by_x = reflectance_slopes(k, s, film, under)
    lab, by_seen = lab_of_spectrum(measured_from_internal(r) + surface)
    seen = measured_slope(r)  # spectra first: they are a third of what comes after
    by_film = ((seen * by_x)[..., None, :] @ by_seen)[..., 0, :]
    return lab, (seen * by_k)[..., None] * by_seen, (seen * by_s)[..., None] * by_seen, by_film


class SpectrumSlopes(NamedTuple):
    """Measured reflectance (..., 31) of films, and how it follows K, S, the film and the ground's
    internal reflectance, wavelength by wavelength."""

    reflectance: np.ndarray
    by_k: np.ndarray
    by_s: np.ndarray
    by_film: np.ndarray
    by_ground: np.ndarray


def spectrum_slopes(
    k: ArrayLike, s: ArrayLike, film: ArrayLike, under: ArrayLike
) -> SpectrumSlopes:
    """``spectrum_of_film`` and its derivatives."""
    r, *inside = reflectance_slopes(k, s, film, under)
    inside.append(reflectance_by_ground(k, s, film, under))
    out = measured_slope(r)
    return SpectrumSlopes(measured_from_internal(r), *(out * by for by in inside))


def lab_of_spectrum(seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lab (..., 3) of measured reflectances (..., 31), and how it follows them (..., 31, 3)."""
    xyz = seen @ XYZ_D50_WEIGHTS
    return xyz_to_lab(xyz), XYZ_D50_WEIGHTS @ lab_by_xyz(xyz).swapaxes(-1, -2)
