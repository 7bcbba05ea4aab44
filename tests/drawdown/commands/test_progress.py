"""Progress shows only to people, and only when it lasts."""

from __future__ import annotations

import io

from drawdown.commands.support.progress import PATIENCE_S, ProgressLine
from drawdown.report.text.terminal import Gate


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_progress_shows_only_to_people_and_only_when_it_lasts():
    now = [0.0]
    screen = Terminal()
    with ProgressLine(Gate(screen), lambda: now[0]) as progress:
        progress("opening the photo", 0.1)
        now[0] = PATIENCE_S - 0.01
        progress("looking for the card", 0.4)
        assert screen.getvalue() == ""
        now[0] = PATIENCE_S + 0.01
        progress("measuring", 0.8)
        assert "80 %  measuring" in screen.getvalue()
    assert screen.getvalue().endswith("\x1b[G\x1b[K")
    silent = io.StringIO()
    with ProgressLine(silent, lambda: now[0]) as progress:
        now[0] += 10
        progress("measuring", 0.8)
    assert silent.getvalue() == ""


# What the documentation promises ---------------------------------------------------------
