"""The record of a colour: what is unknown is wide, never certain.

Reference: the Munsell value of ASTM D1535 as a general colour library works it out. That an
unknown uncertainty counts as a wide one is a rule of our own; there is no outside reference.
"""

from __future__ import annotations

import colour as library
import numpy as np
import pytest

from drawdown.reading.colour import Colour

LAB = np.array([52.0, 20.0, -35.0])


def test_unknown_is_wide():
    bare = Colour(lab_d50=LAB)
    assert (bare.lab_u95, bare.light_sd, bare.evenness_de00) == (None, None, None)
    known = Colour(lab_d50=LAB, lab_u95=np.array([1.0, 1.5, 1.5]))
    assert np.all(bare.widest_u95 > 2 * known.widest_u95)
    spread = bare.members(3).std(axis=0)
    assert spread == pytest.approx(bare.widest_u95 / 1.96, rel=0.35)
    lost = Colour(lab_d50=LAB, lab_u95=np.full(3, np.nan))
    assert np.array_equal(lost.widest_u95, bare.widest_u95)


def test_members_are_its_own():
    ensemble = LAB + np.arange(6.0).reshape(2, 3)
    assert Colour(lab_d50=LAB, lab_samples=ensemble).members(9) is ensemble
    bare = Colour(lab_d50=LAB)
    assert np.array_equal(bare.members(1), bare.members(1))
    assert not np.array_equal(bare.members(1), bare.members(2))


def test_munsell_value_by_a_library():
    one = Colour(lab_d50=LAB)
    y = float(library.Lab_to_XYZ(LAB)[1])
    expected = float(library.munsell_value(100 * y, method="ASTM D1535"))
    assert one.munsell_value == pytest.approx(expected, abs=0.01)


def test_short_in_a_session():
    assert repr(Colour(lab_d50=LAB)) == "<Colour L*a*b* 52.0, 20.0, -35.0 (±unknown)>"
    assert Colour(lab_d50=LAB) != Colour(lab_d50=LAB)  # arrays: only the same one is equal
