"""Card definitions: what is read, what is refused, and the layout of our own card."""

from __future__ import annotations

import copy
import os
import stat
from pathlib import Path

import numpy as np
import pytest
import tomli_w

from calibration import cardcheck
from calibration.card import (
    builtin_cards,
    card_from_dict,
    card_to_dict,
    read_card,
    write_card,
)
from calibration.cards import make
from calibration.cgats import parse_cgats, read_cgats
from calibration.errors import BadFile
from calibration.files import write_atomically

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
    made = {"slip": make.slip, "frame": make.frame}[card.name]()
    stored = Path(make.__file__).with_name(f"{card.name}.toml").read_text(encoding="utf-8")
    assert stored == make.toml_text(made)
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


# Reference values from CGATS.17 (layout: ISO 28178 / CGATS.17, from public descriptions) ---
CGATS = """CGATS.17
ORIGINATOR\t"the studio's ""old"" instrument"
# a comment line
KEYWORD "PAPER_NAME"
PAPER_NAME "plain matt"   # a comment after
WEIGHTING_FUNCTION "ILLUMINANT, D50"
WEIGHTING_FUNCTION "OBSERVER, 2 degree"
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID\tSAMPLE_NAME
LAB_L LAB_A\tLAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 7
BEGIN_DATA
1\t"P0"\t95.10\t0.40\t-2.00
2\tP1\t80.5\t-1.0\t0
3 P2 70 1e0 2
4 P3 60.0 0.0 0.0

5 P4 50.0 0.0 0.0
6 P5 40.0 0.0 0.0
7 "more than asked" 10 20 30
END_DATA
"""


def _with_values(plain, tmp_path, text, **more):
    (tmp_path / "values.txt").write_text(text, encoding="utf-8")
    for patch in plain["patches"]:
        patch.pop("lab_d50", None)
        patch.pop("u_lab", None)
    plain |= {"reference_file": "values.txt", "reference_u_lab": [0.4, 0.3, 0.3], **more}
    (tmp_path / "card.toml").write_text(tomli_w.dumps(plain), encoding="utf-8")
    return read_card(tmp_path / "card.toml")


def test_lab_values_come_from_a_cgats_file(plain, tmp_path):
    card = _with_values(plain, tmp_path, CGATS)
    assert card.patches[0].lab_d50 == (95.10, 0.40, -2.00)
    assert card.patches[2].lab_d50 == (70.0, 1.0, 2.0)
    assert np.all(card.u_lab == [0.4, 0.3, 0.3])
    write_card(tmp_path / "again.toml", card)  # the values are now in the definition itself
    assert read_card(tmp_path / "again.toml") == card


def test_patches_may_be_matched_by_sample_id(plain, tmp_path):
    for i, patch in enumerate(plain["patches"], start=1):
        patch["name"] = str(i)
    card = _with_values(plain, tmp_path, CGATS)
    assert card.patches[1].lab_d50 == (80.5, -1.0, 0.0)


def test_keyword_lines_and_quotes_are_read():
    (table,) = parse_cgats(CGATS)
    assert ("ORIGINATOR", 'the studio\'s "old" instrument') in table.keywords
    assert ("PAPER_NAME", "plain matt") in table.keywords
    assert table.columns["SAMPLE_NAME"][-1] == "more than asked"
    assert list(table.columns) == ["SAMPLE_ID", "SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B"]


def test_xyz_values_are_converted_from_d50(plain, tmp_path):
    # CIE 15:2018: the white is L* 100, a* 0, b* 0; Y = 18.4187 is L* 50 (16 + 116 f, by hand).
    rows = [f"P{i} 96.42 100.00 82.49" for i in range(5)]
    share = 18.418651851 / 100
    rows.append(f"P5 {96.42 * share:.6f} {100 * share:.6f} {82.49 * share:.6f}")
    text = "\n".join(
        ["ISO28178", "BEGIN_DATA_FORMAT", "SAMPLE_NAME XYZ_X XYZ_Y XYZ_Z", "END_DATA_FORMAT",
         "BEGIN_DATA", *rows, "END_DATA"]
    )  # fmt: skip
    card = _with_values(plain, tmp_path, text)
    np.testing.assert_allclose(card.lab_d50[0], [100, 0, 0], atol=1e-9)
    np.testing.assert_allclose(card.lab_d50[5], [50, 0, 0], atol=1e-4)
    with pytest.raises(BadFile, match=r"below 1\.5"):
        _with_values(plain, tmp_path, text.replace("96.42 100.00 82.49", "0.96 1.0 0.82").replace(
            rows[-1], "P5 0.1 0.1 0.1"))  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("END_DATA\n", "", "breaks off: END_DATA is missing"),
        ("END_DATA_FORMAT", "", "END_DATA_FORMAT is missing"),
        ("BEGIN_DATA_FORMAT", "", "END_DATA_FORMAT without"),
        ("3 P2 70 1e0 2", "3 P2 70 1e0", "line 17 holds 4 values for 5 columns"),
        ("3 P2 70 1e0 2", '3 "P2 70 1e0 2', "line 17 has a stray quotation mark"),
        ("3 P2 70 1e0 2", "3 P2 70 1e0 2,5", "write a point, not a comma"),
        ("3 P2 70 1e0 2", "3 P2 70 - 2", "not a number"),
        ("3 P2 70 1e0 2", "3 P2 nan 1 2", "not a number"),
        ("3 P2 70 1e0 2", "3 P1 70 1 2", 'no values for "P2"'),
        ("7 \"more than asked\"", "7 P2", 'more than one sample called "P2"'),
        ("3 P2 70 1e0 2", "3 P2 170 1 2", 'patch "P2" has the colour'),
        ("NUMBER_OF_SETS 7", "NUMBER_OF_SETS 8", "announces 8 samples and holds 7"),
        ("NUMBER_OF_FIELDS 5", "NUMBER_OF_FIELDS 6", "announces 6 columns and holds 5"),
        ("LAB_A\tLAB_B", "LAB_A\tLAB_A", "column LAB_A twice"),
        ("LAB_L LAB_A", "LCH_L LCH_C", "has no table with"),
        ("ILLUMINANT, D50", "ILLUMINANT, D65", "illuminant D65, not D50"),
        ("OBSERVER, 2 degree", "OBSERVER, 10 degree", "10 degree observer"),
        (CGATS, "hello\n", "no CGATS.17 table"),
        (CGATS, "A\nBEGIN_DATA\n1\nEND_DATA\n", "BEGIN_DATA comes before"),
        (CGATS, "A\nBEGIN_DATA_FORMAT\nSAMPLE_ID\nEND_DATA_FORMAT\nBEGIN_DATA\nEND_DATA\n",
         "without a single sample"),
    ],
)  # fmt: skip
def test_a_wrong_cgats_file_is_refused(plain, tmp_path, old, new, words):
    assert old in CGATS
    with pytest.raises(BadFile) as caught:
        _with_values(plain, tmp_path, CGATS.replace(old, new))
    assert words in caught.value.seen


def test_cgats_in_another_encoding_or_not_text(tmp_path):
    path = tmp_path / "values.txt"
    path.write_bytes(CGATS.replace("plain matt", "crème").encode("latin-1"))
    assert read_cgats(path)[0].columns["LAB_L"][0] == "95.10"
    path.write_bytes(CGATS.encode("utf-16"))
    with pytest.raises(BadFile, match="not plain text"):
        read_cgats(path)


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


# Writing files ---------------------------------------------------------------------------
def test_a_file_is_replaced_whole_and_through_a_link(tmp_path):
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_bytes(b"old")
    link.symlink_to(target)
    write_atomically(link, b"new")
    assert target.read_bytes() == b"new"
    assert link.is_symlink()
    assert sorted(os.listdir(tmp_path)) == ["link", "target"]


def test_a_new_file_gets_the_usual_permissions(tmp_path):
    write_atomically(tmp_path / "mine", b"x")
    (tmp_path / "plain").write_bytes(b"x")
    modes = {stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("mine", "plain")}
    assert len(modes) == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gone/file", "does not exist"),
        ("file/below", "does not exist"),
        (".", "is a folder"),
        ("x" * 300, "too long"),
        ("a\0b", "not a file name"),
    ],
)
def test_a_place_that_cannot_be_written_is_explained(tmp_path, name, words):
    (tmp_path / "file").write_bytes(b"kept")
    with pytest.raises(BadFile, match=words):
        write_atomically(tmp_path / name if "\0" not in name else f"{tmp_path}/{name}", b"x")
    assert os.listdir(tmp_path) == ["file"]


def test_a_device_is_never_replaced():
    with pytest.raises(BadFile, match="device"):
        write_atomically("/dev/null", b"x")
    assert not Path("/dev/null").is_file()


def test_a_failed_write_keeps_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "card.toml"
    path.write_bytes(b"old")

    def full(_fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BadFile, match="disk is full"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["card.toml"]


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_closed_folder_is_explained(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(BadFile, match="no permission"):
            write_atomically(tmp_path / "file", b"x")
    finally:
        tmp_path.chmod(0o700)
