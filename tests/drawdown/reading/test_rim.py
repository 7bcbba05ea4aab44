"""Paper right beside a strip, read where a narrow offcut ends on a table. The truth is drawn."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from calibration.locate.sheet import Sheet
from drawdown import flags as fl
from drawdown.reading.strip import paper_beside

PX = 8.0
HIGH, WIDE = round(70 * PX), round(50 * PX)
Y, X = np.mgrid[0:HIGH, 0:WIDE] / PX
OFF = np.maximum(np.abs(X - 25) - 8, np.abs(Y - 35) - 20)  # mm from the strip


@pytest.mark.parametrize("margin_mm", [2.5, 5.0, 20.0])
@pytest.mark.parametrize("table", [0.05, 0.45, 0.95])
def test_a_narrow_offcut_is_read_and_the_table_is_not(margin_mm, table):
    """Whatever the table: darker than the paper, a little darker, or lighter."""
    rgb = np.full((HIGH, WIDE, 3), table, np.float32)
    rgb[margin_mm > OFF] = 0.7
    rgb[OFF < 0] = 0.1
    rgb *= 1 + 0.01 * np.random.default_rng(3).standard_normal(rgb.shape)
    assert np.allclose(rim_of(rgb).even_log, np.log(0.7), atol=0.01)


def test_print_of_many_colours_is_no_paper():
    """Red, green and blue dots: their median is the colour of none of them."""
    rgb = 0.05 + 0.9 * np.eye(3)[np.random.default_rng(5).integers(3, size=(HIGH, WIDE))]
    assert rim_of(rgb) is None


@pytest.mark.parametrize("margin_mm", [2.0, 5.0])
@pytest.mark.parametrize("grow_mm", [-3.0, 1.5])
@pytest.mark.parametrize("ink", [0.08, 0.4])
def test_a_place_by_hand_need_not_end_where_the_ink_does(margin_mm, grow_mm, ink):
    """Well inside the strip, where more ink lies around it, or beyond its edge."""
    rgb = np.full((HIGH, WIDE, 3), 0.05, np.float32)
    rgb[margin_mm > OFF] = 0.7
    rgb[OFF < 0] = ink
    rgb *= 1 + 0.01 * np.random.default_rng(3).standard_normal(rgb.shape)
    rim = rim_of(rgb, grow_mm, (fl.STRIP_BY_HAND(),))
    assert np.allclose(rim.even_log, np.log(0.7), atol=0.01)


def rim_of(rgb: np.ndarray, grow_mm: float = 0.0, flags: tuple = ()):
    zero = np.zeros((HIGH, WIDE), np.float32)
    sheet = Sheet(rgb.astype(np.float32), zero == 0, zero, zero, (0.0, 100.0), PX)
    card = SimpleNamespace(size_mm=(170.0, 74.0), window_mm=None)
    correction = SimpleNamespace(light=lambda rgb, xy_mm: rgb)
    strip = SimpleNamespace(mask=grow_mm > OFF, flags=flags)
    return paper_beside(strip, sheet, correction, card, strip.mask)
