"""Answers fit a narrow screen, and two commands that tell the same tell it alike.

What a person sees is the contract here; there is no outside reference.
"""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest

from drawdown.commands import main as cli
from drawdown.report.text import layers, terminal
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen

LAYERS = ["--layer", "sky over the river: white 80, PB15:3 5, base 15", "--layer", "key: black 1"]


@pytest.mark.parametrize("columns", [40, 50, 64, 80, 100])
@pytest.mark.parametrize(
    "typed",
    [
        ["plan", "layers", *LAYERS, "--order", "key, sky over the river"],
        ["plan", "layers", "--pairs", *LAYERS],
        ["plan", "amount", "--area-cm2", "165", "--prints", "30", "--mix", "white 80, PG36 5",
         "--left", "12"],
    ],
)  # fmt: skip
def test_no_line_is_wider_than_the_screen(columns, typed, monkeypatch, capsys):
    monkeypatch.setattr(terminal, "screen", lambda stream: Screen(columns))
    assert cli.main(typed) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 10
    assert max(map(len, lines)) <= columns


@pytest.mark.parametrize("columns", [40, 64])
def test_a_crossing_is_told_by_rows_or_one_below_the_other(columns):
    colour = SimpleNamespace(lab_d50=np.array([70, -35.5, 2]), lab_u95=np.array([10, 13.3, 11]))
    rows = Lines(Screen(columns))
    layers._reading(rows, "upright alone", colour)
    assert max(map(len, rows)) <= columns
    said = " ".join(" ".join(rows).split())
    for number in ("70.0 ± 10.0", "-35.5 ± 13.3", "2.0 ± 11.0"):
        assert number in said


def test_a_written_shelf_is_listed_as_it_is(tmp_path, capsys):
    assert cli.main(["ink", "list", "--json"]) == 0
    one = capsys.readouterr().out
    assert json.loads(one)["inks"][0]["name"] == "titanium-white"
    assert cli.main(["ink", "list", "--write", str(tmp_path / "mine.toml"), "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == json.loads(one)
    assert "mine.toml" in err


def test_a_long_table_is_measured_once(monkeypatch):
    """The widths are found once for the whole table, not once a row: a list of thousands takes
    a second, not minutes."""
    from drawdown.report.text import book

    measured = []
    columns_of = book.columns_of
    monkeypatch.setattr(book, "columns_of", lambda text: measured.append(text) or columns_of(text))
    rows = [[f"colour {k}", "62.0", "a long story of its mix"] for k in range(300)]
    book.table(["name", " L*", "mix"], rows, Screen(80), ("mix",))
    assert len(measured) <= 2 * 3 * 301
