"""Do something in a thread while the main thread goes on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Ahead(Generic[T]):
    """Starts ``work`` at once; ``result`` waits for it and returns or raises what it did.

    Use it in a ``with`` statement, which never leaves before the work is over: a process that
    ends while a thread is inside compiled code aborts."""

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._value: T | None = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._value = self._work()
        except BaseException as error:  # handed to whoever asks for the result
            self._error = error

    def __enter__(self) -> Ahead[T]:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join()

    def result(self) -> T:
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._value  # type: ignore[return-value]
