"""Colour differences against published figures and independent implementations.

Sources: Sharma, Wu, Dalal 2005 (Color Res. Appl. 30, 21) Table 1; scikit-image and
colour-science as independent implementations of CIEDE2000 and of CIE94.
"""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
import pytest
from colour.difference.delta_e import intermediate_attributes_CIE2000
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede94, deltaE_ciede2000

from calibration.colour import difference as cd
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab

DATA = Path(__file__).parents[2] / "data"


def sharma() -> np.ndarray:
    return np.loadtxt(DATA / "sharma2005.csv", delimiter=",", skiprows=2)


def random_labs(count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.stack([rng.uniform(0, 100, count), *rng.uniform(-128, 128, (2, count))], axis=-1)


def off_opposite(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """How far two hues are from 180 degrees apart, in degrees, by plain angles."""
    hues = [np.rad2deg(np.arctan2(lab[..., 2], lab[..., 1])) for lab in (one, two)]
    return np.abs(np.abs(hues[0] - hues[1]) - 180.0)


@pytest.mark.parametrize("row", sharma(), ids=lambda r: f"pair{int(r[0])}")
def test_ciede2000_of_the_published_table(row):
    """All 34 pairs as printed (four decimals), both ways round. Pairs 10 and 14 have hues
    exactly 180 degrees apart, where the mean hue of the formula jumps: the published side is
    taken, so no second figure is accepted."""
    one, two, expected = row[1:4], row[4:7], row[7]
    for value in (cd.delta_e_2000(one, two), cd.delta_e_2000(two, one)):
        assert float(value) == pytest.approx(expected, abs=5.1e-5)


@pytest.mark.parametrize("kind", ["far", "near", "pale"])
def test_ciede2000_is_that_of_two_libraries(kind):
    """100,000 random pairs to 1e-9. Where hues are 180 degrees apart to within the rounding of
    an angle, the libraries' last bit decides for one side and ours for the stated one; such
    pairs would be left out here, and random ones never are among them."""
    one = random_labs(100_000, 1)
    rng = np.random.default_rng(2)
    two = random_labs(100_000, 3)
    if kind == "near":
        two = one + rng.normal(0, 1, one.shape)
    if kind == "pale":
        one, two = one * (1, 0.02, 0.02), two * (1, 0.02, 0.02)
    plain = off_opposite(one, two) > 1e-10
    assert plain.all()
    ours = cd.delta_e_2000(one, two)
    np.testing.assert_allclose(ours, deltaE_ciede2000(one, two), rtol=0, atol=1e-9)
    theirs = colour.difference.delta_E_CIE2000(one, two)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)


def test_ciede2000_is_the_same_both_ways_round():
    one, two = random_labs(20_000, 4), random_labs(20_000, 5)
    np.testing.assert_array_equal(cd.delta_e_2000(one, two), cd.delta_e_2000(two, one))


def test_ciede2000_of_a_colour_with_itself_is_nothing():
    labs = np.vstack([random_labs(20_000, 6), np.zeros((1, 3)), [[100.0, 0.0, 0.0]]])
    np.testing.assert_array_equal(cd.delta_e_2000(labs, labs), 0.0)


def test_ciede2000_of_greys():
    """Two greys differ in lightness alone; a grey beside a colour has no hue of its own. Both
    against the libraries, and signed zeros make no difference."""
    rng = np.random.default_rng(7)
    grey = np.stack([rng.uniform(0, 100, 500), np.zeros(500), np.zeros(500)], axis=-1)
    other = grey[::-1]
    for two in (other, random_labs(500, 8)):
        np.testing.assert_allclose(
            cd.delta_e_2000(grey, two), deltaE_ciede2000(grey, two), rtol=0, atol=1e-9
        )
        np.testing.assert_array_equal(
            cd.delta_e_2000(grey * (1, -1, -1), two), cd.delta_e_2000(grey, two)
        )


def test_ciede2000_where_hues_are_opposite():
    """Exactly opposite hues, also where decimals are rounded to binary: the side of the mean
    hue with a' <= 0, both ways round, and never a value in between. The expected value is the
    library's for a hue turned by a millionth of a degree towards that side."""
    angle = np.deg2rad(np.arange(0.0, 360.0, 7.5))
    direction = np.stack([np.zeros_like(angle), np.cos(angle), np.sin(angle)], axis=-1)
    one = np.array([60.0, 0.0, 0.0]) + 13.7 * direction
    two = np.array([52.0, 0.0, 0.0]) - 3 * 13.7 * direction / 7
    # Turn the second colour a little so that the shorter way round leads over a' < 0.
    small = np.deg2rad(1e-6) * np.where(np.sin(angle) >= 0, -1, 1)
    small[np.isclose(angle, np.pi)] = np.deg2rad(1e-6)
    a, b = two[:, 1], two[:, 2]
    turned = np.stack(
        [two[:, 0], a * np.cos(small) - b * np.sin(small), a * np.sin(small) + b * np.cos(small)],
        axis=-1,
    )
    expected = deltaE_ciede2000(one, turned)
    np.testing.assert_allclose(cd.delta_e_2000(one, two), expected, rtol=0, atol=2e-5)
    np.testing.assert_array_equal(cd.delta_e_2000(one, two), cd.delta_e_2000(two, one))


def test_ciede2000_broadcasts_and_refuses_what_is_no_lab():
    many = cd.delta_e_2000(np.array([50, 0, 0]), [[[50, 0, 0]], [[51, 0, 0]]])
    assert many.shape == (2, 1)
    assert many[0, 0] == 0
    with pytest.raises(ValueError, match="axis of three"):
        cd.delta_e_2000(np.zeros(2), np.zeros(2))
    with pytest.raises(ValueError, match="broadcast"):
        cd.delta_e_2000(np.zeros((2, 3)), np.zeros((3, 3)))


def test_local_metric_is_the_second_order_of_ciede2000():
    """A step of a thousandth: the metric's length is scikit-image's CIEDE2000 to 0.1 %, all
    round the hues, the saturated blues with their rotation and near greys included."""
    labs = random_labs(20_000, 9)
    labs[::4, 1:] *= 0.02
    step = np.random.default_rng(10).normal(0, 1e-3, labs.shape)
    seen = deltaE_ciede2000(labs, labs + step)
    np.testing.assert_allclose(cd.local_distance(labs, step), seen, rtol=1e-3)


def test_local_metric_follows_ciede2000_for_differences_as_patches_miss_by():
    """Steps of about 0.7 Delta E: the metric is of the second order, so a few per cent."""
    rng = np.random.default_rng(2)
    lab = np.column_stack([rng.uniform(15, 95, 400), rng.normal(0, 25, (400, 2))])
    step = rng.normal(0, 0.4, (400, 3))
    ratio = cd.local_distance(lab, step) / cd.delta_e_2000(lab, lab + step)
    assert 0.98 < np.median(ratio) < 1.02
    assert np.quantile(ratio, 0.05) > 0.95
    assert np.quantile(ratio, 0.95) < 1.05


def test_lch_metric_gives_the_parts_of_the_formula():
    """Lightness, chroma and hue over their weights, as colour-science works them out."""
    labs = random_labs(2_000, 17)
    labs = labs[np.hypot(labs[:, 1], labs[:, 2]) > 1]
    step = np.random.default_rng(18).normal(0, 1e-3, labs.shape)
    seen = intermediate_attributes_CIE2000(labs, labs + step)
    parts = [seen.delta_L_p / seen.S_L, seen.delta_C_p / seen.S_C, seen.delta_H_p / seen.S_H]
    ours = (cd.lch_metric(labs) @ step[..., None])[..., 0]
    np.testing.assert_allclose(ours, np.stack(parts, axis=-1), rtol=2e-3, atol=2e-6)


def test_local_metric_at_a_grey_weighs_all_hues_alike():
    """On the axis itself, and at its limit: the same quadratic form."""
    form = [w.T @ w for w in cd.local_metric(np.array([[50.0, 0, 0], [50, -1e-7, 1e-7]]))]
    np.testing.assert_allclose(form[0], np.diag([1.0, 2.25, 1.0]), atol=1e-12)
    np.testing.assert_allclose(form[1], form[0], atol=1e-6)


def test_cie94_metric_is_cie94():
    """At one colour, for a small step: the length is CIE94 of scikit-image with that colour
    as the reference; k_L divides lightness. Steps are a thousandth, as the library takes dH*
    from a difference of squares, and a thousandth of a chroma of 1 is as near as lines get."""
    labs = random_labs(5_000, 11)
    labs = labs[np.hypot(labs[:, 1], labs[:, 2]) > 1]
    step = np.random.default_rng(12).normal(0, 1e-3, labs.shape)
    for k_l in (1.0, 1.1):
        length = np.linalg.norm((cd.cie94_metric(labs, k_l) @ step[..., None])[..., 0], axis=-1)
        seen = deltaE_ciede94(labs, labs + step, kL=k_l)
        np.testing.assert_allclose(length, seen, rtol=1e-3)


@given(st.tuples(*[st.floats(5, 95), st.floats(-90, 90), st.floats(-90, 90)] * 2))
def test_differences_of_cie_15(values):
    one, two = np.array(values[:3]), np.array(values[3:])
    d_l, d_c, d_h = cd.lch_difference(one, two)
    total = np.sum((two - one) ** 2)
    assert d_l**2 + d_c**2 + d_h**2 == pytest.approx(total, rel=1e-6, abs=1e-6)
    assert d_c == pytest.approx(np.hypot(*two[1:]) - np.hypot(*one[1:]))


def test_lch_difference_is_that_of_the_library():
    one, two = random_labs(200, 13), random_labs(200, 14)
    lch_1, lch_2 = colour.models.Lab_to_LCHab(one), colour.models.Lab_to_LCHab(two)
    for i in range(200):
        d_l, d_c, d_h = cd.lch_difference(one[i], two[i])
        turn = (lch_2[i, 2] - lch_1[i, 2] + 180) % 360 - 180
        expected_h = 2 * np.sqrt(lch_1[i, 1] * lch_2[i, 1]) * np.sin(np.deg2rad(turn) / 2)
        assert d_l == pytest.approx(lch_2[i, 0] - lch_1[i, 0], abs=1e-9)
        assert d_c == pytest.approx(lch_2[i, 1] - lch_1[i, 1], abs=1e-9)
        assert d_h == pytest.approx(expected_h, abs=1e-6)


def test_lab_by_xyz_is_the_slope_of_the_library():
    """Central differences of colour-science's XYZ to Lab, the straight part near black too."""
    xyz = lab_to_xyz(random_labs(500, 15) * (1, 0.3, 0.3))
    xyz[:100] = np.random.default_rng(16).uniform(0, 0.006, (100, 3))
    white = lab_to_xyz(np.array([100.0, 0.0, 0.0]))
    xy = white[:2] / white.sum()
    slopes = cd.lab_by_xyz(xyz)
    for j in range(3):
        h = np.zeros(3)
        h[j] = 1e-7
        up, down = (colour.XYZ_to_Lab(x, xy) for x in (xyz + h, xyz - h))
        np.testing.assert_allclose(slopes[..., j], (up - down) / 2e-7, rtol=1e-4, atol=1e-3)
    assert xyz_to_lab(white) == pytest.approx([100, 0, 0])
