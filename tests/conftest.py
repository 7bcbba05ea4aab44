"""No test may read or write the studio files of the person who runs it; sentences speak of
options, as the command line has them say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from calibration.naming import speak
from drawdown.commands.support.option_names import option_name
from drawdown.studio import locations as places

PHOTOS = Path(__file__).resolve().parents[1] / "fixtures" / "photos"
_OPENED: dict[tuple[object, ...], Any] = {}


@pytest.fixture(autouse=True)
def _own_studio(tmp_path_factory, monkeypatch):
    folder = tmp_path_factory.mktemp("studio")
    monkeypatch.setenv(places.SHELF_VARIABLE, str(folder / "shelf.toml"))
    monkeypatch.setenv(places.BOOK_VARIABLE, str(folder / "book"))


@pytest.fixture(autouse=True)
def _spoken_to_at_the_command_line():
    speak(option_name)


@pytest.fixture
def opened_once(monkeypatch):
    """A demo photo is opened, and searched for its card, once for all tests that ask for this:
    what they are about comes after it."""
    from drawdown.pipeline import read

    prepare = read.prepare

    def once(photo, options, progress):
        card = options.card
        demo = isinstance(photo, Path) and photo.parent == PHOTOS and not photo.is_symlink()
        if not demo or not (card is None or (isinstance(card, Path) and card.is_file())):
            return prepare(photo, options, progress)
        key = (str(photo), card and card.read_bytes(), options.card_corners)
        if key not in _OPENED:
            _OPENED[key] = prepare(photo, options, progress)
        return _OPENED[key]

    monkeypatch.setattr(read, "prepare", once)
