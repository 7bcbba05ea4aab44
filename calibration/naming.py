"""What a person calls the things that can be set, where a sentence speaks of one.

A sentence below the command line names a parameter in backticks, as Python does: "give both
places with `strips`". Whoever talks to the person says once how such names are spoken there
(``speak``): the command line makes it ``--strip``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextvars import ContextVar

_PARAMETER = re.compile(r"`([a-z_]+)`")
_spoken: ContextVar[Callable[[str], str] | None] = ContextVar("spoken", default=None)


def speak(name_of: Callable[[str], str] | None) -> None:
    """From here on, in this context, a parameter is called what ``name_of`` makes of it; None:
    as Python calls it."""
    _spoken.set(name_of)


def named(text: str) -> str:
    """The text with its parameters as they are called here."""
    name_of = _spoken.get()
    return text if name_of is None else _PARAMETER.sub(lambda found: name_of(found[1]), text)
