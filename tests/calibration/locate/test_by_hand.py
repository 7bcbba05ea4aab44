"""A card placed by its four corners. What is true is the homography the photo was drawn with
(tests/synthetic.py). That a person clicks within one per cent of the card's width is our own
requirement, no source."""

from __future__ import annotations

from dataclasses import replace

import charts
import cv2
import numpy as np
import pytest
from charts import SIZE, codes, photo_of

from calibration.card.toml import builtin_cards, write_card
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.by_hand import locate_by_hand
from calibration.locate.find_card import locate
from calibration.photo.open import open_photo
from drawdown.commands import main as cli
from drawdown.commands.support.parse import read_corners

pytestmark = pytest.mark.slow

LAB = charts.colours()
NEAR = 0.08  # of a patch's side may be missed: it is read from its inner two thirds


# Corners by hand ---------------------------------------------------------------------------
def clicked(card, matrix, share=0.01, seed=0) -> np.ndarray:
    corners = charts.card_corners_px(card, matrix)
    off = share * np.linalg.norm(corners[0] - corners[1])
    return corners + np.random.default_rng(seed).uniform(-off, off, (4, 2))


@pytest.mark.parametrize("board", [None, 0.03], ids=["white", "dark"])
@pytest.mark.parametrize("columns", [6, 4], ids=["landscape", "portrait"])
@pytest.mark.parametrize("start", range(4))
def test_corners_by_hand_a_per_cent_off_and_from_any_corner(tmp_path, columns, start, board):
    card = charts.chart(LAB, columns=columns, ids=())
    matrix = charts.view_of(card, SIZE, turn=90 * start + 8)
    change = None if board is None else charts.backing(card, board)
    photo = photo_of(tmp_path, card, matrix, change=change)
    corners = clicked(card, matrix, seed=start)
    rough = cv2.getPerspectiveTransform(
        np.float32([(0, 0), (card.size_mm[0], 0), card.size_mm, (0, card.size_mm[1])]),
        corners.astype(np.float32),
    )
    view = locate_by_hand(photo, (card,), np.roll(corners, -start, axis=0))
    assert charts.patch_miss(view, matrix) < 0.04
    before = charts.patch_miss(replace(view, mm_to_px=rough), matrix)
    assert charts.patch_miss(view, matrix) < 0.6 * before
    assert codes(view) == ["card-placed-by-hand"]
    assert ("first one is" in view.flags[0].seen) == (start > 0)
    assert view.markers_found == ()


def test_corners_named_anticlockwise(tmp_path):
    card = charts.chart(LAB, ids=())
    matrix = charts.view_of(card, SIZE)
    view = locate_by_hand(
        photo_of(tmp_path, card, matrix), (card,), clicked(card, matrix)[[0, 3, 2, 1]]
    )
    assert charts.patch_miss(view, matrix) < 0.04


@pytest.mark.parametrize("card", builtin_cards(), ids=lambda c: c.name)
def test_corners_by_hand_of_our_own_card(tmp_path, card):
    matrix = charts.view_of(card, (1400, 1000))
    photo = open_photo(charts.shot(tmp_path / "p.jpg", card, matrix, (1400, 1000), quality=95))
    view = locate_by_hand(photo, builtin_cards(), clicked(card, matrix))
    assert view.card.name == card.name
    assert charts.patch_miss(view, matrix) < 0.06


def test_corners_of_something_else_are_refused(tmp_path):
    card = charts.chart(LAB, ids=())
    matrix = charts.view_of(card, SIZE)
    order = np.random.default_rng(1).permutation(24)
    mixed = [
        replace(p, lab_d50=card.patches[k].lab_d50)
        for p, k in zip(card.patches, order, strict=True)
    ]
    other = replace(card, patches=tuple(mixed))
    with pytest.raises(PhotoUnfit, match="does not look like the card"):
        locate_by_hand(photo_of(tmp_path, card, matrix), (other,), clicked(card, matrix))


def test_chart_without_markers_says_what_to_do(tmp_path):
    card = charts.chart(LAB, ids=())
    with pytest.raises(WrongUsage, match="has no markers") as caught:
        locate(photo_of(tmp_path, card, charts.view_of(card, SIZE)), (card,))
    assert "`card_corners`" in caught.value.todo


BAD_CORNERS = {
    "1,2 3,4": "2 points",
    "1,2": "one point",
    "1,2 300,4 300,500 1,500 7,7": "5 points",
    "": "not four points",
    "here": "not four points",
    "a,b 300,4 300,500 1,500": "not four points",
    "nan,2 300,4 300,500 1,500": "not four points",
    "1e3,2 300,4 300,500 1,500": "not four points",
    "1,2,300,4,300,500,1,500": "not four points",
    "10,10 22,10 22,22 10,22": "12 pixels apart",
    "100,100 100,100 400,400 100,400": "0 pixels apart",
    "100,100 400,400 400,100 100,400": "cross",
    "100,100 400,100 200,200 100,400": "bend inwards",
    "100,100 300,101 500,100 300,400": "cross or bend",
    "100,100 300,99 500,100 300,400": "in one line",
}


@pytest.mark.parametrize(("text", "says"), BAD_CORNERS.items())
def test_bad_corners_are_explained(text, says):
    with pytest.raises(WrongUsage, match=says) as caught:
        read_corners(text)
    assert caught.value.exit_code == 2
    assert caught.value.todo


def test_corners_may_be_written_in_several_ways():
    points = ((10.0, 10.5), (200.0, 10.0), (200.0, 90.0), (10.0, 90.0))
    assert read_corners("10,10.5 200,10 200,90 10,90") == points
    assert read_corners(" 10, 10.5; 200 ,10;200,90\n10,90 ") == points


def test_corners_outside_the_photo_end_with_exit_code_2(tmp_path, capsys):
    card = charts.chart(LAB, ids=())
    path = charts.shot(tmp_path / "p.jpg", card, charts.view_of(card, SIZE), SIZE, quality=95)
    write_card(tmp_path / "card.toml", card)
    base = ["read", str(path), "--card", str(tmp_path / "card.toml")]
    assert cli.main([*base, "--card-corners", "10,10 1200,10 1200,700 10,700"]) == 2
    assert "1000 x 800 pixels" in " ".join(capsys.readouterr().err.split())
    assert cli.main(base) == 2
    assert "--card-corners" in capsys.readouterr().err
    twice = ["--card-corners", "10,10 900,10 900,700 10,700"] * 2
    assert cli.main(["match", *base[1:], *twice]) == 2
    assert cli.main(["read", str(tmp_path), *twice[:2]]) == 2
