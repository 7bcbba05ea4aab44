"""The tables of thresholds and of the error budget: nothing stands in them without a reason.

A rule of our own; there is no outside reference. The step of a level is the GUM's.
"""

from __future__ import annotations

import numpy as np
import pytest

from drawdown.reading import budget
from drawdown.strips import limits


def test_every_threshold_has_its_row():
    constants = {n for n in vars(limits) if n.isupper()} - {
        "T",
        "RENDERED",
        "JUDGED",
        "TRADE",
        "TABLE",
    }
    assert set(limits.TABLE) == constants
    for name, row in limits.TABLE.items():
        assert getattr(limits, name) is row.value
        assert all((row.unit, row.decides, row.breaks, row.set_on)), name


def test_every_term_has_its_row():
    constants = {n for n in vars(budget) if n.isupper()} - {
        "T",
        "K95",
        "WHITE_D50",
        "RENDERED",
        "CHARTS",
        "TERMS",
    }
    assert set(budget.TERMS) == constants
    for name, row in budget.TERMS.items():
        assert getattr(budget, name) is row.value
        assert row.what, name
        assert row.source, name


def test_a_level_is_known_to_its_step():
    """GUM (JCGM 100:2008), 4.3.7: a value anywhere within a step."""
    assert pytest.approx(1 / np.sqrt(12), rel=0.05) == budget.LEVEL_SD
