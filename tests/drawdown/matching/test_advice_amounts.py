"""The advice's amounts: what a scale shows, and what it does not."""

from __future__ import annotations

import pytest
from advice_kit import ask, strip

from drawdown.matching.amounts import first_grams, round_grams, round_parts
from drawdown.wording.advice import note


def test_tiny_amounts_are_a_knife_tip():
    noted = {"white": 99.8, "phthalo-blue": 0.2}
    answer = ask(
        strip(noted), strip({"white": 99.9, "phthalo-blue": 0.1}), noted,
        batch_grams=30, tolerance=1.0,
    )  # fmt: skip
    assert answer.additions[0][0] == "phthalo-blue"
    assert answer.grams[0][1] < 0.05
    assert "knife tip" in note(answer)


def test_what_the_scale_cannot_show_is_mixed_down_first():
    """0.03 g on a scale of 0.1 g: a tenth of it in white weighs 0.3 g."""
    noted = {"white": 99.8, "phthalo-blue": 0.2}
    seen = strip({"white": 99.9, "phthalo-blue": 0.1})
    answer = ask(strip(noted), seen, noted, batch_grams=50, tolerance=1.0)
    ((name, grams),) = answer.grams
    assert answer.knife_tips == (name,) == ("phthalo-blue",)
    assert 0.02 < grams < 0.1
    assert f"9 parts of titanium-white, and use {round(10 * grams, 1):g} g of that" in note(answer)
    fine = ask(strip(noted), seen, noted, batch_grams=50, tolerance=1.0, scale_step=0.01)
    assert fine.knife_tips == ()
    assert fine.grams[0][1] == pytest.approx(grams, abs=0.006)
    assert "knife tip" not in note(fine)
    tiny = ask(strip(noted), seen, noted, batch_grams=4, tolerance=1.0)
    assert f"1 part of that into 9 more, and use {round(100 * tiny.grams[0][1], 1):g} g" in note(
        tiny
    )


def test_what_the_scale_shows_is_what_is_predicted():
    noted = {"white": 90, "phthalo-blue": 10}
    seen = strip({"white": 90, "phthalo-blue": 6})
    coarse = ask(strip(noted), seen, noted, batch_grams=40, scale_step=1.0)
    assert all(g == round(g) for _, g in (*coarse.grams, *coarse.grams_first))
    exact = ask(strip(noted), seen, noted, batch_grams=40, scale_step=0.01)
    assert coarse.predicted_de00 > exact.predicted_de00
    parts = {"white": 90, "phthalo-blue": 6 + 96 * coarse.grams[0][1] / 40}
    assert coarse.predicted_lab_d50 == pytest.approx(strip(parts), abs=1.0)


def test_amounts_are_rounded_as_a_scale_shows_them():
    assert [round_grams(v) for v in (12.345, 1.05, 0.456, 0.0437)] == [12.3, 1.0, 0.5, 0.044]
    assert [round_grams(v, 0.01) for v in (12.347, 1.057, 0.004)] == [12.35, 1.06, 0.004]
    assert [round_grams(v, 5) for v in (12.345, 3.0)] == [10, 3]
    assert [round_parts(v) for v in (121.4, 12.6, 5.34, 0.0567)] == [121, 13, 5.3, 0.057]
    # The first part: never more than wanted, but what the scale can show.
    assert [first_grams(g, 1.0, 0.1) for g in (0.59, 0.6, 0.03)] == [0.5, 0.6, 0.1]
    assert first_grams(0.02, 0.04, 0.1) == 0.02
