"""Where a studio's own files live when no option says otherwise.

The folder follows the platform's conventions (on Linux the XDG base directory specification,
``~/.local/share/drawdown``); ``DRAWDOWN_SHELF`` and ``DRAWDOWN_BOOK`` change the two places.
Nothing is made here: asking for a place neither creates nor reads it.
"""

from __future__ import annotations

import os
from pathlib import Path

SHELF_VARIABLE = "DRAWDOWN_SHELF"
BOOK_VARIABLE = "DRAWDOWN_BOOK"
BOOK_FILE = "book.sqlite"  # within the folder of the book


def _studio_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("drawdown", appauthor=False)


def own_shelf() -> Path:
    """The file of the studio's own inks; it need not exist."""
    named = os.environ.get(SHELF_VARIABLE, "")
    return Path(named) if named else _studio_folder() / "shelf.toml"


def own_book() -> Path:
    """The folder of the studio book; it need not exist."""
    named = os.environ.get(BOOK_VARIABLE, "")
    return Path(named) if named else _studio_folder() / "book"
