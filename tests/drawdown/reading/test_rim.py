"""Paper right beside a strip, read where a narrow offcut ends on a table. The truth is drawn."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from calibration.locate.sheet import Sheet
from drawdown.reading.strip import paper_beside

PX = 8.0


@pytest.mark.parametrize("margin_mm", [2.5, 5.0, 20.0])
@pytest.mark.parametrize("table", [0.05, 0.45, 0.95])
def test_a_narrow_offcut_is_read_and_the_table_is_not(margin_mm, table):
    """Whatever the table: darker than the paper, a little darker, or lighter."""
    high, wide = round(70 * PX), round(50 * PX)
    y, x = np.mgrid[0:high, 0:wide] / PX
    off = np.maximum(np.abs(x - 25) - 8, np.abs(y - 35) - 20)  # mm from the strip
    rgb = np.full((high, wide, 3), table, np.float32)
    rgb[off < margin_mm] = 0.7
    rgb[off < 0] = 0.1
    rgb *= 1 + 0.01 * np.random.default_rng(3).standard_normal(rgb.shape)
    zero = np.zeros((high, wide), np.float32)
    sheet = Sheet(rgb.astype(np.float32), zero == 0, zero, zero, (0.0, 100.0), PX)
    card = SimpleNamespace(size_mm=(170.0, 74.0), window_mm=None)
    correction = SimpleNamespace(light=lambda rgb, xy_mm: rgb)
    strip = SimpleNamespace(mask=off < 0)
    rim = paper_beside(strip, sheet, correction, card, off < 0)
    assert np.allclose(rim.even_log, np.log(0.7), atol=0.01)
