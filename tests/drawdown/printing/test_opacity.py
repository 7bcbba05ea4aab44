"""How far a film covers: against the Kubelka-Munk equation solved numerically, published
definitions, and demo photos whose inks the renderer knows.

Sources: P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448 and 44 (1954) 330; contrast ratio as
Y over black divided by Y over white (ISO 6504-3, ASTM D2805; read as excerpts), white
ground Y = 0.80 and 0.98 as complete hiding (from memory).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from film_formulas import transmittance

from calibration.card.toml import builtin_cards, card_from_dict, write_card
from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.sheet import Sheet
from drawdown.commands import main as cli
from drawdown.ink.film import measured_from_internal, reflectance
from drawdown.pipeline.opacity import read_opacities
from drawdown.printing.opacity import (
    absorption_scattering,
    contrast_ratio,
    film_of,
    film_over,
    grade_of,
    opacity,
)
from drawdown.reading.over_bar import other_ink, read_over_bar

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.usefixtures("opened_once")

PHOTOS = ROOT / "fixtures" / "photos"


def numerical(k: float, s: float, x: float, ground: float, steps: int = 4000) -> float:
    """dR/dx = S - 2(K + S)R + S R^2 from the ground up, by Runge and Kutta's fourth order."""
    r, h = ground, x / steps

    def slope(r):
        return s - 2 * (k + s) * r + s * r * r

    for _ in range(steps):
        a = slope(r)
        b = slope(r + h / 2 * a)
        c = slope(r + h / 2 * b)
        r += h / 6 * (a + 2 * b + 2 * c + slope(r + h * c))
    return r


FILMS = [(0.5, 1.0, 1.0), (0.05, 3.0, 1.2), (3.0, 0.05, 0.4), (0.02, 10.0, 0.8), (0.2, 0.01, 1.0)]


@pytest.mark.parametrize(("k", "s", "x"), FILMS)
def test_film_is_found_from_two_grounds_that_are_neither_black_nor_white(k, s, x):
    paper, bar = 0.83, 0.031
    ground = [0.83, 0.031]
    inside = [g / (0.97 * 0.35 + 0.65 * g) for g in ground]  # Saunderson's inverse, by hand
    seen = [0.97 * 0.35 * r / (1 - 0.65 * r) for r in (numerical(k, s, x, g) for g in inside)]
    first, through = film_of(seen[0], seen[1], paper, bar)
    assert first == pytest.approx(numerical(k, s, x, 0.0), abs=1e-7)
    assert through == pytest.approx(float(transmittance(k, s, x)) ** 2, abs=1e-7)
    kx, sx = absorption_scattering(first, through)
    assert (kx, sx) == (pytest.approx(k * x, rel=1e-4), pytest.approx(s * x, rel=1e-4))
    g = 0.8 / (0.97 * 0.35 + 0.65 * 0.8)
    over_white = measured_from_internal(numerical(k, s, x, g))
    assert film_over(first, through, 0.8) == pytest.approx(float(over_white), abs=1e-7)


def test_inverse_of_the_worked_pair():
    # R0 .30 over black, R .60 over Rg .80: a 1.341666..., SX and KX in high precision.
    first = 0.30
    through = (0.60 - 0.30) * (1 - 0.30 * 0.80) / 0.80
    kx, sx = absorption_scattering(first, through)
    assert sx == pytest.approx(0.540632814750459, abs=1e-12)
    assert kx == pytest.approx(0.184716211706407, abs=1e-12)


@pytest.mark.parametrize(("sx", "ratio"), [(1, 0.6), (5, 0.925926), (10, 0.974026), (20, 0.992063)])
def test_contrast_ratio_of_films_that_only_scatter(sx, ratio):
    # R over 0 is SX/(1 + SX), over 0.8 (0.8 + 0.2 SX)/(1 + 0.2 SX): Kubelka's K = 0 by hand.
    assert reflectance(0, 1, sx, 0) / reflectance(0, 1, sx, 0.8) == pytest.approx(ratio, abs=1e-6)
    kx, found = absorption_scattering(sx / (1 + sx), 1 / (1 + sx) ** 2)
    assert found == pytest.approx(sx, rel=1e-6)
    assert kx == pytest.approx(0, abs=1e-6)


def four(k, s, x=1.0, paper=0.85, bar=0.03):
    """XYZ (4, 3) of a grey film over paper and bar, and of both bare."""

    def inside(v):
        return v / (0.97 * 0.35 + 0.65 * v)

    seen = [
        measured_from_internal(reflectance(k, s, x, inside(paper))),
        measured_from_internal(reflectance(k, s, x, inside(bar))), paper, bar,
    ]  # fmt: skip
    return np.array([float(v) * WHITE_D50 for v in seen])


def read(best, noise=0.0):
    rng = np.random.default_rng(3)
    samples = best * np.exp(noise * rng.standard_normal((96, 4, 1)))
    return opacity(best, samples)


@pytest.mark.parametrize("bar", [0.005, 0.03, 0.06])
@pytest.mark.parametrize("paper", [0.70, 0.90])
def test_reading_does_not_depend_on_paper_and_bar(paper, bar):
    inside = 0.8 / (0.97 * 0.35 + 0.65 * 0.8)
    k, s = 0.3, 1.5
    true = measured_from_internal(reflectance(k, s, 1, 0)) / measured_from_internal(
        reflectance(k, s, 1, inside)
    )
    o = read(four(k, s, paper=paper, bar=bar))
    assert o.ratio.value == pytest.approx(float(true), abs=1e-6)
    assert o.kx.value == pytest.approx(k, rel=1e-5)
    assert o.sx.value == pytest.approx(s, rel=1e-5)
    assert o.ratio_measured.value != pytest.approx(float(true), abs=0.002)


@pytest.mark.parametrize(("k", "s", "x"), FILMS)
def test_computed_films_have_the_ratio_that_is_measured(k, s, x):
    """Y 0.80 is what an instrument reads of the white ground, outside its surface; taken for an
    internal reflectance it would be Y 0.57, and the ratio up to 0.12 too high."""
    white = 0.8 / (0.97 * 0.35 + 0.65 * 0.8)
    inside = [numerical(k, s, x, ground) for ground in (0.0, white)]
    seen = [0.97 * 0.35 * r / (1 - 0.65 * r) for r in inside]
    found = float(contrast_ratio(np.full(31, k), np.full(31, s), x))
    assert found == pytest.approx(seen[0] / seen[1], abs=1e-6)
    assert read(four(k * x, s * x)).ratio.value == pytest.approx(found, abs=1e-6)


def test_three_numbers_tell_a_dark_ink_from_a_covering_one():
    """A purely absorbing black swallows the ground: what the ratio of two almost-nothings
    says is of no use, while it adds no lightness over black."""
    black = read(four(6.0, 0.4))
    white = read(four(0.02, 12.0))
    assert black.ratio.value > 0.98
    assert black.dark
    assert black.lightness_added.value < 5
    assert black.ground_de00.value < 1
    assert white.lightness_added.value > 60
    assert not white.dark


def test_lightness_is_compared_with_base_when_there_is_some():
    best = four(0.3, 1.5)
    base = np.repeat(four(0.0, 0.05)[None, 1], 97, axis=0)
    samples = np.repeat(best[None], 96, axis=0)
    o = opacity(best, samples, base)
    assert o.against_base
    expected = xyz_to_lab(best[1])[0] - xyz_to_lab(base[0])[0]
    assert o.lightness_added.value == pytest.approx(expected)
    # The base beside itself: not "+0.0 (+0.0 to +0.0)", as if that had been measured.
    from drawdown.wording.opacity import added

    itself = opacity(best, samples, np.repeat(best[None, 1], 97, axis=0))
    assert "base itself" in added(itself, 1)
    assert "base itself" not in added(o, 1)


def test_grades_are_our_stated_limits():
    words = [grade_of(v) for v in (0.0, 0.5999, 0.60, 0.8999, 0.90, 0.9799, 0.98, 1.0)]
    assert words == ["transparent", "transparent", "semi-transparent", "semi-transparent",
                     "semi-opaque", "semi-opaque", "opaque", "opaque"]  # fmt: skip


def test_a_wide_interval_is_no_grade():
    from drawdown.wording.opacity import grade

    sure, unsure = read(four(0.3, 1.5), 0.005), read(four(0.3, 1.5), 0.5)
    assert grade(sure) == sure.grade
    assert grade(unsure).startswith("cannot tell: ")
    assert sum(unsure.grade_p.values()) == pytest.approx(1)
    assert unsure.ratio.high95 - unsure.ratio.low95 > 5 * (sure.ratio.high95 - sure.ratio.low95)


def test_film_that_nothing_shines_through_has_no_upper_bound():
    o = read(four(0.5, 60.0), 0.002)
    assert o.sx.high95 is None
    assert o.sx.low95 > 2
    assert o.ratio.value > 0.99


def test_noise_never_leaves_what_a_film_can_do():
    rng = np.random.default_rng(8)
    best = four(0.001, 0.002)
    for _ in range(20):
        shaken = best * np.exp(0.1 * rng.standard_normal((4, 1)))
        o = read(shaken, 0.1)
        assert 0 <= o.ratio.low95 <= o.ratio.value <= o.ratio.high95 <= 1
        assert o.kx.value >= 0
        assert o.sx.value >= 0


def test_a_bar_like_paper_is_refused():
    with pytest.raises(ValueError, match="darker"):
        read(four(0.3, 1.5, bar=0.5))


# The reading of strip and bar ------------------------------------------------------------


def drawn(slope=0.0, angle=0.0, glare=False, one_sided=False, bar=True, at=8.0):
    """A strip 20 x 70 mm across a bar 12 mm high, drawn in XYZ as if the camera saw that:
    0.4 over paper at the bar's middle, 0.2 over the bar, both changing along the pull."""
    ppm = 3.0
    y, x = np.mgrid[0:300, 0:240]
    x_mm, y_mm = (x + 0.5) / ppm, 80 + (y + 0.5) / ppm
    u, v = y_mm - 130.0, x_mm - 40.0
    edge = u - at - np.tan(np.radians(angle)) * v  # the bar's middle lies 8 mm down
    on_bar = (np.abs(edge) < 6) & bar
    if one_sided:
        on_bar &= v > -10
    strip = (np.abs(v) < 10) & (np.abs(u) < 35)
    change = 1 + slope * edge
    level = np.where(
        on_bar, np.where(strip, 0.2 * change, 0.025), np.where(strip, 0.4 * change, 0.85)
    )
    if glare:
        level = np.where(on_bar & strip & (np.abs(v - 3) < 1.5), 0.6, level)
    rgb = (level[..., None] * WHITE_D50).astype(np.float32)
    zero = np.zeros(level.shape, np.float32)
    sheet = Sheet(rgb, zero == 0, zero, zero, (0.0, 80.0), ppm)
    corners = np.array([(30.0, 95.0), (50, 95), (50, 165), (30, 165)])
    body = strip & (np.abs(v) < 8) & (u > -30) & (u < 0)
    made = SimpleNamespace(
        number=1, corners_mm=corners, mask=strip, body=body, axis=np.array([0.0, 1.0])
    )
    return made, sheet


class Plain:
    """A correction that has nothing to correct."""

    nominal = shaded = False
    misfit_de = None
    members = np.zeros((64, 1))
    field = SimpleNamespace(
        log_gain=lambda xy: np.zeros((*np.shape(xy)[:-1], 3)),
        scatter_at=lambda xy: np.zeros(np.shape(xy)[:-1]),
    )

    def light(self, rgb, xy_mm):
        return rgb

    def xyz_d50(self, light):
        return np.asarray(light, dtype=float)

    def ensemble_xyz_d50(self, rgb, gain):
        return np.repeat(np.asarray(rgb, dtype=float)[None], 64, axis=0)


def pair_of(**how):
    strip, sheet = drawn(**how)
    return read_over_bar(strip, sheet, Plain(), builtin_cards()[0])


@pytest.mark.parametrize("slope", [-0.004, 0.0, 0.004])
def test_both_colours_are_of_one_film(slope):
    """A film that thins along the pull is read where it lies on the bar, not beside it."""
    pair = pair_of(slope=slope)
    assert pair.xyz_d50[:, 1] == pytest.approx([0.4, 0.2, 0.85, 0.025], rel=0.01)
    assert pair.film_change == pytest.approx(abs(slope) * 12, abs=0.01)


def test_a_bar_askew_and_a_shine_on_it():
    assert pair_of(angle=8).xyz_d50[:, 1] == pytest.approx([0.4, 0.2, 0.85, 0.025], rel=0.01)
    pair = pair_of(glare=True)
    assert pair.xyz_d50[1, 1] == pytest.approx(0.2, rel=0.02)
    assert pair.glare_share > 0.1


def test_what_is_no_bar_across_the_strip():
    assert pair_of(bar=False) is None
    assert pair_of(one_sided=True) is None  # dark on one side, bare paper on the other
    assert pair_of(at=34) is None  # dark at the strip's end: it may be the table


@pytest.mark.parametrize("run_out", ["after the bar", "on the bar"])
def test_film_that_runs_out_is_read_where_it_is_still_even(run_out):
    strip, sheet = drawn()  # the bar from 132 to 144 mm
    y_mm = sheet.grid_mm()[1][:, None]
    rgb = sheet.rgb_linear.copy()
    first = 144.2 if run_out == "after the bar" else 139.0
    thinner = np.where(strip.mask, np.exp(np.clip(y_mm - first, 0, None) * 0.07), 1.0)
    over_bar = (np.abs(y_mm - 138) < 6) & strip.mask
    thinner = np.where(over_bar, 1 / thinner, thinner)[..., None].astype(np.float32)
    rgb = np.minimum(rgb * thinner, 0.85 * WHITE_D50).astype(np.float32)
    thin = Sheet(rgb, sheet.inside, sheet.clipped, sheet.crushed, sheet.origin_mm, sheet.px_per_mm)
    pair = read_over_bar(strip, thin, Plain(), builtin_cards()[0])
    assert pair.xyz_d50[:, 1] == pytest.approx([0.4, 0.2, 0.85, 0.025], rel=0.015)
    assert pair.film_change > 0.1


def test_film_that_ends_before_the_bar_is_not_read():
    """Bare bar inside the strip's rectangle is no transparent ink."""
    strip, sheet = drawn()
    y_mm = sheet.grid_mm()[1][:, None]
    level = sheet.rgb_linear / WHITE_D50.astype(np.float32)
    level = np.where(((np.abs(y_mm - 138) < 6) & strip.mask)[..., None], 0.025, level)
    level = np.where(((y_mm > 144) & strip.mask)[..., None], 0.85, level)
    bare = Sheet(
        (level * WHITE_D50).astype(np.float32), sheet.inside, sheet.clipped, sheet.crushed,
        sheet.origin_mm, sheet.px_per_mm,
    )  # fmt: skip
    assert read_over_bar(strip, bare, Plain(), builtin_cards()[0]) is None


def test_a_dark_strip_that_was_pulled_over_serves_as_a_bar():
    strip, sheet = drawn()
    y_mm = sheet.grid_mm()[1]
    under = SimpleNamespace(
        mask=np.repeat((np.abs(y_mm - 138) < 6)[:, None], 240, axis=1), axis=np.array([1.0, 0.0])
    )
    ink = other_ink(strip, [strip, under])
    pair = read_over_bar(strip, sheet, Plain(), builtin_cards()[0], ink)
    assert pair.xyz_d50[:, 1] == pytest.approx([0.4, 0.2, 0.85, 0.025], rel=0.01)
    beside = SimpleNamespace(mask=under.mask, axis=np.array([0.0, -1.0]))
    assert other_ink(strip, [strip, beside]).sum() > ink.sum()


# Photos ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    truth = json.loads((PHOTOS / "no-match.json").read_text())
    card = tmp_path_factory.mktemp("card") / "card.toml"
    write_card(card, card_from_dict(truth["card"]))
    options = Options(card=card)
    return read_strips(PHOTOS / "no-match.jpg", options, lambda *_: None), truth


def test_demo_photo_against_the_renderers_own_spectra(seen):
    """The film on the bar computed over reflectance 0 and 0.80 by the renderer's formulas."""
    sys.path.insert(0, str(ROOT / "tests" / "benchmarks"))
    try:
        import opacity as benchmark
    finally:
        sys.path.pop(0)
    judgement, truth = seen
    rows = read_opacities(judgement)
    assert len(rows) == 2
    for row in rows:
        ratio = benchmark.true_of(truth["spec"], row.number)
        assert row.opacity.ratio.value == pytest.approx(ratio, abs=0.03)
        assert row.opacity.ratio.low95 <= ratio <= row.opacity.ratio.high95
        assert grade_of(ratio) == row.opacity.grade


def test_base_strip_that_is_none(seen):
    with pytest.raises(WrongUsage, match="strip 7"):
        read_opacities(seen[0], 7)


def test_no_strip_across_a_bar_is_explained(seen, monkeypatch):
    monkeypatch.setattr("drawdown.pipeline.opacity.read_over_bar", lambda *a: None)
    with pytest.raises(PhotoUnfit) as caught:
        read_opacities(seen[0])
    assert "bare" in caught.value.paragraph()


@pytest.mark.slow
def test_command_says_the_same_in_words_json_and_picture(tmp_path, capsys):
    from PIL import Image

    photo, picture = str(PHOTOS / "no-match.jpg"), tmp_path / "ladder.png"
    assert cli.main(["plan", "covers", photo, "--full", "--picture", str(picture)]) == 0
    text = capsys.readouterr().out
    assert cli.main(["plan", "covers", photo, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.opacity/1"
    flat = " ".join(text.split())
    assert data["notes"]
    assert all(" ".join(note.split()) in flat for note in data["notes"])
    for strip in data["strips"]:
        o = strip["opacity"]
        assert o["contrast_ratio"]["low95"] <= o["contrast_ratio"]["value"]
        assert f"{o['contrast_ratio']['value']:.3f}" in text
        assert o["said"].upper() in text
        assert sum(o["grade_probabilities"].values()) == pytest.approx(1, abs=0.01)
    with Image.open(picture) as ladder:
        assert ladder.size[0] == 1200


def test_ladder_gives_each_grade_a_quarter_and_narrow_screens_lose_nothing(seen):
    from drawdown.report.pictures.opacity import place_on_scale
    from drawdown.report.text.opacity import opacity_screen
    from drawdown.report.text.terminal import Screen

    assert [place_on_scale(v) for v in (0.0, 0.60, 0.90, 0.98, 1.0)] == [0, 0.25, 0.5, 0.75, 1]
    steps = [place_on_scale(v) for v in np.linspace(0, 1, 201)]
    assert np.all(np.diff(steps) > 0)
    rows = read_opacities(seen[0])
    narrow, wide = (opacity_screen(seen[0], rows, Screen(columns)) for columns in (40, 100))
    assert " ".join(narrow.split()).count("to") == " ".join(wide.split()).count("to")
    assert max(len(line) for line in narrow.splitlines()[1:]) <= 40


@pytest.mark.slow
@pytest.mark.parametrize("argv", [["--base-strip", "0"], ["--picture", "x.gif"], ["--strip", "a"]])
def test_wrong_usage(argv, capsys):
    assert cli.main(["plan", "covers", str(PHOTOS / "no-match.jpg"), *argv]) == 2
    assert capsys.readouterr().out == ""
