"""From spectra to colour: fixed weights, so that nothing heavy is loaded.

Spectra are reflectances 0..1 at 400, 410 .. 700 nm along the last axis.
"""

from __future__ import annotations

import numpy as np

from calibration.colour.illuminants import HERE, LAMPS
from calibration.colour.spaces import lab_to_xyz

WAVELENGTHS_NM = np.arange(400, 701, 10)

XYZ_D50_WEIGHTS = LAMPS[HERE]


def smooth_spectrum(lab_d50: np.ndarray) -> np.ndarray:
    """(31,) a smooth reflectance that has this Lab D50 (3,), or comes as near as it can.

    One of endlessly many such spectra: a logistic curve of a parabola over wavelength,
    fitted by Newton steps. Right for papers and other weakly coloured sheets, not for inks.
    """
    target = lab_to_xyz(np.asarray(lab_d50, dtype=float))
    u = np.linspace(-1, 1, WAVELENGTHS_NM.size)
    basis = np.stack([np.ones_like(u), u, u * u])
    y = float(np.clip(target[1], 0.01, 0.98))
    c = np.array([np.log(y / (1 - y)), 0.0, 0.0])
    for _ in range(12):
        r = 1 / (1 + np.exp(-np.clip(c @ basis, -12, 12)))
        slope = ((r * (1 - r)) * basis) @ XYZ_D50_WEIGHTS
        # A touch of ridge keeps the step finite for colours no such curve can have.
        step = np.linalg.solve(
            slope @ slope.T + 1e-9 * np.eye(3), slope @ (target - r @ XYZ_D50_WEIGHTS)
        )
        c = c + np.clip(step, -2, 2)
    return 1 / (1 + np.exp(-np.clip(c @ basis, -12, 12)))
