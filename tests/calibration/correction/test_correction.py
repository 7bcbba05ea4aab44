"""The correction fitted to a card, on readings made from a known camera (no pictures).

Outside facts: leave-one-out by leverage is exact for linear least squares (Allen 1974,
Technometrics 16, 125); root-polynomial features scale with exposure (Finlayson, Mackiewicz,
Hurlbert 2015); the metric's agreement with CIEDE2000 is checked against scikit-image."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.card.toml import builtin_cards
from calibration.colour.difference import delta_e_2000, lab_by_xyz, local_metric
from calibration.colour.spaces import (
    SRGB_TO_XYZ_D50,
    lab_to_xyz,
    srgb_decode,
    srgb_encode,
    xyz_to_lab,
)
from calibration.correction import map_choice as mapchoice
from calibration.correction import map_fit as mapfit
from calibration.correction import tone_curve as tonemap
from calibration.correction.correct import correct
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.lamp_field import fit_field, light_on_card
from calibration.correction.patches import PatchReadings
from calibration.errors import PhotoUnfit

SLIP = dataclasses.replace(
    builtin_cards()[0],
    provenance="measured",
    patches=tuple(
        dataclasses.replace(p, u_lab=(0.3, 0.3, 0.3)) for p in builtin_cards()[0].patches
    ),
)
CENTRES = SLIP.rects_mm[:, :2] + SLIP.rects_mm[:, 2:] / 2
CAMERA = np.array([[0.85, 0.2, -0.05], [0.08, 0.9, 0.02], [0.0, 0.15, 0.8]])


def camera_rgb(lab: np.ndarray, tone: float = 0.3, exposure: float = 0.8, flat=True, xy=None):
    """Lab D50 -> photo's linear RGB: a linear camera, an S curve on the encoded value."""
    linear = lab_to_xyz(lab) @ np.linalg.inv(SRGB_TO_XYZ_D50).T @ CAMERA.T * exposure
    if not flat:
        linear = linear * lamp(xy)
    encoded = np.clip(srgb_encode(linear), 0.002, 1)
    encoded = encoded - tone * np.sin(2 * np.pi * encoded) / (2 * np.pi)
    return srgb_decode(encoded)


def lamp(xy: np.ndarray) -> np.ndarray:
    """A fall-off of about 15 % over the card, a little warmer on one side."""
    slope = np.array([[0.0006, 0.0005, 0.0003], [0.0012, 0.0011, 0.0010]])
    return np.exp((xy - CENTRES.mean(axis=0)) @ slope)


def inputs(rgb: np.ndarray):
    count = len(rgb)
    readings = PatchReadings(
        rgb, np.full((count, 3), 1e-4), np.zeros(count), CENTRES,
        np.ones(count, bool), np.zeros(count),
    )  # fmt: skip
    white = SLIP.with_role("white")
    samples = LightSamples(
        rgb[white], CENTRES[white], np.zeros(white.sum(), int), np.full((2, 2), -1), (0, 0), 4.0
    )
    return readings, samples


@pytest.mark.parametrize("tone", [0.0, 0.2, 0.35])
def test_unknown_tone_curve_and_camera_are_undone(tone):
    """Better than 0.5 Delta E where white balance alone leaves several."""
    rgb = camera_rgb(SLIP.lab_d50, tone)
    made = correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50)
    assert made.held_out_median < 0.5
    assert made.white_balance_de_median > 2 * made.held_out_median
    rng = np.random.default_rng(3)
    unseen = np.column_stack([rng.uniform(30, 85, 40), rng.uniform(-25, 25, (40, 2))])
    xy = np.tile(CENTRES.mean(axis=0), (40, 1))
    got = xyz_to_lab(made.xyz_d50(made.light(camera_rgb(unseen, tone), xy)))
    assert np.median(delta_e_2000(got, unseen)) < 0.6


def test_lamp_fall_off_is_taken_out():
    rgb = camera_rgb(SLIP.lab_d50, 0.25, 0.7, flat=False, xy=CENTRES)
    made = correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50)
    gain = made.field.log_gain(CENTRES)
    error = gain - np.log(lamp(CENTRES))
    assert np.abs(error - error.mean(axis=0)).max() < 0.012
    assert made.held_out_median < 0.6


def test_root_terms_scale_with_exposure():
    """Features of the first degree in light (Finlayson, Mackiewicz, Hurlbert 2015)."""
    light = np.array([[0.3, 0.2, 0.1]])
    first = [*range(6)]
    np.testing.assert_allclose(
        tonemap.features(0.37 * light)[:, first], 0.37 * tonemap.features(light)[:, first]
    )


@pytest.mark.parametrize("darker", [0.75, 1.2])
def test_other_light_on_a_strip_hardly_changes_its_colour(darker):
    """The small terms of other degrees do not undo that: XYZ of a strip whose light is told
    apart scales with it to within half a Delta E."""
    made = correct(*inputs(camera_rgb(SLIP.lab_d50)), SLIP, SRGB_TO_XYZ_D50)
    rng = np.random.default_rng(4)
    unseen = np.column_stack([rng.uniform(35, 75, 30), rng.uniform(-25, 25, (30, 2))])
    light = made.light(camera_rgb(unseen), np.tile(CENTRES.mean(axis=0), (30, 1)))
    here, there = made.xyz_d50(light), made.xyz_d50(darker * light) / darker
    assert np.median(delta_e_2000(xyz_to_lab(here), xyz_to_lab(there))) < 0.5


def test_a_spoiled_patch_is_left_out_and_named():
    rgb = camera_rgb(SLIP.lab_d50)
    index = [p.name for p in SLIP.patches].index("B5")
    rgb[index] *= 1.8  # light by far, but even in itself: a changed patch of a measured card
    made = correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50)
    assert made.dropped == ("B5",)
    assert [f.code for f in made.flags] == ["patch-drifted"]
    assert made.held_out_median < 0.5
    as_drawn = dataclasses.replace(SLIP, provenance="nominal")
    made = correct(*inputs(rgb), as_drawn, SRGB_TO_XYZ_D50)
    assert made.dropped == ("B5",)
    assert [f.code for f in made.flags] == ["nominal-card", "patches-left-out"]


def drops(rgb: np.ndarray) -> tuple[str, ...]:
    return correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50).dropped


NAMES = [p.name for p in SLIP.patches]
COLOURED = np.flatnonzero(~SLIP.with_role("white"))


def noisy(seed: int) -> np.ndarray:
    """Readings of a clean card: values off by the instrument's 0.4, noise, a random S."""
    rng = np.random.default_rng(seed)
    rgb = camera_rgb(SLIP.lab_d50 + rng.normal(0, 0.4, SLIP.lab_d50.shape), rng.uniform(0, 0.35))
    return rgb * np.exp(rng.normal(0, 0.004, rgb.shape))


def test_clean_cards_lose_hardly_a_patch():
    """Fewer than one patch in a hundred, over cards with noise."""
    lost = sum(len(drops(noisy(seed))) for seed in range(12))
    assert lost < 0.01 * 12 * len(NAMES)


@pytest.mark.slow
def test_glare_of_ten_delta_e_is_found_and_the_rest_unharmed():
    """White light added to one patch until it is 10 Delta E off (CIEDE2000)."""
    rng = np.random.default_rng(8)
    found, harm = 0, []
    for _ in range(20):
        i = int(rng.choice(COLOURED))
        xyz, white = lab_to_xyz(SLIP.lab_d50[i]), lab_to_xyz(np.array([100.0, 0, 0]))
        low, high = 0.0, 1.0
        for _turn in range(30):
            share = (low + high) / 2
            glared = xyz_to_lab(xyz + share * white)
            low, high = (
                (share, high) if delta_e_2000(glared, SLIP.lab_d50[i]) < 10 else (low, share)
            )
        lab = SLIP.lab_d50.copy()
        lab[i] = glared
        spoiled = correct(*inputs(camera_rgb(lab)), SLIP, SRGB_TO_XYZ_D50)
        clean = correct(*inputs(camera_rgb(SLIP.lab_d50)), SLIP, SRGB_TO_XYZ_D50)
        found += spoiled.dropped == (NAMES[i],)
        others = np.arange(len(NAMES)) != i
        moved = delta_e_2000(*(
            xyz_to_lab(c.xyz_d50(c.light(camera_rgb(SLIP.lab_d50), CENTRES)))
            for c in (spoiled, clean)
        ))[others]  # fmt: skip
        harm.append(float(np.median(moved)))
    assert found >= 19
    assert max(harm) < 0.3


@pytest.mark.parametrize("dirt", [0.6, 0.75])
def test_dirt_is_found(dirt):
    rgb = noisy(1)
    rgb[NAMES.index("D6")] *= dirt
    assert drops(rgb) == ("D6",)


@pytest.mark.parametrize("corner", [(0.0, 0.0), (150.0, 0.0), (150.0, 50.0)])
def test_a_shadow_on_a_corner_is_found_and_the_rest_unharmed(corner):
    """Six patches in 30 % less light, whites among them."""
    near = np.argsort(np.abs(CENTRES - corner).sum(axis=1))[:6]
    rgb = camera_rgb(SLIP.lab_d50)
    rgb[near] *= 0.7
    made = correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50)
    assert set(made.dropped) == {NAMES[i] for i in near}
    assert [f.code for f in made.flags if f.code != "nominal-card"] == ["shadow-on-card"]
    assert np.nanmedian(made.held_out_de) < 0.5
    assert np.abs(made.field.log_gain(CENTRES)).max() < 0.05


@pytest.fixture(scope="module")
def problem():
    """A card of 50 colours with noise, seen by the camera through a mild curve."""
    rgb, lab = noisy(5), SLIP.lab_d50
    weights = local_metric(lab)
    u = np.full(len(lab), 0.3)
    return as_problem(
        rgb, lab, np.full(len(lab), 0.7), mapfit.reference_covariance(lab, u, weights)
    )


def as_problem(rgb, lab, sigma, smooth) -> mapfit.Problem:
    """A fit's data where no paper tells of the light."""
    samples = inputs(rgb)[1]
    light = fit_field(samples, samples.rgb, paper_only=True)
    gain = lab_to_xyz(SLIP.lab_d50[0]) @ np.linalg.inv(SRGB_TO_XYZ_D50).T / rgb[0]
    return mapfit.Problem(
        rgb=rgb, centre_mm=CENTRES, light=light,
        on_card=light_on_card(light, samples, samples.rgb), lab=lab,
        metric=local_metric(SLIP.lab_d50), sigma=sigma, smooth=smooth,
        balanced=SRGB_TO_XYZ_D50 * gain, basis=tonemap.tone_basis(rgb),
        kept=np.ones(len(lab)), level=float(rgb[0].mean()),
    )  # fmt: skip


@pytest.mark.parametrize("candidate", [mapfit.DRAWN[1], mapfit.DRAWN[3], *mapfit.MEASURED])
def test_held_out_by_leverage_agrees_with_true_refits(problem, candidate):
    """PRESS is exact for linear least squares (Allen 1974); here weights are robust and the
    model is not linear, so it must agree on the whole."""
    whole = mapfit.fit(problem, candidate, problem.centre)
    told, real = [], []
    for i in COLOURED[::3]:
        kept = np.ones(len(NAMES))
        kept[i] = 0.0
        part = mapfit.fit(dataclasses.replace(problem, kept=kept), candidate, whole.theta)
        real.append(part.residual[i])
        told.append(whole.held_out[i])
    told, real = np.array(told), np.array(real)
    assert np.corrcoef(told.ravel(), real.ravel())[0, 1] > 0.95
    sizes = np.linalg.norm(told, axis=1), np.linalg.norm(real, axis=1)
    assert np.median(sizes[0]) == pytest.approx(np.median(sizes[1]), rel=0.15)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), noise=st.floats(0.0, 12.0), tone=st.floats(-0.5, 0.6))
def test_the_curve_rises_whatever_the_card(seed, noise, tone):
    """Also for readings that fit no curve, and for every member of the ensemble; not only on
    a grid: ``least_slope`` is a bound (below)."""
    rng = np.random.default_rng(seed)
    rgb = camera_rgb(SLIP.lab_d50 + rng.normal(0, noise, SLIP.lab_d50.shape), tone)
    rgb = np.clip(rgb, 1e-5, 1.0)
    for card in (SLIP, builtin_cards()[0]):
        made = correct(*inputs(rgb), card, SRGB_TO_XYZ_D50)
        u = np.linspace(1e-4, 1, 3000)
        for curve in (made.tone, *made.members[:, : tonemap.KNOTS][::16]):
            assert np.all(np.diff(np.log(u) + tonemap.tone_basis(u) @ curve) > 0)
        assert np.all(tonemap.least_slope(made.members[:, : tonemap.KNOTS]) > 0)


def test_least_slope_is_a_lower_bound():
    rng = np.random.default_rng(6)
    w = np.linspace(0.02, 1, 2000)
    for tone in rng.normal(0, 0.4, (40, tonemap.KNOTS)):
        log_light = 3 * np.log(w) + tonemap.tone_basis(w**3) @ tone
        slope = np.gradient(log_light, w) * w / 3
        assert tonemap.least_slope(tone) <= slope.min() + 1e-3


def test_surprise_is_chi_square_when_nothing_is_wrong():
    """Its mean is the number of degrees of freedom (three), for errors drawn from the very
    covariance (Rasmussen and Williams 2006, 5.4.2)."""
    lab, weights = SLIP.lab_d50, local_metric(SLIP.lab_d50)
    u = np.full(len(lab), 2.5)
    smooth = mapfit.reference_covariance(lab, u, weights)
    root = np.linalg.cholesky(smooth)
    values = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        error = np.stack([root[a] @ rng.standard_normal(len(lab)) for a in range(3)], axis=-1)
        moved = lab + np.linalg.solve(weights, error[..., None])[..., 0]
        rgb = camera_rgb(lab, 0.0)
        problem = as_problem(rgb, moved, np.sqrt(u**2 + mapfit.MODEL_FLOOR**2), smooth)
        fit = mapfit.fit(problem, mapfit.DRAWN[1], problem.centre)
        values.append(mapchoice.surprise(problem, fit).mean())
    assert 2.0 < np.mean(values) < 4.0, values


def test_a_wrong_card_gives_no_verdict():
    rgb = camera_rgb(SLIP.lab_d50)[np.random.default_rng(1).permutation(len(SLIP.patches))]
    made = correct(*inputs(rgb), SLIP, SRGB_TO_XYZ_D50)
    assert any(f.code == "card-unusable" and f.hard for f in made.flags)


def test_too_few_patches_is_explained():
    readings, samples = inputs(camera_rgb(SLIP.lab_d50))
    usable = np.zeros(len(SLIP.patches), bool)
    usable[:10] = True
    with pytest.raises(PhotoUnfit, match="only 10 of 50"):
        correct(dataclasses.replace(readings, usable=usable), samples, SLIP, SRGB_TO_XYZ_D50)


@pytest.mark.slow
def test_ensemble_covers_the_noise_of_the_card():
    """Repeat with other noise on the card: the spread of a colour over the repeats is what
    one ensemble says, within a factor of two."""
    colour = np.array([[60.0, -20.0, -25.0]])
    xy = CENTRES.mean(axis=0, keepdims=True)
    results, said = [], []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        lab = SLIP.lab_d50 + rng.normal(0, 1.0, SLIP.lab_d50.shape)
        made = correct(*inputs(camera_rgb(lab)), SLIP, SRGB_TO_XYZ_D50)
        rgb = camera_rgb(colour)
        results.append(xyz_to_lab(made.xyz_d50(made.light(rgb, xy)))[0])
        members = made.ensemble_xyz_d50(rgb, xy)[:, 0]
        said.append(xyz_to_lab(members).std(axis=0))
    real, claimed = np.std(results, axis=0), np.mean(said, axis=0)
    assert np.all(claimed / real > 0.5), (claimed, real)
    assert np.all(claimed / real < 2.0), (claimed, real)


@pytest.mark.parametrize("scale", [1e-3, 0.1, 0.9])
def test_slopes_are_the_derivatives(scale):
    light = np.array([[0.5, 0.3, 0.2]]) * scale
    step = 1e-6
    for k in range(3):
        moved = light.copy()
        moved[0, k] *= 1 + step
        numeric = (tonemap.features(moved) - tonemap.features(light)) / step
        slopes = tonemap.feature_slopes(tonemap.features(light))
        np.testing.assert_allclose(numeric[0], slopes[0, :, k], rtol=2e-5, atol=1e-9)
        xyz = light.copy()
        moved = xyz.copy()
        moved[0, k] += 1e-7
        numeric = (xyz_to_lab(moved) - xyz_to_lab(xyz)) / 1e-7
        np.testing.assert_allclose(numeric[0], lab_by_xyz(xyz)[0, :, k], rtol=1e-3)


def test_tone_basis_sums_to_one_and_is_smooth():
    u = np.linspace(0, 1, 1001) ** 3
    basis = tonemap.tone_basis(u)
    np.testing.assert_allclose(basis.sum(axis=1), 1.0, atol=1e-12)
    assert np.abs(np.diff(basis, axis=0)).max() < 0.02


def test_table_and_direct_tone_agree():
    rng = np.random.default_rng(0)
    tone = rng.normal(0, 0.3, tonemap.KNOTS)
    many = rng.random((4000, 3))
    direct = many * np.exp(tonemap.tone_basis(many) @ tone)
    np.testing.assert_allclose(tonemap.undo_tone(many, tone), direct, rtol=2e-5)


def test_a_patch_that_has_drifted_has_no_part_in_the_fit(monkeypatch):
    """What the flag says is done: its weight is zero, unless too many have drifted."""
    from calibration.correction import correct as correction

    seen = []
    real = correction._without_drifted

    def spy(problem, best, changed, candidates):
        marked = np.isin(np.arange(len(changed)), [3, 30])
        seen.append(real(problem, best, marked, candidates))
        seen.append(real(problem, best, np.ones_like(marked), candidates))
        return seen[0]

    monkeypatch.setattr(correction, "_without_drifted", spy)
    made = correct(*inputs(camera_rgb(SLIP.lab_d50)), SLIP, SRGB_TO_XYZ_D50)
    assert set(made.dropped) == {NAMES[3], NAMES[30]}
    (fewer, best), (all_still, _) = seen
    assert np.flatnonzero(fewer.kept == 0).tolist() == [3, 30]
    assert np.flatnonzero(best.weight == 0).tolist() == [3, 30]
    assert all_still.kept.all()
