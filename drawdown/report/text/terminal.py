"""The terminal itself: how wide it is, whether it takes colour, writing to it safely.

Plain ANSI by hand: a library for this would cost more start-up time than the measuring.

The verdict in letters large enough to read from across the table.

The letters are drawn on a grid of 5 by 5 and shown with half blocks, two grid rows to a
line of text.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, TextIO

from calibration.signs import visible

NARROWEST, WIDEST = 40, 100
# Begins each code of ours within a text; nobody who wrote a file or a name can have known it.
OURS = "\ufdd0" + os.urandom(8).hex()
# Signs that an old or plain terminal may not have, and what stands in for them.
_STAND_INS = {
    "±": "+/-", "Δ": "Delta ", "≠": "!=", "·": "-", "–": "-", "—": "-", "…": "...", "×": "x",
    "’": "'", "“": '"', "”": '"', "≤": "<=", "≥": ">=", "→": "->", "░": ".", "─": "-",
    "█": "#", "▀": "#", "▄": "#", "²": "2", "°": " deg", "≈": "~", "µ": "u",
}  # fmt: skip


@dataclass(frozen=True)
class Screen:
    """What text is laid out for: ``large`` allows block letters, ``truecolour`` swatches; ``full``
    wants all the figures."""

    columns: int = 80
    colour: bool = False
    truecolour: bool = False
    large: bool = False
    full: bool = False


_full: ContextVar[bool] = ContextVar("full", default=False)


def ask_full(full: bool) -> bool:
    """From here on, in this context, answers are whole (or short again)."""
    _full.set(full)
    return full


def screen(stream: TextIO) -> Screen:
    """The screen at the end of a stream; a pipe gets plain text of 80 columns."""
    colour = takes_colour(stream)
    # A terminal that does not announce 24-bit colour would show a wrong swatch: show none.
    exact = os.environ.get("COLORTERM", "").lower() in ("truecolor", "24bit")
    return Screen(width(stream), colour, colour and exact, is_tty(stream), _full.get())


def is_tty(stream: TextIO) -> bool:
    """True when a person, not a pipe or a file, is at the other end."""
    try:
        return stream.isatty()
    except (AttributeError, ValueError):
        return False


def takes_colour(stream: TextIO) -> bool:
    """Colour only for a person, never against NO_COLOR (no-color.org) or a dumb terminal."""
    return is_tty(stream) and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def width(stream: TextIO) -> int:
    """Columns to use: the terminal's within 40 to 100; 80 when piped."""
    if not is_tty(stream):
        return 80
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((80, 24)).columns))


def paint(text: str, code: str, colour: bool) -> str:
    """Text in an ANSI style (``code`` such as "1" for bold), or as it is."""
    return f"{OURS}[{code}m{text}{OURS}[0m" if colour and text else text


def swatch(rgb: tuple[int, int, int], cells: int) -> str:
    """A field of colour on a terminal with 24-bit colour."""
    return paint(" " * cells, "48;2;{};{};{}".format(*rgb), True)


def rewritten(line: str) -> str:
    """A line in the place of the one that stands there."""
    return f"{OURS}[G{line}{OURS}[K"


def swatch_rgb(lab_d50) -> tuple[int, int, int]:  # (3,) floats
    """8-bit sRGB that shows a Lab D50 colour, clipped to the gamut."""
    import numpy as np

    from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb

    encoded = np.rint(255 * xyz_d50_to_srgb(lab_to_xyz(np.asarray(lab_d50, dtype=float))))
    return int(encoded[0]), int(encoded[1]), int(encoded[2])


def wrap(text: str, columns: int, first: str = "", later: str | None = None) -> list[str]:
    """Lines no wider than ``columns``; ``first`` and ``later`` are the indents. A word that
    is too long by itself (a path) is kept whole, so that it can be copied."""
    lines = textwrap.wrap(
        bound(_CHECKSUM.sub(r"\1...", " ".join(text.split()))),
        columns,
        initial_indent=first,
        subsequent_indent=" " * len(first) if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines] or [first.rstrip()]


# A number with its unit or its uncertainty, and the name of the distance, stay on one line.
_UNIT = "%|g\\b|kg\\b|mm\\b|mm²|px\\b|parts\\b|pixels\\b|degrees\\b|Delta|±"
_CHECKSUM = re.compile(r"\b([0-9a-f]{8})[0-9a-f]{56}\b")  # names that nobody types
_BOUND = re.compile(rf"(?<=\d) (?={_UNIT})|(?<=±) (?=\d)|(?<=Delta) (?=E\b)|(?<=[Lab]\*) (?=-?\d)")


def bound(text: str) -> str:
    """The text with no-break spaces where a line must not end."""
    return _BOUND.sub("\u00a0", text)


def encodable(text: str, stream: TextIO) -> str:
    """The text with stand-ins for signs that the stream cannot show."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        for sign, stand_in in _STAND_INS.items():
            text = text.replace(sign, stand_in)
        text = text.encode("ascii", "backslashreplace").decode("ascii")
    return text


class Gate:
    """A stream whose text shows what would steer the terminal, but for our own codes, and stands
    in for what it cannot show; everything else is the stream's own affair."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        shown = "\x1b".join(visible(part) for part in text.split(OURS))
        return self._stream.write(encodable(shown, self._stream))

    def writelines(self, lines: Iterable[str]) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def gated() -> Iterator[None]:
    """Whatever is written to stdout and stderr in this block goes through a ``Gate``."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (s if s is None else Gate(s) for s in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def write(text: str, stream: TextIO) -> None:
    """Write and flush. A reader that went away (``| head``) is not an error."""
    try:
        stream.write(text)
        stream.flush()
    except BrokenPipeError:
        hush(stream)


def write_result(text: str) -> None:
    """Write a result to stdout, with a closing newline."""
    write(text.rstrip("\n") + "\n", sys.stdout)


def write_aside(text: str) -> None:
    """Write a hint or warning to stderr, with a closing newline; where that cannot be, the
    answer still stands."""
    try:
        write(text.rstrip("\n") + "\n", sys.stderr)
    except OSError:
        hush(sys.stderr)


def hush(stream: TextIO) -> None:
    """Send what is still buffered nowhere, so that closing the stream stays quiet too."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        pass


_ROWS = 5
_TALLEST = 3  # lines of letters: more would push the answer off a small screen
# Five rows of a sign, from top to bottom.
_SIGNS = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("#####", "  #  ", "  #  ", "  #  ", "#####"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "V": ("#   #", "#   #", " # # ", " # # ", "  #  "),
    "=": ("     ", "#####", "     ", "#####", "     "),
    "≠": ("   # ", "#####", "  #  ", "#####", " #   "),
    "?": (" ### ", "#   #", "  ## ", "     ", "  #  "),
    "×": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_BLOCK = {"  ": " ", "# ": "▀", " #": "▄", "##": "█"}


def letters(text: str) -> list[str]:
    """Three lines of half blocks that spell the text (capitals, no unknown signs)."""
    grid = [" ".join(_SIGNS[sign][row] for sign in text) for row in range(_ROWS)]
    grid.append(" " * len(grid[0]))
    return [
        "".join(
            _BLOCK[upper + lower] for upper, lower in zip(grid[row], grid[row + 1], strict=True)
        )
        for row in range(0, _ROWS + 1, 2)
    ]


def banner(symbol: str, lines: tuple[str, ...], style: str, screen: Screen) -> list[str]:
    """Full-width lines with the symbol and the words.

    ``lines`` are the words in capitals, broken where they may break. Where there is no room
    for block letters, or nobody to look at them, one spaced-out line stands instead.
    """
    room = screen.columns - 2
    drawn: list[str] = []
    for number, line in enumerate(lines):
        left = letters(f"{symbol} " if number == 0 else "    ")
        right = letters(line)
        drawn += [f"{a:9}{b}".rstrip() for a, b in zip(left, right, strict=True)]
    if screen.large and max(map(len, drawn)) <= room and len(drawn) <= _TALLEST:
        rows = [f" {row}" for row in drawn]
    else:
        words = " ".join(lines)
        spaced = "   ".join(" ".join(word) for word in words.split())
        line = f" {symbol}  {spaced}"
        rows = [line if len(line) <= screen.columns else f" {symbol}  {words}"]
        if not screen.colour:  # without a coloured ground, rules set the verdict apart
            rule = "=" * screen.columns
            return [rule, *rows, rule]
    return [paint(row.ljust(screen.columns), style, screen.colour).rstrip() for row in rows]
