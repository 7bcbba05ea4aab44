"""What a person calls the things that can be set, where a sentence speaks of one.

A sentence below the command line names a parameter in backticks, as Python does: "give both
places with `strips`". Whoever talks to the person says once how such names are spoken there
(``speak``): the command line makes it ``--strip``. Unknown names stay as they are written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextvars import ContextVar

_PARAMETER = re.compile(r"`([a-z_]+)`")
_spoken: ContextVar[Mapping[str, str] | None] = ContextVar("spoken", default=None)


def speak(names: Mapping[str, str]) -> None:
    """From here on, in this context, parameters are called by these names."""
    _spoken.set(names)


def named(text: str) -> str:
    """The text with its parameters as they are called here."""
    names = _spoken.get()
    return text if names is None else _PARAMETER.sub(lambda m: names.get(m[1], m[0]), text)
