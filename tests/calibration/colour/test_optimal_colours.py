"""The solid of optimal colours beside the tables of MacAdam limits in colour-science."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from calibration.colour import optimal_colours
from calibration.colour.illuminants import HERE, LAMPS
from calibration.colour.optimal_colours import within_optimal
from calibration.colour.spaces import WHITE_D50


def test_surfaces_stay_where_they_are():
    spectra = np.random.default_rng(1).random((2000, 31))
    xyz = spectra @ LAMPS[HERE]
    np.testing.assert_allclose(within_optimal(xyz), xyz)
    np.testing.assert_allclose(within_optimal(WHITE_D50), WHITE_D50, atol=1e-9)


def test_what_reflects_more_than_all_is_moved_back():
    moved = within_optimal(1.2 * WHITE_D50)
    np.testing.assert_allclose(moved, WHITE_D50, atol=1e-9)


@pytest.mark.parametrize("weights", ["D65"])
def test_agrees_with_the_published_limits(monkeypatch, weights):
    """Limits for D65 by 1 nm (colour-science, after MacAdam 1935): our bands of 10 nm agree but for
    colours within a few per cent of the limit."""
    from colour.volume import is_within_macadam_limits

    lamp = next(w for name, w in LAMPS.items() if weights in name)
    lamp = lamp / lamp[:, 1].sum()
    monkeypatch.setattr(optimal_colours, "LAMPS", {HERE: lamp})
    optimal_colours._faces.cache_clear()
    try:
        rng = np.random.default_rng(2)
        x_y_big = np.column_stack(
            [rng.uniform(0.15, 0.6, 4000), rng.uniform(0.1, 0.6, 4000), rng.uniform(0.1, 0.9, 4000)]
        )
        x_y_big = x_y_big[x_y_big[:, 0] + x_y_big[:, 1] < 0.95]
        xyz = colour.xyY_to_XYZ(x_y_big)
        ours = np.abs(within_optimal(xyz) - xyz).max(axis=1) < 1e-9
        theirs = is_within_macadam_limits(x_y_big, "D65")
    finally:
        optimal_colours._faces.cache_clear()
    assert 0.1 < theirs.mean() < 0.9
    assert np.mean(ours == theirs) > 0.97
