"""Glare told from ink: by arithmetic, on strips made up of known film and known glare, and on
rendered photographs.

Sources: the dichroic reflection model (Shafer 1985: body colour plus the lamp's colour),
Beer's law for the film. The rendered scenes (``fixtures``) add mirrored light by a formula of
their own; their truth is the ink without it.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from calibration.correction.glare import find_glare, find_panes, glare_share
from drawdown.strips.strip import find_shine

RED, BLUE, GREY = (0.75, 0.09, 0.06), (0.05, 0.12, 0.42), (0.06, 0.06, 0.06)
PAPER = np.array((0.92, 0.9, 0.86))


def strip(body, lobe: float = 0.0, at=(0.5, 0.5), width_mm=(14.0, 10.0), seed: int = 3):
    """Cells (60, 18, 3) of 1 mm relative to white: a film that tapers, with ridges and grain
    (Beer), under a lamp's soft image; and the glare put in."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:60, 0:18].astype(float)
    film = 1 - 0.08 * (y / 60 - 0.5) + 0.03 * np.sin(2 * np.pi * x / 4 + rng.uniform(0, 6))
    film += rng.normal(0, 0.02, film.shape)
    m = lobe * np.exp(
        -0.5 * (((y - 60 * at[0]) / width_mm[0]) ** 2 + ((x - 18 * at[1]) / width_mm[1]) ** 2)
    )
    rgb = PAPER * (np.asarray(body) / PAPER) ** film[..., None] + m[..., None]
    rgb += rng.normal(0, 0.001, rgb.shape)
    return rgb.astype(np.float32), m


# Shares -----------------------------------------------------------------------------------
@pytest.mark.parametrize("body", [RED, BLUE, GREY])
@pytest.mark.parametrize("white", [(1.0, 1.0, 1.0), (0.8, 0.7, 0.45)])
def test_share_of_a_printed_field(body, white):
    """Body plus m times the lamp gives m back, whatever the lamp's colour."""
    m = np.linspace(0, 0.3, 40).reshape(5, 8)
    rgb = (np.array(body) + m[..., None]) * np.array(white)
    found, sd = glare_share(rgb, np.array(body) * white, np.array(white))
    np.testing.assert_allclose(found, m, atol=1e-6)
    assert 0 < sd < 0.01


def test_light_that_varies_is_no_glare():
    """One per cent more light on a vivid field is explained as that."""
    rgb = 1.01 * np.array(RED)
    found, sd = glare_share(rgb, np.array(RED), np.ones(3))
    assert found < 0.002
    assert found <= 2 * sd


def test_less_light_than_the_reference_is_no_glare():
    found, _ = glare_share(np.array(RED) - 0.05, np.array(RED), np.ones(3))
    assert found == 0


# Strips -----------------------------------------------------------------------------------
@pytest.mark.parametrize("body", [RED, BLUE])
@pytest.mark.parametrize("at", [(0.5, 0.5), (0.15, 0.3), (0.9, 0.6)])
def test_a_soft_lobe_is_found_and_mapped(body, at):
    rgb, m = strip(body, 0.12, at)
    known = np.ones(m.shape, bool)
    found = find_glare(rgb, known)
    assert found.span > 4 * found.sd
    assert found.likeness > 0.6
    wanted = m - np.quantile(m, 0.03)
    assert np.corrcoef(found.level.ravel(), wanted.ravel())[0, 1] > 0.9
    assert np.sqrt(np.mean((found.level - wanted) ** 2)) < 0.2 * m.max()


@pytest.mark.parametrize("body", [RED, BLUE, GREY])
@pytest.mark.parametrize("seed", range(6))
def test_film_alone_is_no_glare(body, seed):
    rgb, _ = strip(body, seed=seed)
    assert shine(rgb) is None


def test_grey_ink_is_less_sure_than_vivid_ink():
    """A grey film scraped thinner pales as glare does; a red one does not."""
    sure = {}
    for name, body in (("red", RED), ("grey", GREY)):
        rgb, _ = strip(body)
        found = find_glare(rgb, np.ones(rgb.shape[:2], bool))
        sure[name] = found.sd / np.mean(body)
    assert sure["grey"] > 4 * sure["red"]


def test_too_few_cells_say_nothing():
    rgb, _ = strip(RED, 0.3)
    known = np.zeros(rgb.shape[:2], bool)
    known[:3, :5] = True
    found = find_glare(rgb, known)
    assert found.span == 0
    assert not np.any(found.level)


def window(shape, level: float, covered: float, degrees: float = 20.0):
    """(h, w) the mirror image of panes with bars of 2 mm, over that share of the length."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    t = np.radians(degrees)
    u, v = x * np.cos(t) + y * np.sin(t), -x * np.sin(t) + y * np.cos(t)
    panes = (np.abs(v - covered * shape[0] / 2) < covered * shape[0] / 2) & (u > 3)
    bars = (np.abs(np.mod(u, 11.0) - 5.5) > 1.0) & (np.abs(np.mod(v, 14.0) - 7.0) > 1.0)
    return level * (panes & bars)


@pytest.mark.parametrize("body", [RED, BLUE, GREY, (0.6, 0.55, 0.5)])
@pytest.mark.parametrize("degrees", [20.0, 70.0])
def test_what_a_window_does_not_cover_is_the_ink(body, degrees):
    cells, _ = strip(body)
    lit = window(cells.shape[:2], 0.12, 0.5, degrees)
    seen = shine((cells + lit[..., None]).astype(np.float32))
    assert seen is not None
    assert not seen.lost
    assert seen.level == pytest.approx(0.12, rel=0.35)
    inside = np.kron(lit, np.ones((3, 3)))[seen.clean]
    assert np.mean(inside > 0) < 0.08
    found = np.kron(cells + lit[..., None], np.ones((3, 3, 1)))[seen.clean].mean(axis=0)
    assert np.abs(found - cells.reshape(-1, 3).mean(axis=0)).max() < 0.012


@pytest.mark.parametrize("body", [RED, BLUE])
def test_light_over_the_whole_width_with_a_straight_edge_is_no_film(body):
    """A film may run out along the pull, but not from one millimetre to the next and alike in all
    lines; and it does not pale as mirrored light makes it."""
    cells, _ = strip(body)
    half = cells.shape[0] // 2
    cells[half:] += 0.05
    seen = shine(cells)
    assert seen is not None
    assert not seen.lost
    assert seen.clean[30 : 3 * (half - 2)].mean() > 0.75
    assert seen.clean[3 * (half + 2) :].mean() < 0.1
    # A film thinner by a tenth from there on is film.
    thinner, _ = strip(body)
    thinner[half:] = PAPER * (thinner[half:] / PAPER) ** 0.9
    assert shine(thinner.astype(np.float32)) is None


def test_what_may_be_film_is_kept_and_remembered():
    """Too faint to leave out, too much to be sure of: the strip stays whole."""
    cells, m = strip(RED, 0.010, at=(0.9, 0.5))
    seen = shine(cells)
    assert seen is not None
    assert seen.share == 0
    assert seen.clean.all()
    assert 0.3 * m.max() < seen.level < 2 * m.max()


@pytest.mark.parametrize("body", [RED, GREY])
def test_a_window_over_all_of_it_leaves_too_little(body):
    cells, _ = strip(body)
    seen = shine((cells + window(cells.shape[:2], 0.2, 1.2)[..., None]).astype(np.float32))
    assert seen is not None
    assert seen.lost


def test_streaks_that_show_paper_are_no_window():
    cells, _ = strip(GREY)
    cells[:, 5] = cells[:, 12] = 0.5 * (GREY + PAPER)
    assert shine(cells) is None
    # Nor is a bundle of them, three cells wide, that begins half-way down.
    many, _ = strip(GREY)
    half = many.shape[0] // 2
    many[half:, 5:8] += 0.3 * (PAPER - GREY)
    assert find_panes(many.astype(np.float32), np.ones(many.shape[:2], bool)) is None


# What is left of a strip ------------------------------------------------------------------
def shine(cells: np.ndarray, px_per_mm: int = 3):
    """As ``strip_body`` asks: the part of the sheet that holds the strip, in pixels."""
    rgb = np.kron(cells, np.ones((px_per_mm, px_per_mm, 1), np.float32))
    high, wide = rgb.shape[:2]
    corners = np.array([(-0.5, -0.5), (wide - 0.5, -0.5), (-0.5, high - 0.5)])
    ink = np.ones((high, wide), bool)
    return find_shine(rgb, np.ones(3), ink, corners, px_per_mm)


def test_a_small_lobe_leaves_most_of_the_strip():
    cells, m = strip(RED, 0.2, at=(0.75, 0.5), width_mm=(6.0, 8.0))
    seen = shine(cells)
    assert seen is not None
    assert not seen.lost
    assert 0.1 < seen.share < 0.7
    level = np.kron(m, np.ones((3, 3)))
    assert level[seen.clean].max() < 0.1 * m.max()
    # The mean of what is left is the ink's, that of the whole strip is not.
    rgb = np.kron(cells, np.ones((3, 3, 1)))
    dull, _ = strip(RED)
    ink = dull.reshape(-1, 3).mean(axis=0)
    assert np.abs(rgb[seen.clean].mean(axis=0) - ink).max() < 0.006
    assert np.abs(rgb.reshape(-1, 3).mean(axis=0) - ink).max() > 0.02


def test_a_lobe_over_all_of_it_leaves_too_little():
    cells, _ = strip(RED, 0.2, at=(0.5, 0.5), width_mm=(20.0, 14.0))
    seen = shine(cells)
    assert seen is not None
    assert seen.lost
    assert seen.share > 0.7


# Photographs ------------------------------------------------------------------------------
@pytest.mark.slow
@pytest.mark.parametrize(("seed", "lobe"), [(97010, 0.0), (97010, 0.45)])
def test_a_rendered_photo_is_refused_for_its_glare_alone(tmp_path, seed, lobe):
    """The same two strips (true difference 1.69): judged as they are, and refused rather than
    called different when a lamp mirrors in one of them."""
    from calibration.card.toml import write_card
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options
    from fixtures.render import render
    from fixtures.scenes import random_spec

    spec = random_spec(
        seed, count=2, width_px=1600, height_px=1200, glare=lobe, glare_on="strips",
        shadow="none", clutter=(),
    )  # fmt: skip
    made = render(spec)
    photo, card = tmp_path / "scene.jpg", tmp_path / "card.toml"
    made.save_jpeg(photo)
    write_card(card, made.truth.card)
    truth = json.loads(photo.with_suffix(".json").read_text())["de00"][0][1]
    seen = match_photo(photo, Options(card=card), lambda *_: None)
    hard = [flag for flag in seen.all_flags if flag.hard]
    if lobe == 0:
        assert not hard
        assert "glare" not in [flag.code for flag in seen.all_flags]
        assert seen.comparison.de00 == pytest.approx(truth, abs=0.5)
    else:
        assert seen.comparison.verdict is None
        assert [flag.code for flag in hard] == ["lamp-on-strip"]
        assert "a lamp or window is mirrored" in hard[0].seen
