"""A chart and samples as published spectra, seen by a camera with published sensitivities."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz

colour = pytest.importorskip("colour")
WAVELENGTHS = np.arange(400, 701, 10)


def on_grid(sd) -> np.ndarray:
    return np.interp(WAVELENGTHS, sd.wavelengths, sd.values)


def chart_spectra() -> np.ndarray:
    """(24, 31) of the first chart that colour-science carries."""
    chart = next(iter(colour.SDS_COLOURCHECKERS.values()))
    return np.array([on_grid(sd) for sd in chart.values()])


def sample_spectra() -> np.ndarray:
    """(n, 31) of the CIE test colour samples."""
    from colour.quality.datasets import SDS_TCS

    return np.array([on_grid(sd) for sd in next(iter(SDS_TCS.values())).values()])


def lab_d50(reflectance: np.ndarray) -> np.ndarray:
    """Lab D50, 2 degree, by colour-science."""
    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    d50 = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    white = colour.colorimetry.sd_to_XYZ_integration(
        colour.SpectralDistribution(np.ones(31), WAVELENGTHS), cmfs, d50
    )
    out = []
    for row in reflectance:
        sd = colour.SpectralDistribution(row, WAVELENGTHS)
        xyz = colour.colorimetry.sd_to_XYZ_integration(sd, cmfs, d50)
        # The white of a truncated integration; Lab is relative to it.
        out.append(colour.XYZ_to_Lab(xyz / white[1], colour.XYZ_to_xy(white)))
    return np.array(out)


def camera_rgb(reflectance: np.ndarray, lamp: str) -> np.ndarray:
    """(n, 3) linear picture RGB: sensitivities times lamp, balanced on white, and a 3 x 3
    matrix fitted on the chart as a camera maker would."""
    sensitivity = next(iter(colour.MSDS_CAMERA_SENSITIVITIES.values()))
    s = np.array(
        [
            np.interp(WAVELENGTHS, sensitivity.wavelengths, sensitivity.values[:, c])
            for c in range(3)
        ]
    )
    power = on_grid(colour.SDS_ILLUMINANTS[lamp])
    weights = (s * power).T
    raw_of = lambda r: (r @ weights) / weights.sum(axis=0)  # noqa: E731
    chart = chart_spectra()
    wanted = lab_to_xyz(lab_d50(chart)) @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    matrix = np.linalg.lstsq(raw_of(chart), wanted, rcond=None)[0]
    return np.clip(raw_of(reflectance) @ matrix, 1e-4, None)
