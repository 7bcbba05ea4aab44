"""The last change of a file, to take back and to make again: its text before, kept beside it.

``shelf.before.toml`` holds what ``shelf.toml`` was, nothing where it was not there yet; once that
is taken back, ``shelf.undone.toml`` holds what it was then. The caller locks the file.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from calibration.files import write_atomically


def beside(path: Path, what: str) -> Path:
    """``what`` is "before" or "undone"."""
    return path.with_name(f"{path.stem}.{what}{path.suffix or '.toml'}")


def keep_before(path: Path, text: bytes) -> None:
    """Note what the file was before the change to come; what was undone can no longer be made
    again."""
    write_atomically(beside(path, "before"), text)
    with contextlib.suppress(FileNotFoundError):
        beside(path, "undone").unlink()


def changed_at(path: Path, *, redo: bool = False) -> float | None:
    """When the last change was made (for ``redo``: taken back), in seconds; None if there is
    none."""
    with contextlib.suppress(OSError, ValueError):
        return beside(path, "undone" if redo else "before").stat().st_mtime
    return None


def step(path: Path, *, redo: bool = False) -> None:
    """Take the last change back, or make it again. Raises ``BadFile``."""
    source, kept = (
        beside(path, w) for w in (("undone", "before") if redo else ("before", "undone"))
    )
    now = path.read_bytes() if os.path.lexists(path) else b""
    earlier = source.read_bytes()
    write_atomically(kept, now)
    if earlier:
        write_atomically(path, earlier)
    else:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
    source.unlink()
