"""The lamp's field on sheets with known light. Invented sheets; what is checked is that the
known light comes back, with cv2 and numpy alone in between."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.card.toml import builtin_cards
from calibration.correction.lamp_field import LampField, fit_field, flatten, on_card, sample_light
from calibration.correction.patches import read_patches
from calibration.locate.sheet import Sheet

SLIP, FRAME = builtin_cards()
SCALE = 3.0
X0, Y0, X1, Y1 = -30.0, -20.0, 180.0, 230.0


def make(light, *, paper=0.8, table=None, strips=(), card=SLIP, seed=0) -> Sheet:
    """A sheet: table, paper, strips, card; times ``light(x, y)`` (h, w, 3)."""
    columns, rows = round((X1 - X0) * SCALE), round((Y1 - Y0) * SCALE)
    x = X0 + (np.arange(columns) + 0.5) / SCALE
    y = Y0 + (np.arange(rows) + 0.5) / SCALE
    gx, gy = np.meshgrid(x, y)
    picture = np.full((rows, columns, 3), 0.3 if table is None else table, np.float32)
    picture[(gx > -20) & (gx < 170) & (gy > -12) & (gy < 220)] = paper
    for (a, b, w, h), colour in strips:
        picture[(gx >= a) & (gx < a + w) & (gy >= b) & (gy < b + h)] = colour
    width, height = card.size_mm
    picture[(gx > 0) & (gx < width) & (gy > 0) & (gy < height)] = 0.85
    rgb = np.linspace(0.05, 0.7, len(card.patches))
    for patch, value in zip(card.patches, rgb, strict=True):
        a, b, w, h = patch.rect_mm
        inside = (gx >= a) & (gx < a + w) & (gy >= b) & (gy < b + h)
        picture[inside] = 0.85 if patch.role == "white" else value
    picture = picture * light(gx, gy)
    picture *= np.random.default_rng(seed).normal(1, 0.01, picture.shape)
    zero = np.zeros(picture.shape[:2], np.float32)
    return Sheet(picture.astype(np.float32), zero == 0, zero, zero, (X0, Y0), SCALE)


def fit(sheet: Sheet, card=SLIP) -> LampField:
    samples = sample_light(sheet, card, read_patches(sheet, card))
    return fit_field(samples, samples.rgb)


def fall_off(gx, gy):
    base = np.exp(-0.0012 * gx - 0.0015 * gy - 2e-6 * (gx - 60) ** 2)
    return np.stack([base, base**0.9, base**0.7], axis=-1)


PLACES = np.array([[20.0, 120.0], [75.0, 150.0], [130.0, 190.0], [75.0, 100.0]])
STRIPS = [((10, 90, 22, 80), 0.2), ((65, 90, 22, 110), (0.1, 0.3, 0.5)), ((120, 100, 22, 100), 0.7)]


def relative(field: LampField) -> np.ndarray:
    """Light at the places against the first of them."""
    gain = field.log_gain(PLACES)
    return gain - gain[0]


def truth(light) -> np.ndarray:
    value = np.log([light(p[0], p[1]) for p in PLACES])
    return value - value[0]


@pytest.mark.parametrize("table", [0.05, 0.3, 0.78])
def test_smooth_fall_off_comes_back(table):
    sheet = make(fall_off, table=table, strips=STRIPS)
    field = fit(sheet)
    np.testing.assert_allclose(relative(field), truth(fall_off), atol=0.012)
    assert field.scatter < 0.012


def test_a_soft_shadow_over_the_paper_comes_back():
    def shade(gx, gy):
        edge = 1 / (1 + np.exp(-(gx - 100) / 6.0))
        value = 1 - 0.35 * edge
        return np.stack([value] * 3, axis=-1)

    field = fit(make(shade, strips=STRIPS))
    error = relative(field) - truth(shade)
    # Strips off the edge: followed. A strip on it: interpolated, and said to be unsure.
    assert np.abs(error[[0, 2]]).max() < 0.03
    said = field.scatter_at(PLACES)
    assert np.all(np.abs(error).max(axis=1) < 3 * said), (error, said)
    near, far = field.scatter_at(np.array([[100.0, 150.0], [20.0, 200.0]]))
    assert near > 3 * far


def test_a_light_tint_is_not_taken_for_paper():
    """A strip whose film runs from thick to thin has no say in the light."""

    def even(gx, gy):
        return np.ones((*np.shape(gx), 3))

    rows = [((60, 80 + 5 * k, 25, 5), 0.68 + 0.005 * k) for k in range(20)]
    field = fit(make(even, strips=rows))
    inside = field.log_gain(np.array([[72.0, 90.0], [72.0, 170.0]]))
    assert np.abs(inside).max() < 0.01


def test_flattening_makes_the_paper_even():
    sheet = make(fall_off, strips=STRIPS)
    flat = flatten(sheet, fit(sheet))
    corners = [(-15, 80, 12, 12), (150, 80, 12, 12), (-15, 200, 12, 12), (150, 200, 12, 12)]
    level = np.array([flat.rgb_linear[flat.window(c)].mean(axis=(0, 1)) for c in corners])
    before = np.array([sheet.rgb_linear[sheet.window(c)].mean(axis=(0, 1)) for c in corners])
    assert np.ptp(np.log(before), axis=0).max() > 0.2
    assert np.ptp(np.log(level), axis=0).max() < 0.02


def test_two_papers_keep_their_own_level():
    """A second sheet 10 % darker beside the first is another paper, not weaker light."""

    def even(gx, gy):
        return np.ones((*np.shape(gx), 3))

    field = fit(make(even, strips=[((90, 75, 85, 150), (0.72, 0.71, 0.68))]))
    assert np.abs(relative(field)).max() < 0.015


def test_on_card_leaves_the_window_free():
    points = np.array([[1.0, 1.0], [90.0, 60.0], [-1.0, 5.0]])
    assert on_card(points, FRAME, 0.0).tolist() == [True, False, False]
    assert on_card(points, SLIP, 0.0).tolist() == [True, True, False]


def test_no_paper_at_all_still_gives_a_field():
    field = fit(make(fall_off, paper=0.01, table=0.01))
    whites = SLIP.rects_mm[SLIP.with_role("white")]
    middle = whites[:, :2] + whites[:, 2:] / 2
    expected = np.log(fall_off(middle[:, 0], middle[:, 1]))
    error = field.log_gain(middle) - expected
    assert np.abs(error - error.mean(axis=0)).max() < 0.02
