"""What the parser does not understand is said in plain words, whatever library parses.

The parser is a library whose words change between versions; the contract here is that none of
its own phrases reach the person, and that what they wrote is named.
"""

from __future__ import annotations

import pytest

from calibration.errors import BadFile, sentence
from drawdown.commands import main as cli

LIBRARY = ("invalid value", "no such", "input should be", "got unexpected", "argument(s)",
           "requires an argument", "missing argument", "missing parameter", "is not a valid",
           "unable to parse", "?.")  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["match"], "PHOTO was not given, nor --readings."),
        (["book", "share"], "OUT.zip was not given."),
        (["read", "my", "photo.jpg"], '"photo.jpg" is unexpected'),
        (["match", "a.jpg", "--tolerance", "two"], '--tolerance is "two", which is not a number.'),
        (["card", "a.png", "--dpi", "1.5"], 'is "1.5", which is not a whole number.'),
        (["card", "a.png", "--dpi="], '--dpi is "", which is not a whole number.'),
        (["match", "a.jpg", "--toleranc", "2"], "Write: drawdown match a.jpg --tolerance 2"),
        (["match", "a.jpg", "-x"], "drawdown match has no option -x."),
        (["mtach", "a.jpg"], "Did you mean match? Write: drawdown match a.jpg"),
        (["compare"], 'drawdown has no command "compare", and no file is called so.'),
        (["match", "a.jpg", "--tolerance"], "--tolerance was given without its value."),
        (["match", "a.jpg", "--json=3"], "--json takes no value."),
        (
            ["match", "a.jpg", "--mix", "white 97 PB15:3 2,5 PG7 1"],
            "Write: drawdown match a.jpg --mix 'white 97, PB15:3 2,5, PG7 1'",
        ),
    ],
)
def test_wrong_usage_in_plain_words(args, says, capsys):
    assert cli.main(args) == 2
    out, err = capsys.readouterr()
    said = " ".join(err.split())
    assert out == ""
    assert says in said
    assert [phrase for phrase in LIBRARY if phrase in said.lower()] == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("the photo is dark", "The photo is dark."),
        ("a.jpg is empty", "a.jpg is empty."),
        ("x/readings holds no table", "x/readings holds no table."),
        ("drawdown has no such thing", "drawdown has no such thing."),
        ("--mix names white twice.", "--mix names white twice."),
        ("out-of-focus strips", "Out-of-focus strips."),
        ("a strip's rim, seen", "A strip's rim, seen."),
        ("did you mean this?", "Did you mean this?"),
        ("", ""),
    ],
)
def test_sentences_leave_names_as_they_are(text, expected):
    assert sentence(text) == expected


def test_an_explanation_begins_with_the_files_own_name():
    error = BadFile("values.csv holds no table", "it is needed", "check values.csv")
    assert error.paragraph() == "values.csv holds no table. It is needed. Check values.csv."
