"""Card definitions: what is read, what is refused, and the layout of our own card."""

from __future__ import annotations

import copy
import os

import make_cards
import numpy as np
import pytest
import tomli_w

from calibration.card import toml as cardcheck
from calibration.card.toml import (
    builtin_cards,
    card_from_dict,
    card_text,
    card_to_dict,
    read_card,
    write_card,
)
from calibration.errors import BadFile

CARDS = builtin_cards()
by_name = pytest.mark.parametrize("card", CARDS, ids=lambda card: card.name)


@pytest.fixture
def plain() -> dict:
    """A small valid definition as plain data."""
    return {
        "format": "drawdown.card/1",
        "name": "mine",
        "provenance": "measured",
        "size_mm": [100, 50.0],
        "markers": [{"id": 3, "rect_mm": [2, 2, 8, 8]}],
        "patches": [
            {
                "name": f"P{i}",
                "role": "grey",
                "rect_mm": [12.0 * i, 30.0, 10.0, 10.0],
                "lab_d50": [90.0 - 10 * i, 0.0, 1.0],
                "u_lab": [0.5, 0.5, 0.5],
            }
            for i in range(6)
        ],
    }


# Reading and writing ---------------------------------------------------------------------
@by_name
def test_write_then_read_gives_the_same_card(card, tmp_path):
    path = tmp_path / "card.toml"
    write_card(path, card)
    assert read_card(path) == card
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# A reference card.")
    assert "rect_mm = [5.0, 5.0, 10.0, 10.0]" in text
    assert os.listdir(tmp_path) == ["card.toml"]


@by_name
def test_builtin_files_are_what_make_writes(card):
    made = {"slip": make_cards.slip, "frame": make_cards.frame}[card.name]()
    stored = (make_cards.CARDS / f"{card.name}.toml").read_text(encoding="utf-8")
    assert stored == card_text(made)
    assert card == made


def test_title_source_dictionary_and_markers_may_be_left_out(plain):
    del plain["markers"]
    card = card_from_dict(plain)
    assert card.markers == ()
    assert card.title == "mine"
    assert card.dictionary == "DICT_4X4_50"
    assert card.size_mm == (100.0, 50.0)


def test_text_in_a_definition_survives_the_compact_writing(tmp_path, plain):
    plain["source"] = 'odd = [\\n    1.0,\\n] and a "quote"'
    card = card_from_dict(plain)
    write_card(tmp_path / "card.toml", card)
    assert read_card(tmp_path / "card.toml") == card


def test_windows_line_ends_and_byte_order_mark_are_accepted(tmp_path, plain):
    path = tmp_path / "card.toml"
    path.write_bytes(b"\xef\xbb\xbf" + tomli_w.dumps(plain).replace("\n", "\r\n").encode())
    assert read_card(path).name == "mine"


# Refusals --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no file"),
        (b"", "is empty"),
        (b"  \n", "is empty"),
        (b"\xff\xd8\xff\xe0 JFIF", "not UTF-8"),
        ("name = 'é'".encode("latin-1"), "not UTF-8"),
        (b'format = "drawdown.card/1"\nname = \n', "line 2"),
        (b"a = " + b"[" * 5000, "not valid TOML"),
        (b'format = "something else"\n', "drawdown.card/1"),
        (b"x = 1\n", "drawdown.card/1"),
    ],
)
def test_a_file_that_is_no_definition_is_refused(tmp_path, content, words):
    path = tmp_path / "card.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadFile) as caught:
        read_card(path)
    assert words in caught.value.seen
    assert "card.toml" in caught.value.seen
    assert caught.value.why
    assert caught.value.todo


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(BadFile, match="folder"):
        read_card(tmp_path)


def _put(*path_and_value):
    *path, value = path_and_value

    def change(data):
        for key in path[:-1]:
            data = data[key]
        data[path[-1]] = value

    return change


def _drop(*path):
    def change(data):
        for key in path[:-1]:
            data = data[key]
        del data[path[-1]]

    return change


def _patch(key, value):
    return _put("patches", 2, key, value)


NAN, INF = float("nan"), float("inf")
WRONG = {
    "no name": (_drop("name"), 'no "name"'),
    "empty name": (_put("name", " "), 'empty "name"'),
    "name is a number": (_put("name", 3), 'a "name" that is not text'),
    "name breaks the line": (_put("name", "a\nb"), '"name"'),
    "no provenance": (_drop("provenance"), 'no "provenance"'),
    "unknown provenance": (_put("provenance", "guessed"), 'provenance = "guessed"'),
    "no size": (_drop("size_mm"), 'no "size_mm"'),
    "size of one": (_put("size_mm", [100.0]), '"size_mm"'),
    "size zero": (_put("size_mm", [0.0, 50.0]), "size_mm of 0 x 50"),
    "size negative": (_put("size_mm", [-100.0, 50.0]), "size_mm"),
    "size as text": (_put("size_mm", "100 x 50"), '"size_mm"'),
    "misspelt key": (_put("window", [1, 1, 9, 9]), 'key "window"'),
    "title a number": (_put("title", 1), 'a "title" that is not text'),
    "unknown dictionary": (_put("dictionary", "DICT_9X9_50"), "DICT_9X9_50"),
    "dictionary a list": (_put("dictionary", [1]), "dictionary"),
    "window outside": (_put("window_mm", [90, 5, 20, 20]), "window_mm that reaches 10 mm"),
    "window over patch": (_put("window_mm", [40, 20, 20, 20]), 'patch "P3" and the window'),
    "scale outside": (_put("scale_mm", [10, 45, 100]), "scale_mm"),
    "markers no list": (_put("markers", 5), '"markers"'),
    "marker no table": (_put("markers", [5]), "marker 1"),
    "marker id text": (_put("markers", 0, "id", "3"), 'marker 1 has id = "3"'),
    "marker id true": (_put("markers", 0, "id", True), "marker 1 has id"),
    "marker id too large": (_put("markers", 0, "id", 50), "holds only 0 to 49"),
    "marker id negative": (_put("markers", 0, "id", -1), "marker 1 has id -1"),
    "marker not square": (_put("markers", 0, "rect_mm", [2, 2, 8, 9]), "not square"),
    "marker on patch": (_put("markers", 0, "rect_mm", [2, 25, 8, 8]), "marker 3"),
    "no patches": (_drop("patches"), "no patches"),
    "patches a table": (_put("patches", {}), '"patches"'),
    "five patches": (_drop("patches", 5), "has 5 patches"),
    "patch no table": (_put("patches", 2, "P2"), "patch number 3"),
    "patch without name": (_drop("patches", 2, "name"), "patch number 3"),
    "duplicate name": (_patch("name", "P1"), 'patch "P1" is there twice'),
    "unknown role": (_patch("role", "beige"), 'patch "P2" has role = "beige"'),
    "role a list": (_patch("role", ["grey"]), 'patch "P2" has role'),
    "no role": (_drop("patches", 2, "role"), 'patch "P2" has no "role"'),
    "no rectangle": (_drop("patches", 2, "rect_mm"), 'patch "P2" has no "rect_mm"'),
    "patch outside right": (_patch("rect_mm", [95, 0, 10, 10]), 'patch "P2" has a rect_mm that'),
    "patch outside left": (_patch("rect_mm", [-1, 0, 10, 10]), 'patch "P2"'),
    "patch below": (_patch("rect_mm", [20, 45, 10, 10]), 'patch "P2"'),
    "patch without width": (_patch("rect_mm", [24, 30, 0, 10]), 'patch "P2" is only 0 x 10'),
    "patches overlap": (_patch("rect_mm", [14, 30, 10, 10]), 'patch "P1" and patch "P2"'),
    "rectangle nan": (_patch("rect_mm", [NAN, 30, 10, 10]), '"nan" in "rect_mm"'),
    "rectangle infinite": (_patch("rect_mm", [24, 30, INF, 10]), '"inf" in "rect_mm"'),
    "rectangle huge integer": (_patch("rect_mm", [10**400, 30, 10, 10]), '"rect_mm"'),
    "lab missing": (_drop("patches", 2, "lab_d50"), 'patch "P2" has no "lab_d50"'),
    "lab of two": (_patch("lab_d50", [50.0, 0.0]), 'patch "P2"'),
    "lab text": (_patch("lab_d50", ["50", 0, 0]), 'patch "P2" has "50" in "lab_d50"'),
    "lab true": (_patch("lab_d50", [True, 0, 0]), 'patch "P2"'),
    "lab nan": (_patch("lab_d50", [50, NAN, 0]), 'patch "P2"'),
    "lightness below 0": (_patch("lab_d50", [-1, 0, 0]), 'patch "P2" has the colour'),
    "lightness too high": (_patch("lab_d50", [111, 0, 0]), 'patch "P2"'),
    "chroma too high": (_patch("lab_d50", [50, 0, -160]), 'patch "P2"'),
    "u missing": (_drop("patches", 2, "u_lab"), 'patch "P2" has no "u_lab"'),
    "u negative": (_patch("u_lab", [1, -1, 1]), 'patch "P2" has u_lab'),
    "u zero": (_patch("u_lab", [1, 0, 1]), 'patch "P2" has u_lab'),
    "u infinite": (_patch("u_lab", [1, INF, 1]), 'patch "P2"'),
    "srgb of 256": (_patch("srgb", [0, 256, 0]), 'patch "P2" has srgb'),
    "srgb of halves": (_patch("srgb", [0, 0.5, 0]), 'patch "P2" has srgb'),
    "misspelt patch key": (_patch("lab", [1, 1, 1]), 'key "lab"'),
    "u without file": (_put("reference_u_lab", [1, 1, 1]), "reference_u_lab without"),
    "reference file a number": (_put("reference_file", 4), "reference_file"),
    "reference file missing": (_put("reference_file", "gone.txt"), "gone.txt"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_definition_is_refused_by_name(plain, case, tmp_path):
    card_from_dict(copy.deepcopy(plain))  # right before the change
    change, words = WRONG[case]
    change(plain)
    with pytest.raises(BadFile) as caught:
        card_from_dict(plain, "mine.toml", tmp_path)
    assert words in caught.value.seen
    assert caught.value.todo
    assert caught.value.exit_code == 6


def test_more_than_500_patches_are_refused(plain):
    plain["patches"] = plain["patches"] * 84
    with pytest.raises(BadFile, match="504 patches"):
        card_from_dict(plain)


def test_two_markers_of_one_id_are_refused(plain):
    plain["markers"].append({"id": 3, "rect_mm": [20, 2, 8, 8]})
    with pytest.raises(BadFile, match="marker 2 has id 3, which another marker has"):
        card_from_dict(plain)


def test_touching_patches_are_no_overlap(plain):
    for i, patch in enumerate(plain["patches"]):
        patch["rect_mm"] = [0.1 * 3 * i * 10, 30.0, 3.0, 10.0]  # with rounding errors
    assert len(card_from_dict(plain).patches) == 6


def test_the_table_of_dictionaries_is_opencvs():
    import cv2

    for name, count in cardcheck.DICTIONARIES.items():
        table = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
        assert len(table.bytesList) == count, name
    known = {name for name in dir(cv2.aruco) if name.startswith("DICT_")}
    # OpenCV spells two of them a second time with a capital H.
    assert {name.replace("H", "h") for name in known if name.startswith("DICT_APRILTAG")} | {
        name for name in known if not name.startswith("DICT_APRILTAG")
    } >= set(cardcheck.DICTIONARIES)


# Our own card's layout -------------------------------------------------------------------
@by_name
def test_enough_greys_colours_and_spread_whites(card):
    roles = [patch.role for patch in card.patches]
    assert sum(role in ("grey", "black") for role in roles) >= 8
    assert roles.count("colour") >= 16
    whites = card.rects_mm[card.with_role("white")]
    assert len(whites) >= 4
    thirds = np.floor(3 * (whites[:, 0] + whites[:, 2] / 2) / card.size_mm[0])
    assert set(thirds) == {0, 1, 2}
    halves = np.floor(2 * (whites[:, 1] + whites[:, 3] / 2) / card.size_mm[1])
    assert set(halves) == {0, 1}


@by_name
def test_markers_have_a_quiet_zone(card):
    """The white round a marker is at least as wide as one of its cells (its side / 6)."""
    fields = [*card.rects_mm, *([card.window_mm] if card.window_mm else [])]
    if card.text_mm:
        fields.append(card.text_mm)
    if card.scale_mm:
        x, y, length = card.scale_mm
        fields.append((x, y - 2.6, length, 5.0))
    for marker in card.markers:
        x, y, w, h = marker.rect_mm
        quiet = w / 6
        assert min(x, y, card.size_mm[0] - x - w, card.size_mm[1] - y - h) >= quiet
        for fx, fy, fw, fh in fields:
            apart = max(fx - (x + w), x - (fx + fw), fy - (y + h), y - (fy + fh))
            assert apart >= quiet


@by_name
def test_nominal_lab_agrees_with_an_independent_conversion(card):
    """colour-science: IEC 61966-2-1 decoding, Bradford to D50, CIELAB."""
    import colour

    d50 = np.array([0.3457, 0.3585])
    srgb = np.array([patch.srgb for patch in card.patches]) / 255.0
    xyz = colour.sRGB_to_XYZ(srgb, illuminant=d50, chromatic_adaptation_transform="Bradford")
    np.testing.assert_allclose(card.lab_d50, colour.XYZ_to_Lab(xyz, d50), atol=0.05)


def test_marker_ids_of_the_two_shapes_differ():
    ids = [marker.id for card in CARDS for marker in card.markers]
    assert len(set(ids)) == 8


def test_card_to_dict_is_accepted_again():
    for card in CARDS:
        assert card_from_dict(card_to_dict(card)) == card
