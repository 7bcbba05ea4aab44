"""Strips across a black bar: the colour over it against the renderer's own truth.

The renderer (fixtures/inkfilm.py) computes its films with the hyperbolic solution of Kubelka
1948 and knows pigments, film and black of every scene; it shares no code with the reading.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calibration.colour.difference import delta_e_2000
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from drawdown.reading.over_bar import OverBar, bars_in_view, read_over_bar
from drawdown.strips.bars import Bar
from fixtures.demo import scenes
from fixtures.inkfilm import ink_reflectance
from fixtures.sheet import printed_black
from fixtures.spectra import lab_d50, pigments

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"


@cache
def seen(name: str, card: str):
    options = Options(card=PHOTOS / f"{card}-measured.toml")
    return read_strips(PHOTOS / f"{name}.jpg", options, lambda *_: None)


def read_all(judgement) -> list[OverBar | None]:
    bars = bars_in_view(judgement.sheet, judgement.view, judgement.correction)
    strips = [s.strip for s in judgement.strips]
    return [
        read_over_bar(s, strips, bars, judgement.sheet, judgement.correction, 88) for s in strips
    ]


def true_over_black(spec, strip, film: float) -> np.ndarray:
    shelf = pigments(spec.ink_seed)
    return lab_d50(ink_reflectance(strip.recipe, shelf, film, printed_black(), wetting=0.0))[0]


@pytest.mark.parametrize(
    ("name", "card"), [("match", "slip"), ("no-match", "slip"), ("base", "frame")]
)
def test_ink_over_the_bar_is_read_as_it_is(name, card):
    judgement = seen(name, card)
    spec = scenes()[name]
    bare = lab_d50(printed_black())
    for reading, strip in zip(read_all(judgement), spec.strips, strict=True):
        assert reading is not None
        assert reading.flags == ()
        assert float(delta_e_2000(reading.bar.lab_d50, bare)) < 3.0
        # The film under the bar is the nominal one, give or take the strip's unevenness.
        true = true_over_black(spec, strip, strip.film)
        off = float(delta_e_2000(reading.ink_on_bar.lab_d50, true))
        assert off < 4.0
        assert reading.ink_on_bar.lab_d50[0] > reading.bar.lab_d50[0] - 4
        assert reading.paper.lab_d50[0] > 90
        assert reading.ink_on_bar.lab_samples.shape == reading.bar.lab_samples.shape
        assert np.isfinite(reading.ink_on_bar.xyz_samples).all()


def test_opaque_and_clear_ink_are_far_apart():
    """White-based ink hides the bar; ink in transparent base leaves it black (common
    practice, no source)."""
    tint, glaze = read_all(seen("match", "slip"))[0], read_all(seen("base", "frame"))[0]
    assert tint.ink_on_bar.xyz_d50[1] > 0.6 * tint.ink_on_paper.xyz_d50[1]
    assert glaze.ink_on_bar.xyz_d50[1] < 0.1 * glaze.ink_on_paper.xyz_d50[1]


def test_what_the_areas_share_cancels():
    """Light and correction are common to all four areas, so their difference is surer."""
    reading = read_all(seen("match", "slip"))[0]
    one, two = reading.ink_on_paper.lab_samples, reading.ink_on_bar.lab_samples
    apart = np.hypot(one[:, 0].std(), two[:, 0].std())
    assert (one - two)[:, 0].std() < apart


def test_no_bar_no_reading():
    judgement = seen("dark", "slip")
    assert read_all(judgement) == [None, None]


def test_too_little_on_the_bar_is_said_or_refused():
    judgement = seen("match", "slip")
    (bar,) = bars_in_view(judgement.sheet, judgement.view, judgement.correction)
    strips = [s.strip for s in judgement.strips]
    sheet, correction = judgement.sheet, judgement.correction

    def cut(share: float):
        """The first strip, as if it ended after this share of the bar's height."""
        corners = strips[0].corners_mm.copy()
        down = bar.corners_mm[3] - bar.corners_mm[0]
        height = np.linalg.norm(down)
        down = down / height
        for i in (2, 3):
            t = (corners[i] - bar.corners_mm[0]) @ down
            corners[i] -= down * (t - share * height)
        return read_over_bar(
            replace(strips[0], corners_mm=corners), strips, [bar], sheet, correction
        )

    assert cut(0.3) is None
    assert cut(0.9) is not None
    thin = Bar(bar.corners_mm.copy())
    thin.corners_mm[2:] = thin.corners_mm[1::-1] + 0.4 * (
        bar.corners_mm[2:] - bar.corners_mm[1::-1]
    )
    reading = read_over_bar(strips[0], strips, [thin], sheet, correction)
    assert "little-on-the-bar" in [f.code for f in reading.flags]


def test_grounds_that_do_not_show_are_told():
    judgement = seen("match", "slip")
    (bar,) = bars_in_view(judgement.sheet, judgement.view, judgement.correction)
    strip = judgement.strips[0].strip
    wide = strip.corners_mm + np.array([[-60, -60], [60, -60], [60, 60], [-60, 60]])
    cover = replace(strip, corners_mm=wide)
    reading = read_over_bar(strip, [cover], [bar], judgement.sheet, judgement.correction)
    assert reading.bar is None
    assert reading.paper is None
    assert [f.code for f in reading.flags] == ["no-ground-beside"]
