"""The Python interface: its names, how quick it is, and that it says what the command says."""

from __future__ import annotations

import doctest
import json
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import drawdown
from drawdown import api
from drawdown.commands.main import main

ROOT = Path(__file__).resolve().parents[2]
PHOTO = ROOT / "fixtures" / "photos" / "no-match.jpg"
HEAVY = ("numpy", "cv2", "scipy", "skimage", "colour", "PIL", "rich", "typer", "reportlab")
PUBLIC = {
    "read", "match", "compare", "advise", "open_book", "Card", "Shelf", "Ink", "Book",
    "Reading", "Match", "Colour", "StripReading", "InstrumentReading", "Comparison",
    "Advice", "Flag", "DrawdownError", "WrongUsage", "PhotoUnfit", "BadFile",
}  # fmt: skip


@pytest.fixture(scope="module")
def matched():
    return drawdown.match(PHOTO)


def test_the_public_names():
    assert set(drawdown.__all__) == PUBLIC
    for name in PUBLIC:
        assert getattr(drawdown, name) is not None
    with pytest.raises(AttributeError, match="no attribute"):
        drawdown.judge  # noqa: B018


def test_import_is_quick_because_it_loads_nothing_heavy():
    code = f"import sys, drawdown; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr


@pytest.mark.parametrize("function", ["read", "match", "compare", "advise", "open_book"])
def test_each_example_runs(function, monkeypatch):
    monkeypatch.chdir(ROOT)
    found = doctest.DocTestFinder(recurse=False).find(getattr(api, function), function)
    assert found[0].examples
    runner = doctest.DocTestRunner()
    said: list[str] = []
    assert runner.run(found[0], out=said.append).failed == 0, "".join(said)


@pytest.mark.parametrize("function", ["read", "match", "compare", "advise", "open_book"])
def test_each_function_says_what_it_takes_and_gives(function):
    text = getattr(api, function).__doc__
    for section in ("Parameters", "Returns", "Examples"):
        assert f"{section}\n    {'-' * len(section)}" in text


def test_it_says_what_the_command_says(matched, capsys):
    assert main(["match", str(PHOTO), "--json"]) == 3
    assert json.loads(capsys.readouterr().out) == matched.to_dict()
    assert matched.verdict == "no match"
    assert matched.de00_interval[0] < matched.de00 < matched.de00_interval[1]


def test_a_photo_may_be_a_file_its_bytes_or_an_array(matched):
    from calibration.photo.open import open_photo

    seen = drawdown.read(PHOTO.read_bytes())
    photo = open_photo(PHOTO)
    array = drawdown.read(photo.rgb_encoded, profile=photo.profile.name)
    # The file's own profile has its numbers rounded (s15Fixed16Number of ICC.1:2022, 4.6).
    for strips, within in ((seen.strips, 1e-9), (array.strips, 0.005)):
        for strip, known in zip(strips, matched.strips, strict=True):
            assert strip.lab_d50 == pytest.approx(known.lab_d50, abs=within)


def test_results_are_short_small_and_show_their_swatches(matched):
    assert len(repr(matched)) < 120
    assert "no match" in repr(matched)
    assert len(pickle.dumps(matched)) < 400_000
    again = pickle.loads(pickle.dumps(matched))
    assert again.to_dict() == matched.to_dict()
    assert np.array_equal(again.strips[0].mask, matched.strips[0].mask)
    page = matched._repr_html_()
    assert page.count("background:rgb(") == len(matched.strips)


def test_mistakes_speak_of_parameters():
    from calibration.naming import speak

    speak(None)
    with pytest.raises(drawdown.WrongUsage, match="`tolerance` is 0"):
        drawdown.match(PHOTO, tolerance=0)
    with pytest.raises(drawdown.DrawdownError, match="`strips` 1,2 is not x,y,width,height"):
        drawdown.read(PHOTO, strips=["1,2"])
