"""Progress on stderr, for work that takes longer than a second.

The line appears late, is rewritten in place and wiped at the end; nothing at all is
written when stderr is not a terminal.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import TextIO

from drawdown.report.text.terminal import is_tty, rewritten, width

PATIENCE_S = 1.0
_EVERY_S = 0.1


class ProgressLine:
    """A context manager whose instance is called with (what is being done, share 0..1)."""

    def __init__(
        self, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._clock = clock
        self._start = self._last = clock()
        self._live = is_tty(self._stream)
        self._shown = False

    def __call__(self, doing: str, share: float) -> None:
        """Note where the work stands; shown only once it has lasted over a second."""
        now = self._clock()
        if not self._live or now - self._start < PATIENCE_S:
            return
        if self._shown and now - self._last < _EVERY_S:
            return
        self._last, self._shown = now, True
        percent = round(100 * min(1.0, max(0.0, share)))
        line = f"{percent:3d} %  {doing}"[: width(self._stream) - 1]
        self._put(line)

    def wipe(self) -> None:
        """Take the line away again."""
        if self._shown:
            self._put("")
            self._shown = False

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.wipe()

    def _put(self, line: str) -> None:
        try:
            self._stream.write(rewritten(line))
            self._stream.flush()
        except OSError:  # a terminal that went away must not stop the measuring
            self._live = False
