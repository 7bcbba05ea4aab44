"""Small matters of wording: line breaks, weights, what is said of greys, of a refused photo and
of what would settle a verdict. There is no outside reference for words; each case was once said
wrongly."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import fake_judgement as fake
import numpy as np
import pytest
from compare_kit import BLUE, along, strip

from drawdown import flags as fl
from drawdown.matching import compare as cp
from drawdown.report.pictures import panel
from drawdown.report.pictures.canvas import Page
from drawdown.report.pictures.letters import broken
from drawdown.report.text.book import table
from drawdown.report.text.match import match_screen
from drawdown.report.text.terminal import Screen, wrap
from drawdown.wording.difference import difference_words
from drawdown.wording.figures import grams, noted_grams
from drawdown.wording.verdict import to_settle


def test_a_number_and_its_unit_stay_on_one_line():
    text = "stir in 0.85 parts of it (2.1 g), 12 %, L* 79.7 or 10.6 ± 1.0 of Delta E, or 7 mm"
    for columns in range(14, 60):
        for line in wrap(text, columns):
            words = line.split()
            assert words[-1] not in ("0.85", "(2.1", "12", "L*", "10.6", "±", "Delta", "7")
            assert words[0] not in ("g),", "%,", "±", "E,", "mm")
            assert "\u00a0" not in line


def test_nor_do_they_part_in_a_picture():
    from PIL import Image, ImageDraw

    draw = ImageDraw.Draw(Image.new("RGB", (10, 10)))
    for room in range(60, 400, 7):
        lines = broken(draw, "stir in 1.0 parts of blue (2.0 g) and look", 20, room)
        assert " ".join(lines) == "stir in 1.0 parts of blue (2.0 g) and look"
        assert not any(line.endswith(("1.0", "(2.0")) for line in lines)


def test_no_name_of_64_digits_is_shown():
    sha = "0123456789abcdef" * 4
    assert wrap(f"photo /book/photos/01/{sha}.jpg", 200) == [
        "photo /book/photos/01/01234567....jpg"
    ]


def test_a_long_name_is_cut_in_a_table_and_whole_where_there_is_room():
    name = "Kingfisher over the reeds, second state"
    rows = [[name, "2030-01-01", "97 parts of titanium-white, 3 of phthalo-blue"]]
    head = ["name", "date", "mix"]
    cut = table(head, rows, Screen(84))
    assert len(cut) == 2
    assert "Kingfisher over the ree…  2030" in cut[1]
    for columns in (40, 120):  # blocks, and a table with room
        assert name in " ".join(" ".join(table(head, rows, Screen(columns))).split())


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.456, "0.46 g"), (2.1, "2.1 g"), (999.5, "999.5 g"), (1234.5, "1234 g"),
     (12_000.0, "12.0 kg"), (12_000_000.0, "12,000 kg")],
)  # fmt: skip
def test_weights_as_a_scale_shows_them(value, said):
    assert grams(value) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [(None, ""), (0.0, "0 g"), (0.003, "under 0.01 g"), (0.5, "0.5 g"), (35.0, "35 g"),
     (255.5, "255.5 g"), (250.0, "250 g"), (1000.0, "1000 g"), (12_000.0, "12 kg"),
     (float("nan"), "unknown")],
)  # fmt: skip
def test_noted_weights_lose_needless_zeros_alone(value, said):
    assert noted_grams(value) == said


@pytest.mark.parametrize(
    ("original", "batch", "words"),
    [
        ((50, 30, 10), (50, 0, 1), "much greyer"),
        ((50, -10, -30), (50, -1, -3), "much greyer"),
        ((50, 0, 0), (50, 30, 10), "much less grey"),
        ((60, 1, 1), (60, -3, 1), "much greener"),
    ],
)
def test_a_colour_beside_a_grey(original, batch, words):
    said = difference_words(np.array(original, float), np.array(batch, float))
    assert words in said
    assert ("grey" in said) is ("grey" in words)


def _settle(batch_lab, **how) -> str:
    result = cp.compare(strip(1, BLUE, sd=0.5), strip(2, batch_lab, sd=0.5, seed=3), **how)
    assert result.verdict == "too close to call"
    return to_settle(result)


def test_right_at_the_tolerance_is_said_only_there():
    near = along((0.2, -0.5, 1), 2.0)
    assert "right at the tolerance" in _settle(near, tolerance=2.0)
    far = along((0.2, -0.5, 1), 1.2)
    assert "printed card measured" in _settle(far, tolerance=2.0)
    measured = _settle(far, tolerance=2.0, nominal_card=False)
    assert "measured" not in measured
    assert "second photo" in measured
    assert "out of the shadow" in _settle(far, tolerance=2.0, shaded_card=True)


def test_glare_is_named_when_it_keeps_the_verdict_open():
    shining = strip(2, along((0.2, -0.5, 1), 1.2), sd=0.5, seed=3, flags=(fl.STRIP_GLARE("9"),))
    result = cp.compare(strip(1, BLUE, sd=0.5), shining, tolerance=2.0)
    assert "nothing mirrors in the strips, take a second photo" in to_settle(result)


def test_a_strip_under_the_lamp_is_not_sent_to_be_pulled_again():
    text = fl.STRIP_SHINES("80").text
    assert "pull" not in text
    assert "until nothing shines" in text
    assert fl.STRIP_SHINES.hard


@pytest.mark.parametrize(("verdict", "said"), [("match", True), (None, False)])
def test_numbers_of_a_refused_photo_are_not_called_right(monkeypatch, verdict, said):
    lines = []
    line = Page.line
    monkeypatch.setattr(
        Page,
        "line",
        lambda pen, text, *a, **k: (lines.append(text), line(pen, text, *a, **k)),
    )
    judgement = fake.judgement(verdict)
    judgement.strips = tuple(
        replace(strip, lab_d50=np.array([50.0, 120.0, -90.0])) for strip in judgement.strips
    )
    panel.draw_panel(judgement, 800)
    assert any("stronger than a screen can show" in text for text in lines) is said
    assert any("95 % probability" in text for text in lines)
    assert any("Don't use these numbers" in text for text in lines) is not said
    screen = match_screen(judgement, Screen(full=True))
    assert ("Don't use these numbers" in screen) is not said


def test_every_way_to_settle_a_verdict_has_its_words():
    told = {
        to_settle(fake.comparison("too close to call", settle=cp.Settle(code, "batch")))
        for code in get_args(cp.Remedy)
    }
    assert len(told) == len(get_args(cp.Remedy))
    assert all(text.startswith("To settle it: ") and text.endswith(".") for text in told)
