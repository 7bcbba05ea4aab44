"""Munsell notation against the chips of the renotation (Newhall, Nickerson, Judd 1943, J. Opt.
Soc. Am. 33, 385), as colour-science carries them."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.colour.notation import Notation, _place, hue_name, notation
from calibration.colour.spaces import WHITE_D50, adaptation, xyz_to_lab
from calibration.colour.spectral_files import colour_science


def lab_of_chip(name: str) -> np.ndarray:
    """Lab D50 of a chip: its xyY under illuminant C, moved to D50 by Bradford."""
    colour = colour_science()
    white = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["C"])
    xyz = colour.xyY_to_XYZ(colour.notation.munsell_colour_to_xyY(name))
    return xyz_to_lab(adaptation(np.asarray(white), WHITE_D50) @ xyz)


@pytest.mark.slow
@pytest.mark.parametrize(
    "chip", ["5R 5/8", "10YR 7/10", "2.5GY 6/4", "5BG 4/6", "7.5PB 3/10", "5P 8/4", "2.5RP 5/12"]
)
def test_a_chip_is_called_by_its_name(chip):
    found = notation(lab_of_chip(chip), np.full(3, 0.5))
    hue, rest = chip.split()
    value, chroma = map(float, rest.split("/"))
    number, family = float(hue.rstrip("RYGBP")), hue.lstrip("0123456789.")
    assert found.text == f"{number:.1f}{family} {value:.1f}/{chroma:.1f}"
    assert found.value == pytest.approx(value, abs=0.02)
    low, high = found.chroma_95
    assert low < chroma < high
    # Lightness is Y's: half a unit of L* moves no hue; a* and b* move it by their share of it.
    half = (found.hue_95[1] - found.hue_95[0]) % 100 / 2
    assert 0.05 < half < 10 / chroma


@pytest.mark.slow
def test_the_interval_is_that_of_draws():
    """Against the library's own notations of 24 draws of the colour."""
    lab, u95 = np.array([50.0, 30.0, 20.0]), np.array([1.0, 3.0, 2.0])
    found = notation(lab, u95)
    draws = lab + np.random.default_rng(5).normal(size=(24, 3)) * u95 / 1.96
    x, y = np.array([_place(one)[1:] for one in draws]).T
    chroma, hue = np.hypot(x, y), np.arctan2(y, x) * 50 / np.pi
    half = (found.chroma_95[1] - found.chroma_95[0]) / 2
    assert half == pytest.approx(1.96 * chroma.std(), rel=0.3)
    half = (found.hue_95[1] - found.hue_95[0]) / 2
    assert half == pytest.approx(1.96 * hue.std(), rel=0.3)


def test_no_hue_is_told_near_grey_and_where_the_chips_end():
    neutral = notation(np.array([79.0, 0.0, 0.0]), np.full(3, 0.1))
    assert neutral.text == "N 7.8"
    assert neutral.hue is None
    assert "grey" in neutral.why
    unsure = notation(np.array([50.0, 1.0, 0.0]), np.full(3, 3.0))
    assert unsure.text.startswith("- 4.9/")
    assert unsure.chroma_95[0] == 0
    for beyond in ([20.0, 60.0, -90.0], [5.0, 1.0, 1.0], [0.0, 0.0, 0.0]):
        found = notation(np.array(beyond), np.full(3, 1.0))
        assert (found.hue, found.chroma) == (None, None)
        assert "beyond" in found.why
        assert 0 <= found.value < 2.5


@pytest.mark.parametrize(
    ("steps", "name"),
    [(0, "10.0RP"), (100, "10.0RP"), (99.97, "10.0RP"), (0.04, "10.0RP"), (10, "10.0R"),
     (10.1, "0.1YR"), (7.62, "7.6R"), (55, "5.0BG"), (75, "5.0PB")],
)  # fmt: skip
def test_hues_are_named_round_the_circle(steps, name):
    assert hue_name(steps) == name


def test_a_notation_is_written_as_it_is_spoken():
    assert Notation(4.87, 7.63, (6.0, 8.0), 6.75, (6.0, 7.0)).text == "7.6R 4.9/6.8"
