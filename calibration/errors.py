"""What can go wrong for a user, explained: what was seen, why it matters, what to do next.

Each class carries the exit code of the program. Only ``drawdown.cli`` turns one of
these into terminal text.
"""

from __future__ import annotations


class Explained(Exception):
    """A failure that the person at the ink slab can act on.

    Parameters are sentences without a trailing full stop: ``seen`` (what was seen),
    ``why`` (why it matters), ``todo`` (what to do next).
    """

    exit_code = 1

    def __init__(self, seen: str, why: str, todo: str) -> None:
        super().__init__(seen)
        self.seen = seen
        self.why = why
        self.todo = todo

    def paragraph(self) -> str:
        """The explanation as one paragraph of full sentences."""
        return " ".join(
            part[0].upper() + part[1:].rstrip(".") + "."
            for part in (self.seen, self.why, self.todo)
            if part
        )


class WrongUsage(Explained):
    """The command was asked for something that makes no sense (exit code 2)."""

    exit_code = 2


class PhotoUnfit(Explained):
    """The photo was read but cannot be judged (exit code 5)."""

    exit_code = 5


class BadFile(Explained):
    """A photo file, card definition or shelf cannot be read or written (exit code 6)."""

    exit_code = 6
