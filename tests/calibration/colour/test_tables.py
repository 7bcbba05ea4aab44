"""Reference values from CGATS.17 text files.

Layout: ISO 28178 / CGATS.17, from public descriptions of the format; the tables below are
made up.
"""

from __future__ import annotations

import numpy as np
import pytest
import tomli_w

from calibration.card.toml import read_card, write_card
from calibration.colour.tables import parse_cgats, read_tables
from calibration.errors import BadFile


@pytest.fixture
def plain() -> dict:
    """A definition without colours, as plain data."""
    return {
        "format": "drawdown.card/1",
        "name": "mine",
        "provenance": "measured",
        "size_mm": [100, 50.0],
        "patches": [
            {"name": f"P{i}", "role": "grey", "rect_mm": [12.0 * i, 30.0, 10.0, 10.0]}
            for i in range(6)
        ],
    }


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
        (CGATS, "hello\n", "holds no table of readings"),
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
    assert read_tables(path)[0].columns["LAB_L"][0] == "95.10"
    path.write_bytes(CGATS.encode("utf-16"))
    with pytest.raises(BadFile, match="not plain text"):
        read_tables(path)
