"""A screen as it is written, line by line: headings, paragraphs, tables, remarks and cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from calibration.flags import NOMINAL_CARD
from calibration.naming import named
from drawdown.flags import BY_INSTRUMENT
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording.cautions import CAUTIONS, brief
from drawdown.wording.figures import of_readings

if TYPE_CHECKING:
    from calibration.flags import Flag


class Lines(list[str]):
    """The lines of one answer for ``screen``, none wider than it less ``margin`` (a line of
    ``add`` as it is given). Paragraphs begin with ``indent``; ``readings``: they speak of an
    instrument's readings where they would speak of photos."""

    def __init__(
        self, screen: Screen, margin: int = 0, indent: str = " ", readings: bool = False
    ) -> None:
        super().__init__()
        self.screen, self.indent, self.readings = screen, indent, readings
        self.columns = screen.columns - margin

    def __str__(self) -> str:
        return "\n".join(self)

    def add(self, line: str = "", style: str = "") -> None:
        """One line as it is; an empty one without."""
        self.append(paint(line, style, self.screen.colour and bool(style)))

    def say(
        self, text: str, first: str | None = None, later: str | None = None, style: str = ""
    ) -> None:
        """A paragraph, broken to fit; ``later`` lines are indented like the ``first``. Nothing for
        no text."""
        if not text:
            return
        text = of_readings(text) if self.readings else text
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

    def section(self, title: str, points: Sequence[str], style: str = "") -> None:
        """A heading and its points; nothing without any."""
        if points:
            self.add()
            self.heading(title)
            self.points(points, style)

    def points(self, texts: Iterable[str], style: str = "") -> None:
        for text in texts:
            self.say(text, " · ", "   ", style)

    def remarks(self, found: Iterable[tuple[Flag, str]]) -> None:
        """Flags, each with where it belongs: those that forbid a conclusion, then the others; of
        these the short answer gives the first that says most."""
        found = list(found)
        self.section("Don't rely on this", [where + f.text for f, where in found if f.hard], "1")
        soft = [(f, where) for f, where in found if not f.hard]
        if self.screen.full:
            self.section("Worth knowing", [where + f.text for f, where in soft])
        elif soft:
            quiet = (NOMINAL_CARD, BY_INSTRUMENT)
            flag, where = min(soft, key=lambda row: row[0].kind in quiet)
            if flag.kind is BY_INSTRUMENT:  # says little of this answer
                return
            self.say(f"Doubt: {where}{flag.brief}")

    def notes(
        self,
        doubts: Iterable[str],
        notes: Iterable[str],
        of_pigments: Sequence[str] | None = None,
    ) -> None:
        """What speaks against the answer, what its words mean, and the cautions where there is
        ink to handle (``of_pigments``: those of the very pigments). The short answer has no
        meanings, and of the cautions one line."""
        for note in (*doubts, *(notes if self.screen.full else ())):
            self.say(note)
        if of_pigments is not None:
            self.say(
                f"Caution: {' '.join((*of_pigments, *CAUTIONS))}"
                if self.screen.full
                else brief(of_pigments)
            )
        self.hint()

    def hint(self, text: str = "") -> None:
        """A text, and where the rest of the answer is; nothing when this is all."""
        if not self.screen.full:
            self.say(f"{text} {named('All the figures: `full`')}", style="2")
