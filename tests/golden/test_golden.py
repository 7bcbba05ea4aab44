"""Every answer is what it was when it was last frozen (freeze.py): exit codes, words, JSON.

Words, keys and exit codes must be the same. Numbers may differ by one unit of their last digit
or by 1 %, as other builds of OpenCV and numpy may; whole numbers in JSON not at all. Pictures
may differ by ``FIELD_RGB`` in the mean of any of 64 fields, as fonts and decoders do.
``python tests/golden/freeze.py --check`` allows nothing.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import commands
import pytest
from freeze import HERE, PIXELS, ROOT, run_all

# On one worker: every worker that has some of them runs all the commands first.
pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("golden")]

RELATIVE = 0.01
FIELD_RGB = 2.0  # of 255
# A number that stands alone: not in a name (PB15:3), a day, a sum of bytes.
NUMBER = re.compile(r"(?<![\w:.#/<])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w:])")
DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)")
# What some versions of the parser show in --help: the kinds of arguments, brackets twice.
KIND = re.compile(r" <(?:path|str|list\[str\])>")
TWICE = re.compile(r"\[(\[\w+\](?:\.{3})?)\](?:\.{3})?|(\{\w+\.{3}\})\.{3}")
DIGEST = re.compile(r"[0-9a-f]{64}|\d+ bytes")
QUICK = [command for command in commands.all_commands() if command.quick]
PLACES = [f"{c.session}/{c.name}" for c in QUICK]


@pytest.fixture(scope="module")
def now() -> tuple[dict[str, str], dict[str, dict]]:
    return run_all(QUICK, ROOT, sys.executable, together=True)


@pytest.mark.parametrize("place", PLACES)
def test_the_answer_is_as_it_was(now, place):
    kept = (HERE / f"{place}.txt").read_text(encoding="utf-8")
    assert differences(kept, now[0][place]) == []


def test_the_pictures_are_as_they_were(now):
    kept = json.loads(PIXELS.read_text())
    assert set(now[1]) == set(kept)
    for place, picture in now[1].items():
        assert picture["size_px"] == kept[place]["size_px"], place
        pairs = zip(picture["fields"], kept[place]["fields"], strict=True)
        worst = max(abs(a - b) for one, two in pairs for a, b in zip(one, two, strict=True))
        assert worst <= FIELD_RGB, place


def test_nothing_is_kept_of_a_command_that_is_not_asked():
    asked = {f"{c.session}/{c.name}" for c in commands.all_commands()}
    kept = {f"{p.parent.name}/{p.stem}" for p in HERE.glob("*/*.txt")}
    assert {place for place in kept if not place.startswith("inputs/")} == asked


@pytest.mark.parametrize(
    ("was", "is_now"),
    [
        ("[exit 0]", "[exit 3]"),
        ("Delta E 4.86", "Delta E 4.96"),
        ("Delta E 4.86", "Delta E -4.86"),
        ("L* 79.9 ± 10.2", "L* 79.9 ± 10.4"),
        ("PB15:3", "PB15:4"),
        ("much lighter", "lighter"),
        ('[stdout]\n{"a": 1, "b": [2.0]}', '[stdout]\n{"a": 2, "b": [2.0]}'),
        ('[stdout]\n{"a": 1, "b": [2.0]}', '[stdout]\n{"a": 1, "b": [2.3]}'),
        ('[stdout]\n{"a": 1, "b": [2.0]}', '[stdout]\n{"a": 1, "b": []}'),
        ('[stdout]\n{"a": 1}', '[stdout]\n{"a": 1, "b": null}'),
        ("2030-05-04", "2030-05-05"),
    ],
)
def test_a_difference_is_seen(was, is_now):
    assert differences(was, is_now)
    assert differences(was, was) == []


@pytest.mark.parametrize(
    ("was", "is_now"), [("Delta E 4.86", "Delta E 4.87"), ("39 %", "38 %"), ("a\n b", "a b")]
)
def test_last_digits_and_broken_lines_are_none(was, is_now):
    assert differences(was, is_now) == []


def differences(kept: str, now: str) -> list[str]:
    """What differs, in words."""
    parts = [re.split(r"^(\[(?:stdout|stderr|file .*)\])\n", t, flags=re.M) for t in (kept, now)]
    if len(parts[0]) != len(parts[1]):
        return [f"{parts[0][1::2]} became {parts[1][1::2]}"]
    found = []
    for was, is_now in zip(*parts, strict=True):
        if was.startswith("{") and is_now.startswith("{"):
            found += _data(json.loads(was), json.loads(is_now), "")
        else:
            found += _text(was, is_now)
    return found


def _text(was: str, is_now: str) -> list[str]:
    was, is_now = (TWICE.sub(r"\1\2", KIND.sub("", text)) for text in (was, is_now))
    texts = (DAY.sub(r"\1_\2_\3", DIGEST.sub("<digest>", text)) for text in (was, is_now))
    one, two = (" ".join(text.split()) for text in texts)
    words = [NUMBER.sub("#", text) for text in (one, two)]
    if words[0].startswith("[exit") or words[0] != words[1] or "[exit" in one:
        return [] if one == two else [f"{one}\nbecame\n{two}"]
    pairs = zip(NUMBER.findall(one), NUMBER.findall(two), strict=True)
    return [f"{a} became {b} in {one}" for a, b in pairs if not _near(a, b)]


def _near(was: str, is_now: str) -> bool:
    """A unit of the last digit that either shows, or 1 %."""
    places = min(len(text.partition(".")[2]) for text in (was, is_now))
    a, b = float(was), float(is_now)
    return abs(a - b) <= max(1.01 * 10.0**-places, RELATIVE * abs(a))


def _data(was, is_now, where: str) -> list[str]:
    if isinstance(was, dict) and isinstance(is_now, dict):
        if list(was) != list(is_now):
            return [f"{where}: {list(was)} became {list(is_now)}"]
        return [d for key in was for d in _data(was[key], is_now[key], f"{where}.{key}")]
    if isinstance(was, list) and isinstance(is_now, list):
        if len(was) != len(is_now):
            return [f"{where}: {len(was)} entries became {len(is_now)}"]
        pairs = enumerate(zip(was, is_now, strict=True))
        return [d for k, (a, b) in pairs for d in _data(a, b, f"{where}[{k}]")]
    if isinstance(was, str) and isinstance(is_now, str):
        return [f"{where}: {d}" for d in _text(was, is_now)]
    if isinstance(was, float) and isinstance(is_now, float):
        same = _near(repr(was), repr(is_now))
    else:
        same = type(was) is type(is_now) and was == is_now
    return [] if same else [f"{where}: {was!r} became {is_now!r}"]


def test_the_inputs_are_all_there():
    names = {p.name for p in Path(HERE, "inputs").iterdir()}
    assert {"cross.jpg", "cross.toml", "first.csv", "instrument.txt", "figures.csv"} <= names
