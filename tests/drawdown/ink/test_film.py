"""Films of ink against published theory, an independent integration and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from film_formulas import over, reflectance_opaque, surface_constants, transmittance
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from drawdown.ink import film
from drawdown.ink.forward import mix_of

WIDE = st.floats(0, 1e6, allow_subnormal=False)
UNIT = st.floats(0, 1)


def hyperbolic(k: float, s: float, x: float, rg: float) -> float:
    """The film as Kubelka 1948 (J. Opt. Soc. Am. 38, 448) prints it, for ordinary values."""
    a = 1 + k / s
    b = math.sqrt(a * a - 1)
    coth = 1 / math.tanh(b * s * x)
    return (1 - rg * (a - b * coth)) / (a - rg + b * coth)


# Handed-down check values, computed in high precision from the formula of Kubelka 1948.
@pytest.mark.parametrize(
    ("k", "s", "x", "ground", "expected"),
    [
        (5, 5, 200, 0.8, 0.267949192431123),
        (0.5, 1, 1, 0.8, 0.435599835118526),
        (0.5, 1, 1, 0.0, 0.346546065857286),
        (2, 0, 0.5, 0.85, 0.115034990751121),
        (0, 1, 1, 0.0, 0.5),
        (0, 1, 1, 0.5, 0.666666666666667),
        (0.2, 2, 0.5, 0.85, 0.738176181313521),
        (3, 0.05, 0.4, 0.85, 0.0820588499226496),
        (3, 0.05, 0.4, 0.0, 0.00748260040529198),
    ],
)
def test_film_has_the_handed_down_values(k, s, x, ground, expected):
    assert film.reflectance(k, s, x, ground) == pytest.approx(expected, abs=1e-14)


def test_transmittance_has_the_handed_down_value():
    assert transmittance(0.5, 1, 1) == pytest.approx(0.283647630325559, abs=1e-14)


@pytest.mark.parametrize(("sx", "ratio"), [(1, 0.6), (5, 0.925926), (10, 0.974026), (20, 0.992063)])
def test_contrast_ratio_of_a_film_that_does_not_absorb(sx, ratio):
    """Over black against over 0.8; closed form of Kubelka 1948 for K = 0."""
    r = film.reflectance(0, 1, sx, [0.0, 0.8])
    assert r[0] / r[1] == pytest.approx(ratio, abs=5e-7)


@pytest.mark.parametrize(("r", "q"), [(0.5, 0.25), (0.2, 1.6), (0.1, 4.05), (0.8, 0.025)])
def test_k_over_s_of_an_opaque_film(r, q):
    """(1 - R)^2 / 2R, Kubelka and Munk 1931, as in Kubelka 1948."""
    assert film.k_over_s(r) == pytest.approx(q, abs=1e-15)
    assert reflectance_opaque(q, 1.0) == pytest.approx(r, abs=1e-15)


def test_opaque_reflectance_has_the_handed_down_values():
    expected = [0.267949192431123, 0.641742430504416]
    assert reflectance_opaque([1, 0.1], 1) == pytest.approx(expected, abs=1e-15)


def test_k_over_s_refuses_what_no_film_does_and_knows_black():
    assert film.k_over_s(0.0) == math.inf
    for value in (-0.01, 1.01):
        with pytest.raises(ValueError, match="between 0 and 1"):
            film.k_over_s(value)


def test_white_with_a_tenth_of_colour():
    """Additivity by parts (Duncan 1940, Proc. Phys. Soc. 52, 390)."""
    k, s = mix_of(np.array([90, 10]), np.array([[0.02], [40]]), np.array([[10], [1]]))
    assert k == pytest.approx([4.018])
    assert reflectance_opaque(k, s) == pytest.approx([0.403254716074499], abs=1e-14)


@pytest.mark.parametrize("ground", [0.0, 0.3, 0.85])
@pytest.mark.parametrize(("k", "s"), [(0.1, 0.0), (0.0, 3.0), (0.4, 1.3), (20, 0.6), (0.02, 4)])
def test_film_solves_the_differential_equation(k, s, ground):
    """dR/dx = S - 2(K + S)R + S R^2 (Kubelka and Munk 1931), integrated by scipy."""
    answer = solve_ivp(
        lambda _, r: s - 2 * (k + s) * r + s * r * r, (0, 1.7), [ground],
        method="LSODA", rtol=1e-11, atol=1e-13, dense_output=True,
    )  # fmt: skip
    x = np.linspace(0, 1.7, 9)
    assert film.reflectance(k, s, x, ground) == pytest.approx(answer.sol(x)[0], abs=1e-9)


@given(
    st.floats(1e-3, 20), st.floats(1e-2, 20), st.floats(0.05, 3), UNIT,
)  # fmt: skip
def test_stable_form_is_the_hyperbolic_form(k, s, x, ground):
    assert film.reflectance(k, s, x, ground) == pytest.approx(hyperbolic(k, s, x, ground), abs=1e-9)


@given(st.floats(0, 30), st.floats(0, 5), UNIT)
def test_a_film_that_only_absorbs_follows_lambert(k, x, ground):
    """Light goes down and up once: Rg exp(-2KX)."""
    expected = ground * math.exp(-2 * k * x)
    assert film.reflectance(k, 0, x, ground) == pytest.approx(expected, abs=1e-14)


@given(WIDE, WIDE, WIDE, UNIT)
@settings(max_examples=300)
def test_nothing_overflows_and_no_light_is_made(k, s, x, ground):
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        r, t = film.reflectance(k, s, x, ground), transmittance(k, s, x)
        opaque = reflectance_opaque(k, s)
        slopes = film.reflectance_slopes(k, s, x, ground)
    assert 0 <= r <= 1 + 1e-12
    assert 0 <= t <= 1 + 1e-12
    assert 0 <= opaque <= 1
    # Over black: what comes back and what goes through is no more than what fell in.
    assert film.reflectance(k, s, x, 0.0) + t <= 1 + 1e-9
    assert all(np.isfinite(v) for v in slopes)


@given(st.floats(0, 50), st.floats(1e-3, 50), st.floats(1e-3, 20), UNIT, st.floats(1.01, 3))
def test_more_of_it_goes_the_right_way(k, s, x, ground, more):
    r = film.reflectance(k, s, x, ground)
    assert film.reflectance(k * more + 1e-6, s, x, ground) <= r + 1e-12
    assert film.reflectance(k, s * more, x, 0.0) >= film.reflectance(k, s, x, 0.0) - 1e-12
    # A thicker film is nearer to its opaque colour.
    opaque = reflectance_opaque(k, s)
    assert abs(film.reflectance(k, s, x * more, ground) - opaque) <= abs(r - opaque) + 1e-12


@given(st.floats(1e-2, 30), st.floats(1e-2, 30), st.floats(0.1, 2), st.floats(0.05, 1))
def test_slopes_are_the_differences(k, s, x, ground):
    r, *slopes = film.reflectance_slopes(k, s, x, ground)
    assert r == pytest.approx(film.reflectance(k, s, x, ground), abs=1e-14)
    for i, slope in enumerate(slopes):
        high, low = [k, s, x], [k, s, x]
        h = 1e-5 * high[i]
        high[i] += h
        low[i] -= h
        change = film.reflectance(*high, ground) - film.reflectance(*low, ground)
        assert slope == pytest.approx(change / (2 * h), abs=2e-6 + 1e-5 * abs(slope))


def test_ground_shows_through_layers_as_kubelka_1954_says():
    """R12 = R1 + T1^2 R2 / (1 - R1 R2), J. Opt. Soc. Am. 44 (1954) 330: two films of the
    same ink are one film of their sum, and paper is a layer too."""
    k, s = np.array([0.1, 2.0, 0.0]), np.array([4.0, 0.0, 1.0])
    upper, through = film.reflectance(k, s, 0.4, 0.0), transmittance(k, s, 0.4)
    lower = film.reflectance(k, s, 0.9, 0.8)
    assert over(upper, through, lower) == pytest.approx(film.reflectance(k, s, 1.3, 0.8))


def test_film_from_two_grounds_has_the_handed_down_values():
    """Over black .30, over .80 .60: a 1.341666666666667, SX .540632814750459, KX
    .184716211706407 (Kubelka 1948, inverse formulas, high precision)."""
    kx, sx = film.film_from_two_grounds(0.30, 0.60, 0.80)
    assert sx == pytest.approx(0.540632814750459, abs=1e-13)
    assert kx == pytest.approx(0.184716211706407, abs=1e-13)
    assert 1 + kx / sx == pytest.approx(1.341666666666667, abs=1e-13)


@given(st.floats(0, 3), st.floats(0.01, 5), st.floats(0.3, 1))
def test_film_from_two_grounds_is_the_way_back(kx, sx, ground):
    over_black = film.reflectance(kx, sx, 1.0, 0.0)
    over_white = film.reflectance(kx, sx, 1.0, ground)
    if over_white - over_black < 1e-4:
        return  # as good as opaque: the ground no longer tells anything
    back = film.film_from_two_grounds(over_black, over_white, ground)
    # Nearly opaque films lose digits in the difference of the two readings.
    assert np.array(back) == pytest.approx([kx, sx], rel=1e-5, abs=1e-7)


def test_film_from_two_grounds_at_its_edges():
    kx, sx = film.film_from_two_grounds(
        [0.0, 0.5, 0.5, 0.6], [0.2, 2 / 3, 0.4, 0.99], [0.8, 0.5, 0.8, 0.8]
    )
    assert (kx[0], sx[0]) == pytest.approx((math.log(4) / 2, 0.0))  # only absorbs
    assert (kx[1], sx[1]) == pytest.approx((0.0, 1.0), abs=1e-7)  # only scatters
    assert np.isnan([kx[2], sx[2]]).all()  # darker over white than over black
    assert np.isnan([kx[3], sx[3]]).all()  # more light than fell in


def test_surface_has_the_handed_down_values():
    """Saunderson 1942 (J. Opt. Soc. Am. 32, 727), k1 .04, k2 .6, mirror reflection included."""
    inside_half = film.measured_from_internal(0.5, 0.04, 0.6, specular_included=True)
    assert inside_half == pytest.approx(0.314285714285714, abs=1e-14)
    seen_half = film.internal_from_measured(0.5, 0.04, 0.6, specular_included=True)
    assert seen_half == pytest.approx(0.696969696969697, abs=1e-14)
    included = film.measured_from_internal(0.37, 0.04, 0.6, specular_included=True)
    assert included - film.measured_from_internal(0.37, 0.04, 0.6) == pytest.approx(0.04)


@given(UNIT, st.floats(0, 0.1), st.floats(0, 0.8), st.booleans())
def test_surface_and_back(r, k1, k2, included):
    seen = film.measured_from_internal(r, k1, k2, included)
    assert film.internal_from_measured(seen, k1, k2, included) == pytest.approx(r, abs=1e-12)
    assert 0 <= seen <= 1 + 1e-12


def test_surface_constants_are_fresnels():
    """n 1.50: k1 .0400, k2 .5963, by numerical integration of Fresnel's equations over
    diffuse light inside (total reflection beyond the critical angle)."""
    n = 1.5
    sine = (np.arange(200_000) + 0.5) / 200_000  # of the angle inside
    inside, outside = np.sqrt(1 - sine**2), np.sqrt(np.maximum(0, 1 - (n * sine) ** 2))
    across = (n * inside - outside) / (n * inside + outside)
    along = (inside - n * outside) / (inside + n * outside)
    diffuse = np.mean((across**2 + along**2) / 2 * 2 * sine)
    k1, k2 = surface_constants(n)
    assert k1 == pytest.approx(0.04, abs=1e-15)
    assert k2 == pytest.approx(0.5963, abs=5e-5)
    assert k2 == pytest.approx(diffuse, abs=1e-5)


def test_shapes_broadcast():
    r = film.reflectance(np.ones((4, 1, 31)), np.ones(31), np.ones((3, 1)), 0.8)
    assert r.shape == (4, 3, 31)
    assert mix_of(np.ones((5, 2)), *np.ones((2, 2, 31)))[0].shape == (5, 31)
