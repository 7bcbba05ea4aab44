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
from drawdown.reading.over_bar import OverBar, other_ink, read_over_bar
from drawdown.strips.test_sheet import known_bars
from fixtures.demo import scenes
from fixtures.inkfilm import ink_reflectance
from fixtures.sheet import printed_black
from fixtures.spectra import lab_d50, pigments

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"


@cache
def seen(name: str, card: str):
    options = Options(card=PHOTOS / f"{card}-measured.toml")
    return read_strips(PHOTOS / f"{name}.jpg", options, lambda *_: None)


def read_one(judgement, strip, ink=None, sheet=None) -> OverBar | None:
    strips = [s.strip for s in judgement.strips]
    ink = other_ink(strip, strips) if ink is None else ink
    sheet = judgement.sheet if sheet is None else sheet
    return read_over_bar(strip, sheet, judgement.correction, judgement.view.card, ink, 88)


def read_all(judgement) -> list[OverBar | None]:
    return [read_one(judgement, s.strip) for s in judgement.strips]


def true_over_black(spec, strip, film: float) -> np.ndarray:
    shelf = pigments(spec.ink_seed)
    return lab_d50(ink_reflectance(strip.recipe, shelf, film, printed_black(), wetting=0.0))[0]


@pytest.mark.slow
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
    (bar,) = known_bars(judgement.view)
    strip, sheet = judgement.strips[0].strip, judgement.sheet
    down = bar.corners_mm[3] - bar.corners_mm[0]
    height = np.linalg.norm(down)
    down = down / height

    def cut(share: float):
        """The strip, as if it ended after this share of the bar's height."""
        corners = strip.corners_mm.copy()
        for i in (2, 3):
            t = (corners[i] - bar.corners_mm[0]) @ down
            corners[i] -= down * (t - share * height)
        return read_one(judgement, replace(strip, corners_mm=corners))

    assert cut(0.3) is None
    assert cut(0.9) is not None
    # The same photo with half a bar: where the other half was, what lies on paper above it.
    rows, columns = np.nonzero(sheet.inside)
    depth = (sheet.to_mm(np.stack([columns, rows], axis=-1)) - bar.corners_mm[0]) @ down
    gone = (depth < 0.5 * height) & (depth > -1.5)
    rgb = sheet.rgb_linear.copy()
    up = round(0.75 * height * sheet.px_per_mm * np.sign(down[1]))
    rgb[rows[gone], columns[gone]] = sheet.rgb_linear[rows[gone] - up, columns[gone]]
    reading = read_one(judgement, strip, sheet=replace(sheet, rgb_linear=rgb))
    assert "little-on-the-bar" in [f.code for f in reading.flags]


def test_without_bare_grounds_beside_it_is_not_read():
    judgement = seen("match", "slip")
    strip = judgement.strips[0].strip
    rows, columns = np.nonzero(judgement.sheet.inside)
    place = judgement.sheet.to_mm(np.stack([columns, rows], axis=-1))
    near = np.abs(place - strip.corners_mm.mean(axis=0)).max(axis=1) < 120
    everywhere = np.zeros(judgement.sheet.shape, bool)
    everywhere[rows[near], columns[near]] = True
    assert read_one(judgement, strip, ink=everywhere) is None
