"""A colour of which little is known: from a shared file, from an instrument, typed in by hand.

The rule is that of the GUM (JCGM 100:2008, 4.3): what is not known enters with the spread that it
may have, never as nothing. The spreads themselves are our own judgement (compare.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from compare_kit import BLUE, along, strip

from drawdown.matching import compare as cp
from drawdown.matching import drying
from drawdown.reading.colour import Colour, StripReading
from drawdown.wording.flags import strip_flags
from drawdown.wording.verdict import differs, to_settle

NEAR = along((0.2, -0.5, 1), 0.8)


def typed(lab, **known) -> Colour:
    return Colour(lab_d50=np.asarray(lab, float), **known)


def test_each_unknown_widens():
    one, two = strip(1, BLUE), strip(2, NEAR)
    known = cp.compare(one, two)
    assert known.verdict == "match"
    for unknown in ("light_sd", "evenness_de00", "lab_samples"):
        less = {unknown: None}
        for pair in ((replace(one, **less), two), (one, replace(two, **less))):
            wide = cp.compare(*pair)
            assert np.trace(wide.d_lab_cov) > 1.05 * np.trace(known.d_lab_cov), unknown
            assert wide.de00_high95 > known.de00_high95


def test_a_colour_without_an_ensemble_is_as_wide_as_it_says():
    """Variances add: of the two colours, and of the camera's share."""
    sd = np.array([0.5, 0.8, 0.9])
    pair = [
        typed(BLUE, lab_u95=1.96 * np.array(scale) * sd, light_sd=0.0, evenness_de00=0.0)
        for scale in (1.0, 2.0)
    ]
    none = cp.compare(*[replace(c, lab_u95=np.full(3, 1e-6)) for c in pair])
    got = np.diag(cp.compare(*pair).d_lab_cov - none.d_lab_cov)
    assert got == pytest.approx(5 * sd**2, rel=0.45)  # 96 draws each know a variance to 14 %


def test_nothing_known_is_never_a_verdict_by_itself():
    """Only a number: a small difference settles nothing, a plain one is still seen."""
    small = cp.compare(typed(BLUE), typed(NEAR), across_photos=True)
    assert small.verdict == "too close to call"
    assert small.original is None
    assert "in one picture" in to_settle(small)
    assert differs(small)
    far = cp.compare(typed(BLUE), typed(np.add(BLUE, (35, 0, 0))), across_photos=True)
    assert far.verdict == "no match"


def test_unknown_light_is_no_proof_of_other_light():
    got = cp.compare(strip(1, BLUE, light_sd=None), strip(2, NEAR))
    assert "different-light" not in [flag.code for flag in got.flags]
    assert got.verdict is not None


def test_ensembles_of_other_sizes_are_taken_as_independent():
    one, two = strip(1, BLUE, sd=0.5), strip(2, BLUE, sd=0.5)
    short = replace(two, lab_samples=two.lab_samples[:40])
    cov = cp.compare(one, short, nominal_card=False).d_lab_cov
    least = np.cov(one.lab_samples.T) + np.cov(short.lab_samples.T)
    assert (np.diag(cov) >= np.diag(least)).all()


def test_a_wet_colour_out_of_the_book_dries_too():
    wet, dry = replace(typed(BLUE), state="wet"), replace(strip(2, NEAR), state="dry")
    put = drying.settle(wet, dry, drying.learn([]))
    assert put.guessed
    assert not isinstance(put.original, StripReading)
    assert put.original.state == "dry"
    assert cp.compare(put.original, put.batch, wet_with_dry=True).settle == ("let-dry", None)
    assert strip_flags(put.original) == []
