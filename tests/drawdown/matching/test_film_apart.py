"""Film told from ink.

The films are those of the renderer (fixtures/inkfilm.py): the classic hyperbolic solution of
Kubelka 1948 (J. Opt. Soc. Am. 38, 448) with measured pigments, which shares no code with
drawdown/ink/film.py. That transparent base and thickness cannot be told apart is exact in that
theory (an ink without K and S of its own divides KX and SX alike) and is checked as such.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from compare_kit import strip
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.naming import named
from drawdown import flags as fl
from drawdown.commands import main as cli
from drawdown.ink.shelf import Ink, InkMix
from drawdown.matching import compare as cp
from drawdown.matching.film_family import OverBars
from drawdown.matching.film_or_ink import FILMS, Pulls, film_apart
from drawdown.wording import difference as film_words
from fixtures.inkfilm import ink_reflectance
from fixtures.spectra import WAVELENGTHS_NM, lab_d50, pigments

PAPER = np.full(len(WAVELENGTHS_NM), 0.86)
PAPER_LAB = lab_d50(PAPER)
VISIBLE = (WAVELENGTHS_NM >= 400) & (WAVELENGTHS_NM <= 700)
RUN = np.concatenate([np.linspace(2.0, 1.1, 6), np.ones(15), np.linspace(0.9, 0.35, 8)])
# A base that is nothing but transparent: then more of it is a thinner film, exactly.
SHELF = pigments(None) | {"base": (np.zeros(len(WAVELENGTHS_NM)),) * 2}
GLAZE = (("PB15:3", 5.0), ("PV19", 1.2), ("base", 93.8))
RED = (("PR122", 60.0), ("PV19", 40.0))
COVERING = (("PB15:3", 1.0), ("PW6", 99.0))


def films(recipe, thickness):
    """Lab D50 (n, 3) of films of a recipe over the paper."""
    return lab_d50(ink_reflectance(recipe, SHELF, np.atleast_1d(thickness), PAPER))


def noted(recipe, strength: float = 1.0) -> InkMix:
    inks = [
        Ink(name, "", "", "colour", *(strength * v[VISIBLE] for v in SHELF[name]), "")
        for name, _ in recipe
    ]
    return InkMix(tuple(inks), np.array([parts for _, parts in recipe]))


def covariance(lab, sd=0.25):
    """A usual photo's uncertainty of the difference, alike in every direction."""
    to_lab = np.linalg.inv(local_metric(lab))
    return sd**2 * to_lab @ to_lab.T


def apart(original, batch, *, film=1.0, run=RUN, mix=None, thickness=1.0, **more):
    """``original`` against ``batch`` pulled ``film`` times as thick."""
    one, two = (films(r, x)[0] for r, x in ((original, thickness), (batch, film * thickness)))
    trails = films(original, run * thickness), films(batch, run * film * thickness)
    pulls = Pulls(PAPER_LAB, mix, **more)
    told = film_apart(np.stack([one, two]), trails, covariance(one), pulls)
    return told, float(delta_e_2000(one, two))


@pytest.mark.parametrize("ratio", [0.72, 0.85, 1.2, 1.38])
@pytest.mark.parametrize("recipe", [GLAZE, RED])
@pytest.mark.parametrize("with_mix", [False, True])
def test_same_ink_in_another_film(recipe, ratio, with_mix):
    told, de00 = apart(recipe, recipe, film=ratio, mix=noted(recipe) if with_mix else None)
    assert told.kind == "told"
    assert told.ratio == pytest.approx(ratio, rel=0.12 if with_mix else 0.2)
    assert told.ratio_low95 <= ratio <= told.ratio_high95
    assert told.de00_equal_film_low95 == pytest.approx(0, abs=0.05)
    if de00 > 2.2 and with_mix:
        assert told.de00_equal_film < 0.8
        assert told.explains(de00, 2.0)


def test_base_and_film_cannot_be_told_apart_and_it_says_so():
    """A third more base, or three quarters of the film: the same colours, so the same answer,
    and never "same ink"."""
    parts = dict(GLAZE)
    more_base = (*GLAZE[:2], ("base", parts["base"] + 100 / 3))
    thinner, _ = apart(GLAZE, GLAZE, film=0.75, mix=noted(GLAZE))
    diluted, _ = apart(GLAZE, more_base, film=1.0, mix=noted(GLAZE))
    assert diluted.ratio == pytest.approx(thinner.ratio, rel=1e-3)
    assert diluted.de00_equal_film_high95 > 3  # it may just as well be the mix
    assert diluted.p_within < 0.975
    assert film_words.film_headline(diluted) == film_words.film_headline(thinner)
    assert "a little more base" in film_words.film_headline(diluted)


def test_same_ink_is_said_outright_where_nothing_else_looks_like_it():
    told, de00 = apart(RED, RED, film=0.75, mix=noted(RED))
    assert de00 > 2
    assert film_words.film_headline(told) == "Same ink, thinner film: pull it again."


def test_a_covering_ink_is_not_changed_by_film():
    """1 % in a white twenty times as strong: film explains nothing, and no ratio is made up; the
    difference at equal film is the difference."""
    other = (("PB15:3", 1.4), ("PW6", 98.6))
    strong = noted(COVERING, strength=20)
    told, de00 = apart(COVERING, other, film=0.7, thickness=20.0, mix=strong)
    assert told.ratio is None
    assert told.kind == "opaque"
    assert told.de00_equal_film == pytest.approx(de00, abs=0.3)
    assert told.de00_equal_film_low95 <= de00 <= told.de00_equal_film_high95
    assert not told.explains(de00, 2.0)


def test_even_strips_tell_nothing():
    """Pulls of one film all along: how the colour changes with film does not show."""
    told, _ = apart(RED, RED, film=0.75, run=np.ones(20))
    assert told.kind == "short"
    assert told.ratio is None
    assert told.de00_equal_film is None


def test_another_mix_is_not_called_film():
    """A redder violet pulled alike, and pulled thinner."""
    redder = (("PB15:3", 3.4), ("PV19", 2.8), ("base", 93.8))
    for film in (1.0, 0.8):
        told, de00 = apart(GLAZE, redder, film=film)
        true, _ = apart(GLAZE, redder)
        at_equal = float(delta_e_2000(films(GLAZE, 1.0)[0], films(redder, 1.0)[0]))
        assert not told.explains(de00, 2.0)
        assert told.de00_equal_film_low95 <= at_equal <= told.de00_equal_film_high95
        assert told.p_same < 0.05
        assert true.p_same < 0.05


def test_pulled_alike_blames_the_ink():
    free, _ = apart(GLAZE, GLAZE, film=0.75)
    alike, de00 = apart(GLAZE, GLAZE, film=0.75, alike=True)
    assert alike.ratio > 0.88
    assert alike.de00_equal_film > 1.5 > free.de00_equal_film
    assert not alike.explains(de00, 2.0)


def test_coverage_over_drawn_readings():
    """Readings scattered with the covariance that is stated, over inks and films: intervals
    of 95 % hold the ratio and Delta E at equal film in 88 % and more."""
    rng = np.random.default_rng(3)
    held, held_ink = [], []
    for _ in range(40):
        names = rng.choice(["PB15:3", "PV19", "PY74", "PG7", "PR122"], 2, replace=False)
        recipe = ((names[0], rng.uniform(2, 8)), (names[1], rng.uniform(1, 4)), ("base", 90.0))
        film = float(np.exp(rng.normal(0, 0.2)))
        one, two = films(recipe, 1.0)[0], films(recipe, film)[0]
        cov = covariance(one)
        trails = [films(recipe, RUN * x) + rng.normal(0, 0.2, (len(RUN), 3)) for x in (1, film)]
        read = two + rng.multivariate_normal(np.zeros(3), cov)
        told = film_apart(np.stack([one, read]), trails, cov, Pulls(PAPER_LAB))
        if told.ratio is not None:
            held.append(told.ratio_low95 <= film <= told.ratio_high95)
        held_ink.append(told.de00_equal_film_low95 < 0.05)
    assert len(held) > 20
    assert np.mean(held) >= 0.88
    assert np.mean(held_ink) >= 0.88


# Over a bar ------------------------------------------------------------------------------

BAR = np.full(len(WAVELENGTHS_NM), 0.045)  # printed black, of any ink or toner
BAR_SD = 0.5  # Delta E of a dark reading
HALF = (("PB15:3", 4.0), ("PV19", 1.0), ("PW6", 35.0), ("base", 60.0))


def over_bar(original, batch, film, rng=None):
    """Both strips beside and over a bar, where each lies a little thicker or thinner than in its
    even part: KX and SX as ever (Kubelka 1948), over another ground."""
    covariance = np.diag(np.tile([0.1**2] * 3 + [BAR_SD**2] * 3, 2))
    error = np.zeros((2, 2, 3))
    if rng is not None:
        error = rng.multivariate_normal(np.zeros(12), covariance).reshape(2, 2, 3)
    at_bar = (1.05, 0.93 * film)
    looks = [
        (films(recipe, x)[0],
         lab_d50(ink_reflectance(recipe, SHELF, np.array([x]), BAR, wetting=0.0))[0])
        for recipe, x in zip((original, batch), at_bar, strict=True)
    ]  # fmt: skip
    seen = np.array(looks) + error
    return OverBars(seen[:, 0], seen[:, 1], lab_d50(BAR), covariance)


def with_bar(original, batch, film, rng=None, **more):
    bars = over_bar(original, batch, film, rng)
    return apart(original, batch, film=film, mix=noted(original), bars=bars, **more)[0]


@pytest.mark.parametrize("film", [0.5, 0.7, 1.4, 2.0])
def test_over_a_bar_the_same_ink_in_another_film(film):
    told = with_bar(HALF, HALF, film)
    plain, _ = apart(HALF, HALF, film=film, mix=noted(HALF))
    assert told.over_bar
    assert not plain.over_bar
    assert told.ratio == pytest.approx(film, rel=0.12)
    assert told.ratio_low95 <= film <= told.ratio_high95
    width = np.log(told.ratio_high95 / told.ratio_low95)
    assert width < np.log(plain.ratio_high95 / plain.ratio_low95)
    assert told.de00_equal_film < 0.8


def test_a_bar_tells_colour_from_film_where_white_is_in_the_mix():
    """A quarter less of both colours in equal films: over paper a thinner film would look much the
    same; over black, the white that is left shows that it is not."""
    pale = (("PB15:3", 3.0), ("PV19", 0.75), *HALF[2:])
    plain, de00 = apart(HALF, pale, mix=noted(HALF))
    told = with_bar(HALF, pale, 1.0)
    assert de00 > 2
    assert abs(np.log(told.ratio)) < abs(np.log(plain.ratio))
    width, wide = (np.log(t.ratio_high95 / t.ratio_low95) for t in (told, plain))
    assert width < 0.7 * wide
    assert told.ratio_low95 < 1 < told.ratio_high95
    assert told.de00_equal_film_low95 <= de00 <= told.de00_equal_film_high95


def test_no_bar_tells_a_clear_base_from_a_thinner_film():
    """That would need a film that is measured: KX and SX are divided alike, over any ground."""
    parts = dict(GLAZE)
    more_base = (*GLAZE[:2], ("base", parts["base"] + 100 / 3))
    bars = over_bar(GLAZE, GLAZE, 0.75)
    thinner, _ = apart(GLAZE, GLAZE, film=0.75, mix=noted(GLAZE), bars=bars)
    diluted, _ = apart(GLAZE, more_base, film=1.0, mix=noted(GLAZE), bars=bars)
    assert diluted.ratio == pytest.approx(thinner.ratio, rel=1e-3)
    assert diluted.de00_equal_film_high95 > 3
    assert diluted.p_within < 0.975


@pytest.mark.slow
def test_over_a_bar_intervals_hold():
    """Unseen inks in films of 0.5 to 2 of each other: 95 % intervals hold in 17 and more of 20
    (by chance a binomial count of 95 % falls below that once in 60)."""
    rng = np.random.default_rng(29)
    held = []
    for _ in range(20):
        names = rng.choice(["PB15:3", "PV19", "PY74", "PG7", "PR122"], 2, replace=False)
        white = rng.choice([0.0, 10.0, 40.0])
        recipe = (
            (names[0], rng.uniform(2, 8)), (names[1], rng.uniform(1, 4)),
            ("PW6", white), ("base", 90.0 - white),
        )  # fmt: skip
        film = float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))
        told = with_bar(recipe, recipe, film, rng)
        if told.ratio is not None:
            held.append(told.ratio_low95 <= film <= told.ratio_high95)
    assert len(held) > 15
    assert np.sum(held) >= len(held) - 3


@settings(max_examples=15, deadline=None)
@given(
    st.tuples(*[st.floats(3, 97), st.floats(-90, 90), st.floats(-90, 90)] * 2),
    st.integers(0, 4),
)
def test_any_two_colours_end_in_numbers(values, slices):
    one, two = np.array(values[:3]), np.array(values[3:])
    trail = np.linspace(one, PAPER_LAB, 5)[:slices]
    labs = np.stack([one, two])
    told = film_apart(labs, (trail, trail[::-1]), covariance(one), Pulls(PAPER_LAB))
    given = [v for v in vars(told).values() if isinstance(v, float)]
    assert np.isfinite(given).all()
    assert (told.ratio is None) == (told.ratio_low95 is None) == (told.ratio_high95 is None)
    if told.ratio is not None:
        thinnest, thickest = np.exp(FILMS[[0, -1]])
        assert thinnest <= told.ratio_low95 <= told.ratio <= told.ratio_high95 <= thickest
    if told.de00_equal_film is not None:
        low, high = told.de00_equal_film_low95, told.de00_equal_film_high95
        assert 0 <= low <= told.de00_equal_film <= high


def pair(recipe, film):
    """Two measured strips of one recipe, for ``compare``."""
    made = [strip(1, films(recipe, 1.0)[0]), strip(2, films(recipe, film)[0])]
    runs = [films(recipe, RUN), films(recipe, RUN * film)]
    for one, run in zip(made, runs, strict=True):
        object.__setattr__(one, "trail_lab_d50", run)
    return made


def test_the_flag_and_the_words():
    thin = cp.compare(*pair(GLAZE, 0.7), pulls=Pulls(PAPER_LAB))
    assert thin.verdict == "no match"  # the verdict is by the colours as they lie
    assert fl.FILM_DIFFERS in [f.kind for f in thin.flags]
    assert thin.film_ratio == pytest.approx(0.7, rel=0.12)
    said = " ".join(film_words.film_sentences(thin))
    assert "thinner film" in said
    assert "is film and" in said
    assert named("`pulled_alike`") in said
    same = cp.compare(*pair(GLAZE, 1.0), pulls=Pulls(PAPER_LAB))
    assert same.verdict == "match"
    assert not same.flags
    assert film_words.film_sentences(same) == ()
    unknown = cp.compare(*pair(GLAZE, 0.7))
    assert unknown.film_ratio is None
    assert not unknown.flags


@pytest.fixture(scope="module")
def thin_photo(tmp_path_factory):
    """A glaze scraped to 0.7 of the original's film; the start is thick, the end runs out."""
    from dataclasses import replace

    from calibration.card.toml import write_card
    from fixtures.demo import STUDIO
    from fixtures.render import random_spec, render

    studio = STUDIO | {"width_px": 1600, "height_px": 1200, "card_shape": "slip"}
    spec = random_spec(41, difficulty="easy", count=2, layout="below", paper="plain", **studio)
    shape = {"recipe": GLAZE, "bead": 0.8, "feather": 0.15}
    strips = tuple(
        replace(s, film=x, **shape) for s, x in zip(spec.strips, (1.1, 0.77), strict=True)
    )
    made = render(replace(spec, strips=strips))
    photo = tmp_path_factory.mktemp("film") / "thin.jpg"
    photo.write_bytes(made.jpeg())
    write_card(photo.with_suffix(".toml"), made.truth.card)
    films = [s.film_mean for s in made.truth.strips]
    return photo, films[1] / films[0]


@pytest.mark.slow
def test_a_photo_of_a_thin_strip(thin_photo, capsys):
    """The whole way: no match, the flag, ink only for the case that the difference stays when
    pulled alike; with --pulled-alike it is to be added at once."""
    photo, ratio = thin_photo
    command = ["match", str(photo), "--card", str(photo.with_suffix(".toml")), "--json"]
    for ink, parts in GLAZE:
        command += ["--mix", f"{ink}={parts}"]
    assert cli.main(command) == 3
    data = json.loads(capsys.readouterr().out)
    c = data["comparison"]
    assert "film-differs" in data["photo"]["flags"]
    assert "both are pulled alike" in data["advice"]["wait"]
    assert c["film_ratio_low95"] <= ratio <= c["film_ratio_high95"]
    assert c["film_ratio"] == pytest.approx(ratio, rel=0.2)
    assert c["de00_equal_film_low95"] <= c["de00_equal_film"] <= c["de00_equal_film_high95"]
    assert "thinner film" in c["film_words"] or "thicker film" in c["film_words"]
    assert cli.main([*command, "--pulled-alike"]) == 3
    data = json.loads(capsys.readouterr().out)
    assert "film-differs" not in data["photo"]["flags"]
    assert data["advice"]["additions"]
    assert data["advice"]["wait"] is None


def test_the_trail_runs_from_thick_to_thin(thin_photo):
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    for colour in read_strips(thin_photo[0], Options(), lambda *_: None).strips:
        lightness = colour.trail_lab_d50[:, 0]
        assert len(lightness) > 20
        assert lightness[0] < colour.lab_d50[0] - 2  # the thick start
        assert lightness[-1] > colour.lab_d50[0] + 3  # the thin end


# A wedge ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def wedge_photo(tmp_path_factory):
    """The batch of a glaze pulled six times as thick at its start as at its end, and half as thick
    again as the original in its middle."""
    from dataclasses import replace

    from calibration.card.toml import write_card
    from fixtures.demo import STUDIO
    from fixtures.render import random_spec, render

    studio = STUDIO | {"width_px": 1600, "height_px": 1200, "card_shape": "slip"}
    spec = random_spec(57, difficulty="easy", count=2, layout="below", paper="plain", **studio)
    one, two = (replace(s, recipe=GLAZE, film=1.0, length_mm=62.0) for s in spec.strips)
    two = replace(two, film=1.5, wedge=6.0, bead=0.3, feather=0.08)
    made = render(replace(spec, strips=(one, two)))
    photo = tmp_path_factory.mktemp("wedge") / "wedge.jpg"
    photo.write_bytes(made.jpeg())
    write_card(photo.with_suffix(".toml"), made.truth.card)
    return photo


@pytest.mark.slow
def test_a_wedge_is_compared_where_it_equals_the_original(wedge_photo, capsys):
    """Six times from end to end, in even steps of the logarithm: 1.5 of the original's film in the
    middle is 1.0 of it at ln(1.5)/ln(6) = 0.23 of the length beyond, 45 of 62 mm."""
    card = str(wedge_photo.with_suffix(".toml"))
    assert cli.main(["match", str(wedge_photo), "--card", card, "--json"]) != 0
    capsys.readouterr()
    assert cli.main(["match", str(wedge_photo), "--card", card, "--json", "--wedge"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["comparison"]["de00"] < 0.7
    assert "wedge" in data["photo"]["flags"]
    assert data["comparison"]["film_ratio"] is None
    assert cli.main(["match", str(wedge_photo), "--card", card, "--wedge", "--full"]) == 0
    said = " ".join(capsys.readouterr().out.lower().split())
    place = int(said.partition("the wedge was read ")[2].split(" mm")[0])
    assert place == pytest.approx(45, abs=3)


def test_what_does_not_run_is_no_wedge():
    from types import SimpleNamespace

    from calibration.errors import PhotoUnfit
    from drawdown.reading import wedge

    even = np.tile(films(GLAZE, 1.0), (20, 1))
    reading = SimpleNamespace(strip=SimpleNamespace(number=2, mask=np.ones((2, 2), bool)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wedge, "slices_along", lambda *_: (np.arange(20.0), even))
        patch.setattr(wedge, "may_cross", lambda *_: False)
        with pytest.raises(PhotoUnfit, match="hardly runs"):
            wedge.read_wedge(reading, None, None, None, None, [reading.strip])
