"""Which strip is which when only one number is given, and a photo that is its own original.

The contract is the guide's (`--strip`, two photos); there is no outside
reference for it.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from calibration.errors import WrongUsage
from drawdown.commands import main as cli
from drawdown.pipeline.options import WhichStrips, refuse_assumed, which_strips

pytestmark = pytest.mark.usefixtures("opened_once")

MATCH = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "no-match.jpg"


@pytest.mark.parametrize(
    ("original", "batch", "apart", "expected"),
    [
        (None, None, False, WhichStrips(1, 2)),
        (2, None, False, WhichStrips(2, 1, "batch")),
        (None, 1, False, WhichStrips(2, 1, "original")),
        (3, None, False, WhichStrips(3, 2)),
        (None, 3, False, WhichStrips(1, 3)),
        (2, 1, False, WhichStrips(2, 1)),
        (None, None, True, WhichStrips(1, 1)),
        (2, None, True, WhichStrips(2, 1)),
        (None, 2, True, WhichStrips(1, 2)),
    ],
)
def test_what_is_not_said_is_the_other_strip(original, batch, apart, expected):
    assert which_strips(original, batch, apart) == expected


def test_the_other_strip_must_be_the_only_other_one():
    refuse_assumed("batch", 2)
    refuse_assumed(None, 7)
    with pytest.raises(WrongUsage, match=r"the original was named, .* 3 strips"):
        refuse_assumed("batch", 3)
    with pytest.raises(WrongUsage, match="the batch was named"):
        refuse_assumed("original", 4)
    with pytest.raises(WrongUsage, match="strip 2 was named as original and as batch"):
        which_strips(2, 2, False)


def _answer(capsys, *args: str) -> dict:
    code = cli.main(["match", str(MATCH), "--json", *args])
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out) | {"code": code}


@pytest.mark.slow
def test_strip_1_alone_is_the_batch_and_turns_the_comparison_round(capsys):
    plain = _answer(capsys)["comparison"]
    turned = _answer(capsys, "--strip", "2", "--strip", "left")["comparison"]
    assert (plain["original"], plain["batch"]) == (1, 2)
    assert (turned["original"], turned["batch"]) == (2, 1)
    assert turned["dL"] == pytest.approx(-plain["dL"], abs=0.02)
    assert turned["verdict"] == plain["verdict"] == "no match"
    assert _answer(capsys, "--strip", "1")["comparison"] == turned
    assert _answer(capsys, "--strip", "left", "--strip", "right")["comparison"] == plain


def test_a_photo_is_not_its_own_original(tmp_path, capsys):
    copy = tmp_path / "a copy.jpg"
    shutil.copy(MATCH, copy)
    link = tmp_path / "link.jpg"
    link.symlink_to(MATCH)
    for other in (MATCH, copy, link):
        assert cli.main(["match", str(other), str(MATCH), "--apart"]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert "itself always matches" in " ".join(err.split())


@pytest.mark.slow
def test_both_strips_of_one_photo_are_compared_in_one_light(tmp_path, capsys):
    copy = tmp_path / "copy.jpg"
    shutil.copy(MATCH, copy)
    answer = _answer(capsys, str(copy), "--apart", "--strip", "1", "--strip", "2")
    assert answer["comparison"] == _answer(capsys)["comparison"]
    assert answer["original_photo"] is None


@pytest.mark.slow
def test_no_third_strip_is_placed(capsys):
    places = ["1440,850,120,270px", "1680,850,120,600px", "1440,1180,120,270px"]
    by_hand = [word for place in places for word in ("--strip", place)]
    assert cli.main(["match", str(MATCH), *by_hand]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "--strip is given 3 times" in " ".join(err.split())
