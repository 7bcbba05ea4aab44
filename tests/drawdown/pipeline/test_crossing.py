"""One strip across another in a photo: found, read, predicted, compared.

The photos are rendered by fixtures/, whose own Kubelka-Munk gives the crossing's true colour;
shapes are drawn here.
"""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from crossing_kit import crossing_spec, render_crossing

from calibration.card.toml import write_card
from calibration.colour.difference import delta_e_2000
from calibration.errors import PhotoUnfit
from drawdown.commands import main as cli
from drawdown.ink.shelf import starter_shelf
from drawdown.pipeline import crossing
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from drawdown.reading.crossing import _cross_of, find_cross, read_cross

SHELF = starter_shelf()
# A lower ink so deep that the kind of the upper one shows beyond the luck of the draws.
ROSE, SKY = (("PR254", 24), ("base", 76)), (("PB15:3", 3), ("PW6", 97))


def place(seen):
    return seen.sheet, seen.correction, seen.view.card


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    """(path, measured card, what is true): a tint in white over a rose glaze."""
    folder = tmp_path_factory.mktemp("crossing")
    spec = crossing_spec(ROSE, SKY, seed=7, table="board", width_px=1500, height_px=1125)
    made = render_crossing(spec)
    made.rendered.save_jpeg(folder / "cross.jpg")
    write_card(folder / "card.toml", made.rendered.truth.card)
    return folder / "cross.jpg", folder / "card.toml", made


@pytest.fixture(scope="module")
def seen(photo):
    return read_strips(photo[0], Options(card=photo[1]), lambda *_: None)


@pytest.fixture(scope="module")
def read(seen):
    return read_cross(find_cross(*place(seen)), *place(seen), seen.photo.jpeg_quality)


@pytest.mark.slow
def test_the_cross_is_found_where_it_is(photo, seen):
    found = find_cross(*place(seen))
    assert found.names == ("upright", "across")
    x, y, w, h = photo[2].at_mm
    true = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
    for corner in true:
        assert np.linalg.norm(found.middle - corner, axis=1).min() < 1.5


def test_the_three_colours_are_read(photo, read):
    made = photo[2]
    pairs = [
        (read.alone["upright"], made.lab_lower),
        (read.alone["across"], made.lab_upper),
        (read.crossing, made.lab_crossing),
    ]
    for colour, true in pairs:
        assert float(delta_e_2000(colour.lab_d50, true)) < 3.0
        assert np.all(np.abs(colour.lab_d50 - true) < 1.3 * colour.lab_u95)


def test_prediction_from_the_mixes_agrees_with_the_reading(seen, read, photo):
    mixes = SHELF.named_mix(dict(ROSE)), SHELF.named_mix(dict(SKY))
    order = crossing.predict(seen, read, SHELF, "upright", "across", mixes)
    assert order.agrees
    assert order.covers == "as predicted"
    assert order.de00 < 4
    assert order.de00_95[0] <= order.de00 <= order.de00_95[1]
    # Against the truth, not only the reading.
    off = np.abs(order.predicted.lab_d50 - photo[2].lab_crossing)
    assert np.all(off < order.predicted.lab_u95)


def test_without_the_mixes_it_is_less_sure_and_says_so(seen, read, photo):
    mixes = SHELF.named_mix(dict(ROSE)), SHELF.named_mix(dict(SKY))
    told = crossing.predict(seen, read, SHELF, "upright", "across", mixes)
    guessed = crossing.predict(seen, read, SHELF, "upright", "across")
    assert guessed.predicted.lab_u95[0] > told.predicted.lab_u95[0]
    assert guessed.agrees
    assert 0 < guessed.opaque[1] < 1  # white or base: one colour cannot tell, the crossing can
    assert guessed.kind == "covering"
    assert told.kind is None


def test_the_wrong_way_round_is_found_out(seen, read):
    mixes = SHELF.named_mix(dict(SKY)), SHELF.named_mix(dict(ROSE))
    order = crossing.predict(seen, read, SHELF, "across", "upright", mixes)
    assert not order.agrees
    assert order.de00 > 15


# Shapes ---------------------------------------------------------------------------------------


def shape(*rectangles, deg=0.0, size=400):
    mask = np.zeros((size, size), np.uint8)
    for x, y, w, h in rectangles:
        mask[y : y + h, x : x + w] = 1
    turn = cv2.getRotationMatrix2D((size / 2, size / 2), deg, 1)
    return cv2.warpAffine(mask, turn, (size, size)) > 0


CROSS = ((170, 60, 60, 280), (60, 150, 280, 60))


@pytest.mark.parametrize("deg", [0, 3, 12, 30, 44, 60, 90])
def test_crosses_at_any_angle(deg):
    upright, across, middle = _cross_of(shape(*CROSS, deg=deg), 2.5)
    turn = cv2.getRotationMatrix2D((200, 200), deg, 1)
    true = np.array([(170, 150), (230, 150), (230, 210), (170, 210)]) @ turn[:, :2].T + turn[:, 2]
    for corner in true:
        assert np.linalg.norm(middle - corner, axis=1).min() < 4
    along = (upright[3] - upright[0]) / np.linalg.norm(upright[3] - upright[0])
    beside = (across[1] - across[0]) / np.linalg.norm(across[1] - across[0])
    assert abs(along @ beside) < 0.05


@pytest.mark.parametrize(
    "rectangles",
    [
        ((100, 100, 60, 200),),  # one strip
        ((100, 100, 200, 200),),  # a field
        ((170, 60, 60, 280), (180, 150, 40, 60)),  # a strip within a strip
        ((170, 60, 9, 280), (60, 150, 280, 9)),  # pencil lines
    ],
)
def test_what_is_no_cross_is_not_taken_for_one(rectangles):
    assert _cross_of(shape(*rectangles), 2.5) is None


@pytest.mark.slow
def test_a_photo_without_a_cross_is_explained(capsys):
    path = "fixtures/photos/no-match.jpg"
    assert cli.main(["plan", "layers", path, "--json"]) == 5
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == "drawdown.overprint/1"
    assert "--strip twice" in " ".join(err.split())
    found = read_strips(path, Options(), lambda *_: None)
    with pytest.raises(PhotoUnfit):
        find_cross(*place(found))


# The command ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_command_reads_and_compares(photo, capsys, tmp_path):
    path, card, _ = photo
    picture = tmp_path / "cross.png"
    typed = ["plan", "layers", str(path), "--card", str(card)]
    layers = ["--layer", "rose: PR254 24, base 76", "--layer", "sky: PB15:3 3, white 97"]
    assert cli.main([*typed, *layers, "--on-top", "across", "--picture", str(picture)]) == 0
    out = capsys.readouterr().out
    assert "across strip over upright one" in out
    assert "AGREES" in out
    assert picture.stat().st_size > 10_000
    assert cli.main([*typed, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)["photo"]
    assert [p["upper"] for p in data["predictions"]] == ["across", "upright"]
    assert data["predictions"][0]["agrees"]
    assert data["predictions"][0]["upper_is"] == "covering"


def test_places_by_hand(photo, capsys):
    path, card, made = photo
    x, y, w, h = made.at_mm
    typed = ["plan", "layers", str(path), "--card", str(card), "--json"]
    whole = ["--strip", f"{x},{y - 30},{w},{h + 50}", "--strip", f"{x - 15},{y},{w + 45},{h}"]
    assert cli.main([*typed, *whole]) == 0
    first = json.loads(capsys.readouterr().out)["photo"]
    parts = ["--strip", f"{x},{y - 28},{w},25", "--strip", f"{x + w + 3},{y},25,{h}"]
    assert cli.main([*typed, *parts, "--at", f"{x},{y},{w},{h}"]) == 0
    second = json.loads(capsys.readouterr().out)["photo"]
    for data in (first, second):
        read = data["crossing"]["lab_d50"]
        assert float(delta_e_2000(np.array(read), made.lab_crossing)) < 3
        assert data["predictions"][0]["upper"] == "upper"


@pytest.mark.slow
@pytest.mark.parametrize(
    "typed",
    [
        ["--at", "1,2,3,4"], ["--on-top", "across"], ["p.jpg", "--on-top", "left"],
        ["p.jpg", "--at", "1,2,3,4"], ["p.jpg", "--strip", "1,2,3,4"], ["p.jpg", "--paper", "9"],
        ["p.jpg", "--strip", "1,2,3,4", "--strip", "1,2,3,x"],
        ["p.jpg", "--layer", "white=1", "--layer", "black=1"],
        ["p.jpg", "--layer", "white=1", "--on-top", "across"],
    ],
)  # fmt: skip
def test_nonsense_is_explained(typed, capsys):
    assert cli.main(["plan", "layers", *typed]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) >= 2
