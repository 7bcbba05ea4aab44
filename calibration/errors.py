"""What can go wrong for a user, explained: what was seen, why it matters, what to do next.

Each class carries the exit code of the program. Only ``drawdown.commands.main`` turns one of
these into terminal text.
"""

from __future__ import annotations

from typing import Any

from calibration.naming import named

# Files, options and the like, which are written as they are: a.jpg, ./x, --mix, PB15:3=2.
_NAME_SIGNS = set("./\\_=~@#%+0123456789")


def sentence(text: str) -> str:
    """A clause with a capital and a full stop, its parameters as they are called here. A file's
    name, an option or the program's own name at its start stays as it is written."""
    text = named(text.strip())
    if not text:
        return ""
    first = text.split(maxsplit=1)[0].rstrip(".,:;")
    is_name = first == "drawdown" or (not first.isalpha() and bool(_NAME_SIGNS & set(first)))
    start = text[0] if is_name else text[0].upper()
    return start + text[1:].rstrip(".") + ("" if text[-1] in "?!" else ".")


class DrawdownError(Exception):
    """A failure that the person at the ink slab can act on.

    Parameters are sentences without a trailing full stop: ``seen`` (what was seen),
    ``why`` (why it matters), ``todo`` (what to do next).
    """

    exit_code = 1

    def __init__(self, seen: str, why: str, todo: str) -> None:
        super().__init__(seen, why, todo)  # all of it, so that it can be pickled
        self.seen = seen
        self.why = why
        self.todo = todo

    def __str__(self) -> str:
        return named(self.seen)

    def paragraph(self) -> str:
        """The explanation as one paragraph of full sentences."""
        return " ".join(sentence(part) for part in (self.seen, self.why, self.todo) if part)


class WrongUsage(DrawdownError):
    """The command was asked for something that makes no sense (exit code 2)."""

    exit_code = 2
    instead: tuple[str, str] | None = None  # a word that was typed, and the one that was meant


class PhotoUnfit(DrawdownError):
    """The photo was read but can't be judged (exit code 5). ``found`` is what was read of it, for
    a picture; None where nothing was."""

    exit_code = 5
    found: Any = None


class BadFile(DrawdownError):
    """A photo file, card definition or shelf cannot be read or written (exit code 6)."""

    exit_code = 6
