"""Smooth curves against scipy's distances and its cosine transform."""

from __future__ import annotations

import numpy as np
from scipy import fft, spatial

from calibration.uncertainty.kernels import kernel_rows, rows_of, squared_exponential, waves

NM = np.arange(400.0, 701.0, 10.0)


def test_squared_exponential_by_distances_of_scipy():
    lab = np.random.default_rng(1).uniform(-50, 50, (20, 3))
    for places in (NM[:, None], lab):
        apart = spatial.distance.cdist(places, places)
        expected = 0.7**2 * np.exp(-(apart**2) / (2 * 40.0**2))
        np.testing.assert_allclose(squared_exponential(places, 40.0, 0.7), expected, atol=1e-12)
    np.testing.assert_array_equal(
        squared_exponential(NM, 40.0), squared_exponential(NM[:, None], 40.0)
    )


def test_rows_give_the_covariance_back():
    """In full, and but for a ten-thousandth of the largest direction a value left out."""
    covariance = squared_exponential(NM, 40.0, 2.0)
    whole = rows_of(covariance)
    np.testing.assert_allclose(whole.T @ whole, covariance, atol=1e-10)
    few = kernel_rows(NM, 40.0, 2.0)
    assert len(few) < 16
    largest = np.linalg.eigvalsh(covariance)[-1]
    left = np.linalg.eigvalsh(covariance - few.T @ few)
    assert left.min() > -1e-9
    assert left.max() <= 1e-4 * largest
    sizes = np.linalg.norm(few, axis=1)
    assert (np.diff(sizes) < 0).all()


def test_rows_of_a_covariance_that_rounding_made_indefinite():
    rows = rows_of(np.diag([4.0, 1.0, -1e-17]))
    np.testing.assert_allclose(rows.T @ rows, np.diag([4.0, 1.0, 0.0]), atol=1e-15)


def test_waves_are_the_cosine_transform():
    """Row i is the inverse discrete cosine transform (type 2) of one unit in place i."""
    sds = np.array([1.0, 0.5, 0.4, 0.3])
    unit = np.zeros((4, 31))
    unit[np.arange(4), np.arange(4)] = 1
    seen = fft.idct(unit, type=2, norm="ortho", axis=1)
    seen = seen / np.abs(seen[:, :1]) * np.cos(np.pi * np.arange(4)[:, None] * 0.5 / 31)
    np.testing.assert_allclose(waves(sds, 31), sds[:, None] * seen, atol=1e-12)
