"""One change at a time to a file of the studio, whoever makes it."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

from calibration.errors import BadFile

LONGEST_WAIT_S = 10.0


@contextlib.contextmanager
def locked(path: Path, what: str, todo: str) -> Iterator[None]:
    """Hold a file's lock, a small hidden file beside it that the system frees by itself when
    a process ends. Makes the folder if need be. ``what`` names the file's contents ("the
    shelf"), ``todo`` says where else it could go. Raises ``BadFile``."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as problem:
        raise BadFile(
            f"{what} {path} cannot be changed ({problem.strerror or problem})",
            "nothing was changed",
            todo,
        ) from problem
    try:
        deadline = time.monotonic() + LONGEST_WAIT_S
        while not _grab(handle):
            if time.monotonic() > deadline:
                raise BadFile(
                    f"{what} {path} is being changed by another program",
                    "two changes at once could lose one, so nothing was changed",
                    "wait for the other one to end, then try again",
                )
            time.sleep(0.02)
        yield
    finally:
        os.close(handle)


def _grab(handle: int) -> bool:
    """Try to take the lock; closing the file gives it back."""
    try:
        try:
            import fcntl
        except ImportError:  # Windows
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
