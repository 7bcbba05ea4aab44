"""A mix of which only the inks are known, or only whether white or base is in it. What a practised
hand does then: common practice, no source. The strips are of the forward model, equally thick."""

from __future__ import annotations

import pytest
from advice_kit import ask, strip

from calibration.errors import WrongUsage
from drawdown.ink.mix_notation import read_inks
from drawdown.pipeline.options import Options
from drawdown.wording.advice import asks_for_inks, guessed_mix

WHITE, BASE, BLUE, RED = "titanium-white", "transparent-base", "phthalo-blue", "pyrrole-red"
YELLOW = "arylide-yellow"


@pytest.mark.parametrize(
    ("original", "batch", "named", "first", "never"),
    [
        # Too dark: what thins the colour, and that is what was named. By the colour alone a tint
        # and a let-down look alike, and the other one spoils the batch.
        ({WHITE: 97, BLUE: 3}, {WHITE: 97, BLUE: 5}, (WHITE,), WHITE, BASE),
        ({WHITE: 97, BLUE: 3}, {WHITE: 97, BLUE: 5}, (WHITE, BLUE), WHITE, BASE),
        ({BASE: 94, RED: 6}, {BASE: 94, RED: 10}, (BASE,), BASE, WHITE),
        ({BASE: 94, RED: 6}, {BASE: 94, RED: 10}, (BASE, RED), BASE, WHITE),
        # Short of one of its colours: that colour.
        ({WHITE: 60, YELLOW: 30, BLUE: 8}, {WHITE: 60, YELLOW: 30, BLUE: 4},
         (WHITE, YELLOW, BLUE), BLUE, BASE),
        ({BASE: 94, RED: 6}, {BASE: 94, RED: 3}, ("base", "PR254"), RED, WHITE),
        # Colours named without what thins them: the colour still says that something does.
        ({WHITE: 97, BLUE: 4}, {WHITE: 97, BLUE: 2}, (BLUE,), BLUE, RED),
    ],
)  # fmt: skip
def test_named_inks_lead_to_the_one_that_is_missing(original, batch, named, first, never):
    told = ask(strip(original), strip(batch), inks=named, film_ratio=1.0)
    names = [name for name, _ in told.additions]
    assert names[:1] == [first]
    assert never not in names
    assert told.mix_inferred


def test_amounts_of_named_inks_are_found():
    """The mix that gave the strip, to the doubt that an ordinary film leaves (a quarter)."""
    mix = {WHITE: 90, BLUE: 2, RED: 8}
    told = ask(strip(mix), strip({WHITE: 90, BLUE: 3, RED: 8}), inks=(WHITE, BLUE, RED))
    assert set(told.mix_used) == set(mix)
    assert told.mix_used[RED] / told.mix_used[BLUE] == pytest.approx(4, rel=0.4)


def test_the_question_that_helps_most_is_asked():
    """Nothing known: the inks. White alone: the colours. All inks: the amounts."""
    seen = strip({WHITE: 97, BLUE: 4}), strip({WHITE: 97, BLUE: 2})
    answers = {(): "name its inks", (WHITE,): "name them", (WHITE, BLUE): "give them"}
    for named, asked in answers.items():
        told = ask(*seen, inks=named, film_ratio=1.0)
        assert asks_for_inks(told)
        assert asked in guessed_mix(told)
    assert not asks_for_inks(ask(*seen, {WHITE: 97, BLUE: 4}, film_ratio=1.0))


@pytest.mark.parametrize("text", ["", " , ", "white 3", "white, PB15:3 4 g"])
def test_inks_are_names_and_nothing_else(text):
    with pytest.raises(WrongUsage, match="inks"):
        read_inks(text)


def test_inks_as_they_are_typed():
    assert read_inks("white, PB15:3; yellow oxide + white") == ("white", "PB15:3", "yellow oxide")
    with pytest.raises(WrongUsage, match="mix"):
        Options(mix={"white": 1.0}, inks=("white",))
    with pytest.raises(WrongUsage, match="no ink called"):
        ask(strip({WHITE: 1}), strip({WHITE: 9, BLUE: 1}), inks=("no such thing",))
