"""``drawdown card``: files are written together or not at all.

What a person types and gets is the contract here; there is no outside reference.
"""

from __future__ import annotations

import pytest

from drawdown.commands import main as cli


@pytest.mark.parametrize("gone", ["out", "definition"])
def test_card_and_definition_are_both_written_or_neither(tmp_path, capsys, gone):
    out, definition = tmp_path / "card.svg", tmp_path / "card.toml"
    if gone == "out":
        out = tmp_path / "none" / "card.svg"
    else:
        definition = tmp_path / "none" / "card.toml"
    assert cli.main(["card", str(out), "--definition", str(definition)]) == 6
    said, complaint = capsys.readouterr()
    assert said == ""
    assert "does not exist" in " ".join(complaint.split())
    assert list(tmp_path.iterdir()) == []


def test_both_are_named_when_both_are_there(tmp_path, capsys):
    out, definition = tmp_path / "card.svg", tmp_path / "card.toml"
    assert cli.main(["card", str(out), "--definition", str(definition)]) == 0
    assert capsys.readouterr().out.split() == [str(definition), str(out)]
    assert out.stat().st_size > 1000 < definition.stat().st_size


@pytest.mark.parametrize("typed", [["card", "--shape", "Frame", "--paper", "A4"],
                                   ["card", "--shape", "Sheet", "--paper", "Letter"]])  # fmt: skip
def test_capitals_are_no_mistake(tmp_path, typed, capsys):
    assert cli.main([typed[0], str(tmp_path / "page.svg"), *typed[1:]]) == 0
    small = [word if word.startswith("--") else word.lower() for word in typed]
    assert cli.main([small[0], str(tmp_path / "same.svg"), *small[1:]]) == 0
    assert (tmp_path / "page.svg").read_bytes() == (tmp_path / "same.svg").read_bytes()


def test_a_source_that_is_not_there_is_told_before_anything_else(tmp_path, capsys):
    typed = ["card", "--definition", str(tmp_path / "my.toml"), "--enrol"]
    for source, says in ((tmp_path / "gone.csv", "there is no file"), (tmp_path, "is a folder")):
        assert cli.main([*typed, str(source)]) == 6
        out, err = capsys.readouterr()
        assert out == ""
        assert says in " ".join(err.split()).lower()
        assert "--known" not in err
