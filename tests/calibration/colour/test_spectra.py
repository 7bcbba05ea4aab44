"""The fixed weights from spectrum to XYZ against a full integration by colour-science."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.colour.spectra import (
    WAVELENGTHS_NM,
    XYZ_D50_WEIGHTS,
    smooth_spectrum,
)


def test_a_perfect_white_is_the_icc_white():
    """ICC.1:2022, 7.2.16."""
    assert XYZ_D50_WEIGHTS.shape == (31, 3)
    assert np.ones(31) @ XYZ_D50_WEIGHTS == pytest.approx(WHITE_D50, abs=1e-15)


def test_smooth_spectra_agree_with_colour_science():
    """colour-science's integration at 1 nm, CIE 1931 2 degree, CIE D50: within 0.02 in each
    of L*, a*, b*."""
    import colour

    nm = np.arange(360, 781)
    shape = colour.SpectralShape(360, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)

    def by_colour_science(values):
        sd = colour.SpectralDistribution(values, nm)
        return colour.sd_to_XYZ(sd, observer, lamp, method="Integration")

    white = by_colour_science(np.ones(nm.size))
    rng = np.random.default_rng(3)
    for _ in range(20):
        wave = np.polyval(rng.normal(size=5), (nm - 570) / 175)
        values = 0.04 + 0.9 / (1 + np.exp(-wave))
        theirs = xyz_to_lab(by_colour_science(values) / white, np.ones(3))
        ours = xyz_to_lab(np.interp(WAVELENGTHS_NM, nm, values) @ XYZ_D50_WEIGHTS)
        assert ours == pytest.approx(theirs, abs=0.02)


@pytest.mark.parametrize("lab", [(95, 0, 2), (92, 1, 10), (94, 0, -3), (60, -20, 30), (99.9, 0, 0)])
def test_smooth_spectrum_has_the_colour(lab):
    spectrum = smooth_spectrum(lab)
    assert xyz_to_lab(spectrum @ XYZ_D50_WEIGHTS) == pytest.approx(lab, abs=0.01)
    assert (spectrum > 0).all()
    assert (spectrum < 1).all()


@pytest.mark.parametrize("lab", [(0, 0, 0), (100, 0, 0), (50, 120, -120), (-5, 300, 300)])
def test_smooth_spectrum_survives_any_colour(lab):
    spectrum = smooth_spectrum(lab)
    assert np.isfinite(spectrum).all()
    assert ((spectrum >= 0) & (spectrum <= 1)).all()
