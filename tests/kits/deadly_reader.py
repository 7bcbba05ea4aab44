"""A reader of photos for tests of folders, that dies over some of them.

It stands in for a fault deep in a decoder: the process ends at once, without an exception.
Worker processes import it by name, so it is a module of its own.
"""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace

from drawdown.pipeline.folder import FolderReading


def read_or_die(path: Path, card_path: Path | None) -> FolderReading:
    if "deadly" in path.name:
        os._exit(9)
    return FolderReading(path, SimpleNamespace(name=path.name, all_flags=()))
