"""A screen as it is written, line by line: headings, paragraphs, tables, remarks and cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from drawdown.report.text.terminal import Screen, paint, wrap

if TYPE_CHECKING:
    from calibration.flags import Flag


class Lines(list[str]):
    """The lines of one answer for ``screen``, none wider than it less ``margin`` (a line of
    ``add`` as it is given). Paragraphs begin with ``indent``."""

    def __init__(self, screen: Screen, margin: int = 0, indent: str = " ") -> None:
        super().__init__()
        self.screen, self.indent = screen, indent
        self.columns = screen.columns - margin

    def __str__(self) -> str:
        return "\n".join(self)

    def add(self, line: str = "", style: str = "") -> None:
        """One line as it is; an empty one without."""
        self.append(paint(line, style, self.screen.colour and bool(style)))

    def say(
        self, text: str, first: str | None = None, later: str | None = None, style: str = ""
    ) -> None:
        """A paragraph, broken to fit; ``later`` lines are indented like the ``first``."""
        for line in wrap(text, self.columns, self.indent if first is None else first, later):
            self.add(line, style)

    def heading(self, text: str) -> None:
        """Of a part: underlined, or in capitals where nothing can be underlined."""
        self.add(f" {text}" if self.screen.colour else f" {text}".upper(), "1;4")

    def row(self, line: str, else_say: str, first: str = "   ", later: str | None = None) -> None:
        """A line of a table, or where it is too wide a paragraph instead."""
        if len(line) <= self.screen.columns:
            self.add(line.rstrip())
        else:
            self.say(else_say, first, later)

    def table(self, rows: Sequence[Sequence[str]]) -> None:
        """Columns side by side; a row that is too wide has its first cell alone, and below it
        the others."""
        widths = [max(len(row[c]) for row in rows) for c in range(len(rows[0]) - 1)]
        for row in rows:
            start = "".join(f"{cell:<{w}}  " for cell, w in zip(row, widths, strict=False))
            if len(start) + len(row[-1]) <= self.screen.columns:
                self.add(f"{start}{row[-1]}".rstrip())
            else:
                self.add(row[0])
                self.say(", ".join(row[1:]), "   ")

    def remarks(self, found: Iterable[tuple[Flag, str]]) -> None:
        """Flags, each with where it belongs: first those that forbid a conclusion."""
        found = list(found)
        for hard, title in ((True, "Why it cannot be relied on"), (False, "Worth knowing")):
            told = [where + flag.text for flag, where in found if flag.hard is hard]
            if told:
                self.add()
                self.heading(title)
            self.points(told)

    def points(self, texts: Iterable[str]) -> None:
        for text in texts:
            self.say(text, " · ", "   ")

    def notes(self, notes: Iterable[str], cautions: Iterable[str]) -> None:
        """What the words mean; then, apart, the cautions."""
        for note in notes:
            self.say(note)
        self.add()
        self.say(f"Caution: {' '.join(cautions)}")
