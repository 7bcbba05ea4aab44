"""XYZ, Lab, adaptation and Munsell value against published figures.

Sources: CIE 15:2018 Table T.3 (tristimulus values of illuminants, 2 degree observer); IEC
61966-2-1 (sRGB); ASTM D1535 (Munsell value polynomial; its round values are from memory);
colour-science as an independent implementation.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.colour import spaces as cm

# CIE 15:2018 T.3, X and Z for Y = 100, 2 degree observer.
ILLUMINANTS = {
    "A": (109.85, 100.0, 35.58),
    "C": (98.07, 100.0, 118.22),
    "D50": (96.42, 100.0, 82.51),
    "D55": (95.68, 100.0, 92.14),
    "D65": (95.04, 100.0, 108.88),
    "D75": (94.97, 100.0, 122.61),
}


@pytest.mark.parametrize("name", ILLUMINANTS)
def test_lab_of_a_white_is_100_0_0(name):
    white = np.array(ILLUMINANTS[name]) / 100
    np.testing.assert_allclose(cm.xyz_to_lab(white, white), [100, 0, 0], atol=1e-9)


@pytest.mark.parametrize("name", ILLUMINANTS)
def test_lab_of_an_illuminant_seen_under_d50(name):
    colour = pytest.importorskip("colour")
    xyz = np.array(ILLUMINANTS[name]) / 100
    white_xy = colour.XYZ_to_xy(cm.WHITE_D50)
    np.testing.assert_allclose(cm.xyz_to_lab(xyz), colour.XYZ_to_Lab(xyz, white_xy), atol=1e-6)


def test_whites_are_those_of_cie_15():
    np.testing.assert_allclose(100 * cm.WHITE_D50, ILLUMINANTS["D50"], atol=0.03)
    np.testing.assert_allclose(100 * cm.WHITE_D65, ILLUMINANTS["D65"], atol=0.03)


@given(st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120)))
def test_lab_there_and_back(lab):
    lab = np.array(lab)
    np.testing.assert_allclose(cm.xyz_to_lab(cm.lab_to_xyz(lab)), lab, atol=1e-8)


@given(st.tuples(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1)))
def test_srgb_there_and_back(rgb):
    rgb = np.array(rgb)
    xyz = cm.srgb_decode(rgb) @ cm.SRGB_TO_XYZ_D50.T
    np.testing.assert_allclose(cm.xyz_d50_to_srgb(xyz), rgb, atol=1e-6)


def test_srgb_and_p3_against_colour_science():
    import colour

    rng = np.random.default_rng(5)
    rgb = rng.random((50, 3))
    for matrix, space in ((cm.SRGB_TO_XYZ_D50, "sRGB"), (cm.P3_TO_XYZ_D50, "Display P3")):
        theirs = colour.RGB_to_XYZ(
            rgb,
            space,
            illuminant=colour.XYZ_to_xy(cm.WHITE_D50),
            chromatic_adaptation_transform="Bradford",
        )
        np.testing.assert_allclose(rgb @ matrix.T, theirs, atol=3e-4)
    encoded = np.linspace(0, 1, 200)
    np.testing.assert_allclose(
        cm.srgb_decode(encoded), colour.models.eotf_sRGB(encoded), atol=1e-12
    )


def test_bradford_against_the_icc_matrix():
    """D65 to D50 as printed in many ICC profiles' chad tag (ICC.1:2022 Annex E gives the
    method; the figures are from memory, four decimals)."""
    expected = [[1.0479, 0.0229, -0.0502], [0.0296, 0.9904, -0.0171], [-0.0092, 0.0151, 0.7517]]
    np.testing.assert_allclose(cm.adaptation(cm.WHITE_D65, cm.WHITE_D50), expected, atol=6e-4)


@pytest.mark.parametrize(("value", "y"), [(1, 0.01180), (5, 0.19272), (9, 0.76696)])
def test_munsell_value_of_astm_d1535(value, y):
    """Y of whole Munsell values relative to the perfect diffuser: the renotation's 1.210,
    19.77, 78.66 for magnesium oxide (Newhall, Nickerson, Judd 1943; from memory) times 0.975
    as ASTM D1535 has it; and colour-science's own solution."""
    import colour

    assert cm.munsell_value(y) == pytest.approx(value, abs=0.01)
    assert cm.munsell_value(y) == pytest.approx(
        float(colour.munsell_value(100 * y, method="ASTM D1535")), abs=0.01
    )


@pytest.mark.parametrize(
    ("name", "kelvin"), [("A", 2856), ("D50", 5003), ("D55", 5503), ("D65", 6504)]
)
def test_colour_temperature(name, kelvin):
    """Their temperatures: CIE 15:2018, 4.1."""
    assert abs(cm.colour_temperature(np.array(ILLUMINANTS[name])) - kelvin) < 20
