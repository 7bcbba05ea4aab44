"""The correction fitted to a card, on readings made from a known camera (no pictures).

Outside facts: leave-one-out by leverage is exact for linear least squares (Allen 1974,
Technometrics 16, 125); root-polynomial features scale with exposure (Finlayson, Mackiewicz,
Hurlbert 2015); the metric's agreement with CIEDE2000 is checked against scikit-image."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from calibration import tonemap
from calibration.card import builtin_cards
from calibration.colorimetry import (
    SRGB_TO_XYZ_D50,
    delta_e_2000,
    lab_to_xyz,
    srgb_decode,
    srgb_encode,
    xyz_to_lab,
)
from calibration.correction import correct
from calibration.errors import PhotoUnfit
from calibration.illumination import LightSamples
from calibration.patches import PatchReadings

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


def test_exposure_does_not_change_the_colour():
    """Colours keep when the light on the strip is not that on the card: features are of the
    first degree in light."""
    light = np.array([[0.3, 0.2, 0.1]])
    np.testing.assert_allclose(
        tonemap.features(0.37 * light), 0.37 * tonemap.features(light), rtol=1e-12
    )


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
        members = made.ensemble_xyz_d50(rgb, made.field.log_gain(xy))[:, 0]
        said.append(xyz_to_lab(members).std(axis=0))
    real, claimed = np.std(results, axis=0), np.mean(said, axis=0)
    assert np.all(claimed / real > 0.5), (claimed, real)
    assert np.all(claimed / real < 2.0), (claimed, real)


def test_metric_follows_ciede2000():
    """For small differences; the blue rotation term is left out on purpose, so blues with
    mixed chroma and hue differences may deviate more."""
    rng = np.random.default_rng(2)
    lab = np.column_stack([rng.uniform(15, 95, 400), rng.normal(0, 25, (400, 2))])
    step = rng.normal(0, 0.4, (400, 3))
    ours = np.linalg.norm(np.einsum("nij,nj->ni", tonemap.metric(lab), step), axis=1)
    ratio = ours / delta_e_2000(lab, lab + step)
    assert 0.9 < np.median(ratio) < 1.1
    assert np.quantile(ratio, 0.05) > 0.7
    assert np.quantile(ratio, 0.95) < 1.35


@pytest.mark.parametrize("scale", [1e-3, 0.1, 0.9])
def test_slopes_are_the_derivatives(scale):
    light = np.array([[0.5, 0.3, 0.2]]) * scale
    step = 1e-6
    for k in range(3):
        moved = light.copy()
        moved[0, k] *= 1 + step
        numeric = (tonemap.features(moved) - tonemap.features(light)) / step
        np.testing.assert_allclose(numeric[0], tonemap.feature_slopes(light)[0, :, k], rtol=2e-5)
        xyz = light.copy()
        moved = xyz.copy()
        moved[0, k] += 1e-7
        numeric = (xyz_to_lab(moved) - xyz_to_lab(xyz)) / 1e-7
        np.testing.assert_allclose(numeric[0], tonemap.lab_slopes(xyz)[0, :, k], rtol=1e-3)


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
