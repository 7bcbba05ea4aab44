"""The short answer: how long it may be, what it must hold, and that it hides nothing that matters.

The limits are our own (a phone held at arm's length); there is no outside reference for them.
"""

from __future__ import annotations

import re
from pathlib import Path

import fake_judgement as fake
import numpy as np
import pytest

from calibration.naming import speak
from drawdown.commands.support.option_names import option_name
from drawdown.flags import STAND_IN_INKS, UNEVEN_LIGHT
from drawdown.pipeline.match import match_photo
from drawdown.pipeline.options import Options
from drawdown.report.text.match import match_screen, read_screen
from drawdown.report.text.terminal import OURS, Screen
from drawdown.wording.doubts import doubt

ROOT = Path(__file__).resolve().parents[3]
PHOTOS, GUIDE = ROOT / "fixtures" / "photos", ROOT / "drawdown" / "guide"
ANSI = re.compile(OURS + r"\[[0-9;]*m")
SCREENS = (Screen(), Screen(80, True, True, True))
MOST = {"match": (12, 120), "no match": (16, 180), "too close to call": (16, 180)}
MIX = {"white": 97.0, "PB15:3": 2.0, "PG7": 1.0}
CASES = [
    *(("match.jpg", {}), ("no-match.jpg", {}), ("too-close.jpg", {}), ("dark.jpg", {})),
    *(
        ("base.jpg", {}),
        ("ladder.jpg", {"original": 1, "batch": 2}),
        ("no-match.jpg", {"mix": MIX, "batch_grams": 250.0}),
    ),
    ("no-match.jpg", {"card": PHOTOS / "slip-measured.toml"}),
    (GUIDE / "demo.jpg", {"card": GUIDE / "demo-card.toml", "mix": MIX, "batch_grams": 250.0}),
]


@pytest.fixture(autouse=True)
def _command_line():
    speak(option_name)
    yield
    speak(None)


@pytest.mark.parametrize(("photo", "asked"), CASES)
def test_the_answer_fits_a_phone_at_arms_length(photo, asked):
    seen = match_photo(PHOTOS / photo, Options(**asked), lambda *_: None)
    lines, words = MOST[seen.comparison.verdict]
    for screen in SCREENS:
        text = ANSI.sub("", match_screen(seen, screen))
        assert len(text.splitlines()) <= lines, text
        assert len(text.split()) <= words, text
        assert max(map(len, text.splitlines())) <= 80
        for said in ("Delta E 2000", "95 % interval", "--full"):
            assert said in text
        if seen.advice is not None and seen.advice.additions:
            assert text.count("Caution: ") == 1
    whole = match_screen(seen, Screen(full=True))
    assert len(whole.split()) > 1.5 * len(text.split())


def said(judgement, **how) -> str:
    return " ".join(ANSI.sub("", match_screen(judgement, Screen(**how))).split())


def test_grams_come_first_and_the_first_part_before_the_whole():
    text = said(fake.judgement("no match"))
    assert text.index("First work in 3.0 g of green PG7 (1.2 per 100)") < text.index("In all 4.6 g")
    unweighed = fake.advice(grams=None, grams_first=None)
    assert "First work in 1.2 parts of green PG7" in said(
        fake.judgement("no match", with_advice=unweighed)
    )


def test_a_colour_hardly_known_is_not_shown_as_a_reading():
    from dataclasses import replace

    vague = tuple(replace(s, lab_u95=np.array([10.2, 12.7, 13.7])) for s in fake.strips())
    judgement = fake.judgement("match", strips=vague)
    reading = fake.judgement("match", strips=vague, comparison=None, advice=None)
    for text in (said(judgement), " ".join(read_screen(reading, Screen()).split())):
        assert "not known well enough with an unmeasured card: drawdown guide own-card" in text
        assert "41.3" not in text
    assert "41.3 ± 10.2" in said(judgement, full=True)
    assert "41.3±0.8" in said(fake.judgement("match"))  # a reading that is one


def test_one_doubt_is_told_the_one_that_matters_most():
    advice = fake.advice(flags=(STAND_IN_INKS(),), mix_inferred=False)
    plain = fake.judgement("no match", with_advice=advice, strips=fake.strips())
    assert "generic paint data" in doubt(plain)
    spoiled = fake.judgement(
        "no match", with_advice=advice, strips=fake.strips(), flags=(UNEVEN_LIGHT("40"),)
    )
    assert "varies by 40 %" in doubt(spoiled)
    assert said(spoiled).count("Doubt: ") == 1


def test_which_two_of_several_were_compared_and_how_to_swap_them():
    text = said(fake.judgement("no match"))
    assert "Compared: strips 1 and 2 of 3." in text
    assert "--strip 2 --strip 1" in text
    assert "Swapped?" not in said(fake.judgement("match"))
