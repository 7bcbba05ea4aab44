"""A rough look without a card: never a match, "no match" only beyond any phone's processing.

Colours are held to colour-science's CIELAB; what the bound must bear is applied to pixels here, by
formulas of this file.
"""

from __future__ import annotations

import json
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import drawdown
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, lab_to_xyz, srgb_encode
from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands import main as cli
from drawdown.pipeline.options import Options
from drawdown.pipeline.rough import rough_look
from drawdown.reading import by_paper
from drawdown.wording import verdict

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"
NO_MATCH = (PHOTOS / "no-match.jpg", ("1440,900,90,110px", "1645,890,90,110px"))
TO_RGB = np.linalg.inv(SRGB_TO_XYZ_D50)
PAPER = by_paper.PAPER_LAB


def look(photo: Path | np.ndarray, strips: tuple[str, ...], **more):
    from drawdown.api import _silent, _source

    return rough_look([_source(photo, "sRGB")], Options(strips=strips, without_card=True, **more),
                      _silent)  # fmt: skip


def sheet(*labs: tuple[float, float, float], light=(0.8, 0.8, 0.8), size=160) -> np.ndarray:
    """(h, w, 3) uint8 sRGB: squares of colours on white paper, side by side."""
    white = lab_to_xyz(PAPER) @ TO_RGB.T
    linear = np.empty((3 * size, (2 * len(labs) + 1) * size, 3))
    linear[:] = white
    for k, lab in enumerate(labs):
        linear[size:-size, (2 * k + 1) * size : (2 * k + 2) * size] = lab_to_xyz(lab) @ TO_RGB.T
    grain = 1 + 0.004 * np.random.default_rng(3).standard_normal(linear.shape)
    return np.rint(255 * np.clip(srgb_encode(linear / white * grain * light), 0, 1)).astype("u1")


SQUARES = ("180,180,120,120px", "500,180,120,120px")


def test_a_plain_difference_is_no_match_and_says_so_with_the_card_offered(capsys, tmp_path):
    photo, strips = NO_MATCH
    argv = [str(photo), "--without-card", *(f"--strip={place}" for place in strips)]
    assert cli.main([*argv, "--picture", str(tmp_path / "out.png")]) == 3
    said = capsys.readouterr().out
    assert said.splitlines()[0].strip() == verdict.ROUGH
    assert "drawdown card card.pdf" in " ".join(said.split())
    assert len(said.splitlines()) <= 14
    assert (tmp_path / "out.png").stat().st_size > 10_000
    assert cli.main([*argv, "--json"]) == 3
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.match/1"
    assert data["card"] is None
    assert data["advice"] is None
    c = data["comparison"]
    assert c["de00_low95"] < 5.3 < c["de00_high95"]  # the truth: no-match.json
    assert c["least_de00"] > c["tolerance"]


def test_the_same_ink_twice_is_never_called_a_match():
    found = drawdown.match(sheet((50, 40, 20), (50, 40, 20)), without_card=True, strips=SQUARES)
    assert found.de00 < 0.3
    assert found.verdict == "too close to call"
    assert found.card == ""
    assert found.to_dict()["comparison"]["verdict"] == "too close to call"


def test_light_exposure_and_white_balance_cancel():
    """Of the difference; a curve is not undone exactly, so the readings move a little."""
    pair = (55, -30, -20), (58, -26, -20)
    for light in ((0.8, 0.8, 0.8), (0.5, 0.5, 0.5), (0.8, 0.7, 0.55)):
        c = look(sheet(*pair, light=light), SQUARES).comparison
        assert c.de00 == pytest.approx(float(delta_e_2000(*map(np.array, pair))), abs=0.8)
        assert c.de00_low95 < float(delta_e_2000(*map(np.array, pair))) < c.de00_high95


def test_without_processing_a_colour_is_what_colour_science_makes_of_the_reflectance():
    plain = by_paper._Phones(
        np.ones(1), np.zeros((1, by_paper.KNOTS)), np.eye(3)[None], PAPER[None]
    )
    ink, paper = np.array([0.3, 0.12, 0.05]), np.array([0.7, 0.72, 0.8])
    got = by_paper.undone(ink, paper, plain, SRGB_TO_XYZ_D50)[0]
    white = lab_to_xyz(PAPER) @ TO_RGB.T
    xyz = SRGB_TO_XYZ_D50 @ (ink / paper * white)
    want = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(WHITE_D50))
    np.testing.assert_allclose(got, want, atol=2e-3)


colours = st.tuples(st.floats(30, 85), st.floats(-35, 35), st.floats(-35, 35))
steps = st.tuples(*(st.floats(-1, 1),) * 3)


@settings(max_examples=60, deadline=None)
@given(colours, steps, st.floats(1 / 1.4, 1 / 0.55), st.floats(1 / 1.4, 1 / 0.55))
def test_no_contrast_or_saturation_makes_a_match_a_no_match(lab, step, contrast, saturation):
    """Two colours within tolerance, as a phone with this contrast and saturation shows them."""
    direction = np.array(step)
    if np.linalg.norm(direction) < 0.1:
        return
    one = np.array(lab)
    far = np.linspace(0, 8, 81)[:, None] * direction / np.linalg.norm(direction)
    two = one + far[np.flatnonzero(delta_e_2000(one, one + far) <= 2.0)[-1]]
    white = lab_to_xyz(PAPER) @ TO_RGB.T
    seen = []
    for colour_ in (one, two):
        ratio = lab_to_xyz(colour_) @ TO_RGB.T / white
        if ratio.min() < 0.02:
            return
        vivid = ratio.mean() + saturation * (ratio - ratio.mean())
        if vivid.min() < 0.005:
            return
        ink = 0.7 * vivid**contrast
        seen.append(by_paper.Seen(ink, np.full(3, 0.7), ink[None], ()))
    true = float(delta_e_2000(one, two))
    assert by_paper.least_de00(*seen, SRGB_TO_XYZ_D50) <= true + 0.1


def test_what_cannot_be_judged_says_why():
    photo, strips = NO_MATCH
    with pytest.raises(WrongUsage, match="in mm"):
        look(photo, ("10,10,20,20", strips[1]))
    with pytest.raises(WrongUsage, match="given 1 time"):
        look(photo, strips[:1])
    with pytest.raises(WrongUsage, match="overlap"):
        look(photo, (strips[0], strips[0]))
    with pytest.raises(WrongUsage, match="without"):
        look(photo, strips, card=Path("card.toml"))
    grey = np.repeat(sheet((50, 40, 20), (60, 0, 0))[..., 1:2], 3, axis=2)
    with pytest.raises(PhotoUnfit, match="no colours"):
        look(grey, SQUARES)
    burnt = sheet((50, 40, 20), (60, 0, 0), light=(1.6, 1.6, 1.6))
    with pytest.raises(PhotoUnfit, match="no bare paper"):
        look(burnt, SQUARES)


def test_a_place_that_holds_two_things_gets_no_verdict():
    found = look(sheet((50, 40, 20), (60, 0, 0)), ("120,180,140,120px", SQUARES[1]))
    assert found.comparison.verdict is None
    assert "not-one-strip" in [flag.code for flag in found.flags]


def test_paper_can_be_pointed_at():
    picture = sheet((50, 40, 20), (52, 38, 20))
    by_itself = look(picture, SQUARES).comparison
    pointed = look(picture, SQUARES, papers=("20,20,100,100px",)).comparison
    assert pointed.de00 == pytest.approx(by_itself.de00, abs=0.2)
