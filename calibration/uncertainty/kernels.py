"""Smooth curves as rows of a prior: f = mean + z @ rows, with z standard normal, has the
covariance rows.T @ rows (Rasmussen and Williams 2006, eq. 4.9 and A.2; from memory).
"""

from __future__ import annotations

import numpy as np


def squared_exponential(places: np.ndarray, length: float, sd: float = 1.0) -> np.ndarray:
    """(n, n) covariance sd^2 exp(-d^2 / (2 length^2)) of a smooth curve or field at ``places``
    (n,) or (n, k), in the unit of ``length``."""
    places = np.asarray(places, dtype=float)
    if places.ndim == 1:
        places = places[:, None]
    square = np.sum((places[:, None] - places[None]) ** 2, axis=-1)
    return np.asarray(sd**2 * np.exp(-0.5 * square / length**2))


def rows_of(covariance: np.ndarray, least: float = 0.0) -> np.ndarray:
    """(r, n) independent rows of a covariance (n, n), the largest first: ``rows.T @ rows`` is
    the covariance. Directions whose variance is under ``least`` of the largest are left out,
    as are those that rounding has made negative."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    keep = values > least * max(float(values[-1]), 0.0)
    return np.asarray((np.sqrt(values[keep]) * vectors[:, keep]).T[::-1])


def root_of(covariance: np.ndarray) -> np.ndarray:
    """(n, n) a root of a covariance: root @ root.T; what rounding made negative counts as 0."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def kernel_rows(places: np.ndarray, length: float, sd: float = 1.0) -> np.ndarray:
    """(r, n) rows of ``squared_exponential``, without the ten-thousandth that no reading of a
    smooth curve tells from nothing."""
    return rows_of(squared_exponential(places, length, sd), 1e-4)


def waves(sds: np.ndarray, count: int) -> np.ndarray:
    """(len(sds), count) rows of a curve at ``count`` even places: cosines, slowest first (the
    first is level), each with its standard deviation; the basis of the discrete cosine
    transform."""
    sds = np.asarray(sds, dtype=float)
    t = (np.arange(count) + 0.5) / count
    return np.asarray(sds[:, None] * np.cos(np.pi * np.arange(sds.size)[:, None] * t))
