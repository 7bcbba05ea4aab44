"""Munsell value, and lightening with white or base.

Sources: ASTM D1535 as colour-science implements it; sRGB (IEC 61966-2-1); Kubelka-Munk by
the classic hyperbolic solution of the renderer (fixtures/inkfilm.py), which shares no code
with the program; computed inks unlike the starter shelf.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.colour.spaces import lab_to_xyz, xyz_to_lab, y_of_value
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from calibration.errors import WrongUsage
from drawdown.commands import main as cli
from drawdown.ink.film import internal_from_measured
from drawdown.ink.prior import TUBE_SD, InkPrior, mix_prior
from drawdown.ink.shelf import Ink, InkMix, Shelf, starter_shelf
from drawdown.pipeline.value import ANOTHER_INK_DE, plan_of
from drawdown.printing.lighten import (
    Seen,
    as_it_is,
    fit_guesses,
    fit_ink,
    ink_samples,
    lighten,
)
from drawdown.printing.value import grey_hex, hex_of, l_of_value, value_of
from drawdown.wording.value import layer_name, why_not

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.usefixtures("opened_once")

PHOTO = ROOT / "fixtures" / "photos" / "no-match.jpg"


def test_value_and_its_inverse_against_a_reference_library():
    from colour.notation.munsell import luminance_ASTMD1535, munsell_value_ASTMD1535

    for value in (0.3, 1.0, 2.5, 5.0, 7.0, 8.8, 9.7):
        assert 100 * y_of_value(value) == pytest.approx(float(luminance_ASTMD1535(value)), abs=1e-6)
        l_star = l_of_value(value)
        y = 100 * float(lab_to_xyz(np.array([l_star, 0, 0]))[1])
        assert y == pytest.approx(100 * y_of_value(value), abs=1e-9)
        # The library's inverse is a table that it interpolates.
        got = value_of(l_star, 1.0)
        assert got.value == pytest.approx(float(munsell_value_ASTMD1535(y)), abs=1e-3)
        assert got.low95 < got.value < got.high95


def test_value_is_near_a_tenth_of_lightness():
    # Common practice, no source: L* is about ten times the value.
    for l_star in range(20, 95, 5):
        assert value_of(l_star, 0.0).value == pytest.approx(l_star / 10, abs=0.25)


def test_greys_are_those_of_srgb():
    # L* 50 is Y 0.18419, sRGB 118.9 of 255 (IEC 61966-2-1 by hand); white and black the ends.
    assert grey_hex(50) == "#777777"
    assert grey_hex(100) == "#ffffff"
    assert grey_hex(0) == "#000000"
    assert hex_of((0, 0, 0)) == "#000000"


# Lightening ------------------------------------------------------------------------------

PAPER = np.full(31, float(internal_from_measured(0.85)))
BAR = np.full(31, float(internal_from_measured(0.03)))


def classic(k, s, film, ground) -> np.ndarray:
    """XYZ D50 by the renderer's formulas."""
    from fixtures.inkfilm import film_reflectance, to_outside

    return to_outside(film_reflectance(k, s, film, ground)) @ XYZ_D50_WEIGHTS


def blue():
    shelf = starter_shelf()
    parts = {"phthalo-blue": 0.1, "transparent-base": 0.9}
    k, s = (sum(p * getattr(shelf.find(n), a) for n, p in parts.items()) for a in "ks")
    return shelf, k, s


def ink_of(k, s) -> InkPrior:
    """What is thought of an ink with these figures."""
    return mix_prior(InkMix((Ink("x", "", "", "colour", k, s, ""),), np.ones(1)))


def mix_of(mix, shelf) -> InkPrior:
    return mix_prior(shelf.mix(mix))


def seen(k, s, film=1.0, grounds=(PAPER, BAR), sd=0.2) -> Seen:
    lab = np.array([xyz_to_lab(classic(k, s, film, g)) for g in grounds])
    return Seen(lab, sd**2 * np.eye(lab.size), np.array(grounds))


def test_both_ways_end_at_the_value_by_another_solution_of_the_same_physics():
    shelf, k, s = blue()
    states = fit_ink(ink_of(k, s), seen(k, s), guessed=False)
    assert states.film[0] == pytest.approx(1.0, abs=0.05)
    results = {}
    for kind in ("white", "base"):
        ink = shelf.find(kind)
        way = lighten(states, ink, 7.0, BAR)
        share = 100 / (100 + way.parts.value)
        mixed = share * k + (1 - share) * ink.k, share * s + (1 - share) * ink.s
        xyz = classic(*mixed, 1.0, PAPER)
        assert xyz[1] == pytest.approx(y_of_value(7.0), rel=0.01)
        assert way.lab_d50 == pytest.approx(xyz_to_lab(xyz), abs=0.6)
        assert way.lab_over_layer == pytest.approx(xyz_to_lab(classic(*mixed, 1.0, BAR)), abs=0.6)
        white = np.full(31, float(internal_from_measured(0.8)))
        ratio = classic(*mixed, 1.0, 0 * white)[1] / classic(*mixed, 1.0, white)[1]
        assert way.ratio.value == pytest.approx(ratio, abs=0.01)
        assert way.parts.low95 < way.parts.value < way.parts.high95
        results[kind] = way
    white, base = results["white"], results["base"]
    assert white.ratio.value > base.ratio.value + 0.2
    assert white.lab_over_layer[0] > base.lab_over_layer[0] + 10
    assert white.short_of_paper.value < base.short_of_paper.value


def test_ink_as_it_is_keeps_the_measured_colour():
    _, k, s = blue()
    reading = seen(k, 1.6 * s, 0.8)
    now = as_it_is(fit_ink(ink_of(k, s), reading, guessed=False), BAR)
    assert now.lab_d50 == pytest.approx(reading.lab_d50[0], abs=0.05)
    assert now.lab_over_layer == pytest.approx(reading.lab_d50[1], abs=1.0)
    assert now.parts.value == 0


def test_no_film_is_lighter_over_black_than_over_paper():
    """Not even when the mix that was named is not the one in the strip."""
    shelf, k, s = blue()
    red = next(i for i in shelf if i.colour_index.startswith("PR"))
    for figures, sd in ((ink_of(red.k, red.s), 6.0), (ink_of(8 * k, 3 * s), 3.0)):
        states = fit_ink(figures, seen(k, s, grounds=(PAPER,), sd=sd), guessed=False)
        ways = [lighten(states, shelf.find(kind), 7.5, BAR) for kind in ("white", "base")]
        for way in (as_it_is(states, BAR), *ways):
            assert way.lab_over_layer[0] < way.lab_d50[0] + 0.5
    assert fit_ink(ink_of(red.k, red.s), seen(k, s), guessed=False).misfit > 3


def test_what_cannot_be_reached_is_said():
    shelf, k, s = blue()
    states = fit_ink(ink_of(k, s), seen(k, s), guessed=False)
    way = lighten(states, shelf.find("base"), 9.8, BAR)
    assert way.parts is None
    assert "paper" in why_not(way)


def test_a_bar_under_the_strip_narrows_what_is_known_of_its_cover():
    _, k, s = blue()
    both = as_it_is(fit_ink(ink_of(k, s), seen(k, s), guessed=False), BAR).ratio
    alone = as_it_is(fit_ink(ink_of(k, s), seen(k, s, grounds=(PAPER,)), guessed=False), BAR).ratio
    assert both.high95 - both.low95 < 0.6 * (alone.high95 - alone.low95)


def test_guesses_are_pooled_and_the_true_one_leads():
    shelf, k, s = blue()
    other = shelf.find("quinacridone-magenta") if "quinacridone-magenta" in shelf.names else None
    red = next(i for i in shelf if i.colour_index.startswith("PR")) if other is None else other
    pool, best = fit_guesses([(ink_of(red.k, red.s), 0.0), (ink_of(k, s), 0.0)], seen(k, s))
    assert best == 1
    assert pool.k.shape == (201, 31)


def test_an_unmeasured_base_is_known_within_a_factor_of_several():
    shelf = starter_shelf()
    spread = [np.log(ink_samples(shelf.find(kind), 400)[1][1:, 0]).std()
              for kind in ("white", "base")]  # fmt: skip
    assert spread[1] > 1.0 > spread[0]
    clear = mix_of({"transparent-base": 90, "phthalo-blue": 10}, shelf)
    white = mix_of({"titanium-white": 90, "phthalo-blue": 10}, shelf)

    def s_sd(mix: InkPrior) -> float:
        return float(np.linalg.norm(mix.rows[:, 31:], axis=0).mean())

    assert s_sd(clear) > 2 * s_sd(white)
    # Inks that were measured: a shelf of one's own, not stand-ins.
    own = Shelf(tuple(replace(i, starter="", k_sd=0.05, s_sd=0.05) for i in shelf))
    known = mix_of({"transparent-base": 90, "phthalo-blue": 10}, own)
    assert s_sd(known) == pytest.approx(np.hypot(0.05, TUBE_SD), rel=0.15)
    assert s_sd(known) < 0.3 * s_sd(clear)
    # Duncan's sums, by hand at one wavelength.
    blue, base = shelf.find("phthalo-blue"), shelf.find("transparent-base")
    assert np.exp(clear.mean[10]) == pytest.approx(0.1 * blue.k[10] + 0.9 * base.k[10])


@pytest.mark.slow
def test_hidden_true_inks_end_near_the_value():
    """Inks of another make than the figures say (tests/benchmarks/value.py, some cases)."""
    sys.path.insert(0, str(ROOT / "tests" / "benchmarks"))
    try:
        import value as benchmark
    finally:
        sys.path.pop(0)
    rows = [r for seed in range(300, 312) for r in benchmark.case(seed, known=True, bar=True)]
    assert len(rows) >= 16
    assert np.median([r["value"] for r in rows]) < 0.15
    assert np.max([r["value"] for r in rows]) < 0.6
    assert np.mean([r["inside"] for r in rows]) > 0.8


# Photos ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def judged():
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    return read_strips(PHOTO, Options(), lambda *_: None)


@pytest.mark.slow
def test_plan_on_a_photo(judged):
    plan = plan_of(judged, 1, 8.6, starter_shelf(), batch_grams=50)
    assert [w.kind for w in plan.ways] == ["white", "base"]
    assert plan.across_bar
    assert plan.guessed
    assert layer_name(plan) == "the black bar"
    for way in plan.ways:
        assert way.lab_d50[0] == pytest.approx(plan.target_l, abs=0.2)
        assert plan.grams[way.ink].value == pytest.approx(way.parts.value / 2)
        assert plan.grams[way.ink].low95 == pytest.approx(way.parts.low95 / 2)
    # As it is, it was read: the same colour and the same uncertainty as everywhere else.
    strip = judged.strips[0]
    assert np.array_equal(plan.now.lab_d50, strip.lab_d50)
    assert np.array_equal(plan.now.lab_u95, strip.lab_u95)
    over = plan_of(judged, 1, 8.6, starter_shelf(), over=2)
    assert layer_name(over) == "strip 2"


@pytest.mark.parametrize(
    ("number", "to", "over", "words"),
    [(9, 8.6, None, "strip 9"), (1, 3, None, "already"), (1, 8.6, 9, "strip 9")],
)
def test_plans_that_make_no_sense(judged, number, to, over, words):
    with pytest.raises(WrongUsage, match=words):
        plan_of(judged, number, to, starter_shelf(), over=over)


def test_a_mix_of_another_strip_is_refused(judged):
    shelf = starter_shelf()
    with pytest.raises(WrongUsage, match="cannot be of the mix"):
        plan_of(judged, 1, 8.6, shelf, shelf.named_mix({"PR254": 20, "base": 80}))


def test_right_mixes_are_not_refused_though_the_figures_are_off():
    """Figures wrong by a factor of 2.5, as far as tubes of one pigment differ, fit below 5."""
    shelf = starter_shelf()
    for mix in ({"PR108": 5, "white": 95}, {"PG36": 20, "base": 80}, {"PB15:3": 2, "white": 98}):
        fig = mix_of(shelf.named_mix(mix), shelf)
        k, s = np.split(np.exp(fig.mean), 2)
        for factor in (0.4, 2.5):
            reading = seen(k * factor, s)
            assert fit_ink(fig, reading, guessed=False).misfit < ANOTHER_INK_DE / 4


@pytest.mark.slow
def test_command_says_the_same_in_words_json_and_picture(tmp_path, capsys):
    from PIL import Image

    picture = tmp_path / "value.png"
    argv = ["plan", "lighten", str(PHOTO), "--to", "8.6", "--strip", "2"]
    assert cli.main([*argv, "--full", "--picture", str(picture)]) == 0
    text = capsys.readouterr().out
    assert cli.main([*argv, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.value/1"
    assert data["plan"]["strip"] == 2
    for strip in data["strips"]:
        assert f"value {strip['munsell']['value']:.1f}" in text
        assert strip["munsell"]["grey_srgb"] in text
    assert len(data["plan"]["ways"]) == 2
    assert {row["ink"] for row in data["plan"]["mix"]} >= {"titanium-white"}
    flat = " ".join(text.split())
    for said in (*data["notes"], *data["cautions"]):  # word for word what a person is told
        assert " ".join(said.split()) in flat.replace(" · ", " ")
    with Image.open(picture) as image:
        assert image.size[0] == 1200
    assert cli.main(["plan", "lighten", str(PHOTO), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["plan"] is None


@pytest.mark.slow
@pytest.mark.parametrize(
    "argv",
    [
        ["--to", "nan"], ["--to", "0"], ["--to", "12"], ["--to", "8.6", "--strip", "0"],
        ["--over", "2"], ["--to", "8.6", "--grams", "-1"], ["--mix", "white 1"],
        ["--to", "8.6", "--mix", "white"], ["--to", "8.6", "--mix", "no-such-ink=2"],
        ["--to", "8.6", "--strip", "5"], ["--shelf", "no.toml"],
    ],
)  # fmt: skip
def test_wrong_usage(argv, capsys):
    assert cli.main(["plan", "lighten", str(PHOTO), *argv]) == 2
    assert capsys.readouterr().out == ""


@pytest.mark.slow
def test_the_full_notation_is_told_when_it_is_asked_for(capsys, tmp_path, monkeypatch):
    from calibration.colour import notation as munsell

    known = {}

    def once(lab_d50, lab_u95):  # slow, and the same each time
        place = tuple(np.round(lab_d50, 1))
        known[place] = known.get(place) or notation(lab_d50, lab_u95)
        return known[place]

    notation = munsell.notation
    monkeypatch.setattr(munsell, "notation", once)
    typed = ["plan", "lighten", str(PHOTO)]
    assert cli.main([*typed, "--notation", "--json"]) == 0
    asked = json.loads(capsys.readouterr().out)
    assert cli.main([*typed, "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)
    for strip, bare, own in zip(asked["strips"], plain["strips"], known.values(), strict=True):
        told = strip["munsell"].pop("notation")
        assert strip == bare
        assert told["text"] == own.text
    picture = tmp_path / "v.png"
    assert cli.main([*typed, "--notation", "--picture", str(picture)]) == 0
    assert f"notation {told['text']}: hue from {told['hue_95'][0]}" in capsys.readouterr().out
    assert picture.stat().st_size > 1000
