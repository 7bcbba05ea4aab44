"""Ctrl-C: the first one stops in an orderly way what is being done, a second one ends the process
at once, whatever it is at.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

_seen = False


def listen() -> None:
    """Answer interrupts so from now on, unless they are ignored (as for work behind a shell)."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop)
        sys.excepthook = _quiet(sys.excepthook)
        sys.unraisablehook = _quiet(sys.unraisablehook)


def end() -> None:
    """The answer is out: what is left of the process may go at any moment."""
    if signal.getsignal(signal.SIGINT) is _stop:
        signal.signal(signal.SIGINT, signal.SIG_DFL)


def seen() -> bool:
    """Whether one came. A library that is interrupted while it loads may say that it is missing,
    and an object that is interrupted while it goes away says nothing at all."""
    return _seen


def _stop(number: int, frame: FrameType | None) -> None:
    global _seen
    _seen = True
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    raise KeyboardInterrupt


def _quiet(hook: Callable[..., Any]) -> Callable[..., Any]:
    """A hook for exceptions that nobody caught, without a word of an interrupt."""

    def told(*error: Any) -> None:
        kind = getattr(error[0], "exc_type", error[0])
        if not issubclass(kind, KeyboardInterrupt):
            hook(*error)
        elif len(error) == 1:  # it could not be raised where it came: end here
            os.kill(os.getpid(), signal.SIGINT)

    return told
