"""Random streams by name, against what their statistics must be (scipy.stats)."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from calibration.uncertainty.streams import mirrored_normals, stream


def first(name: str, *numbers: int) -> np.ndarray:
    return stream(name, *numbers).standard_normal(4000)


def test_the_same_name_gives_the_same_draws_in_another_process():
    code = (
        "from calibration.uncertainty.streams import stream;"
        "print(stream('light of a strip', 2).standard_normal())"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert float(said) == stream("light of a strip", 2).standard_normal()


def test_other_names_and_numbers_give_independent_draws():
    """No two streams correlate beyond chance (4,000 draws; 1e-6 two-sided over all pairs), and
    each is standard normal (Kolmogorov and Smirnov)."""
    asked = [
        ("light",), ("light", 0), ("light", 1), ("light", 0, 0), ("light", 0, 1), ("light", 1, 0),
        ("light\0",), ("thgil",), ("jpeg", 1), ("cells", 1), ("é",),
    ]  # fmt: skip
    draws = np.array([first(*one) for one in asked])
    apart = np.corrcoef(draws) - np.eye(len(asked))
    limit = stats.norm.isf(1e-6 / len(asked) ** 2) / np.sqrt(draws.shape[1])
    assert np.abs(apart).max() < limit
    for row in draws:
        assert stats.kstest(row, "norm").pvalue > 1e-5


def test_a_stream_needs_a_name_and_no_negative_numbers():
    with pytest.raises(ValueError, match="named"):
        stream("")
    with pytest.raises(ValueError, match="non-negative"):
        stream("light", -1)


@pytest.mark.parametrize("count", [8, 9])
def test_mirrored_normals(count):
    drawn = mirrored_normals(stream("test"), count, 2, 3)
    assert drawn.shape == (count, 2, 3)
    np.testing.assert_array_equal(drawn[: count // 2], -drawn[-(count // 2) :])
    many = mirrored_normals(stream("test"), 20_000)
    assert many.mean() == pytest.approx(0, abs=1e-12)
    assert stats.kstest(many, "norm").pvalue > 1e-4
