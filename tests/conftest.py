"""No test may read or write the studio files of the person who runs it; sentences speak of
options, as the command line has them say."""

from __future__ import annotations

import pytest

from calibration.naming import speak
from drawdown.commands.support.option_names import option_name
from drawdown.studio import locations as places


@pytest.fixture(autouse=True)
def _own_studio(tmp_path_factory, monkeypatch):
    folder = tmp_path_factory.mktemp("studio")
    monkeypatch.setenv(places.SHELF_VARIABLE, str(folder / "shelf.toml"))
    monkeypatch.setenv(places.BOOK_VARIABLE, str(folder / "book"))


@pytest.fixture(autouse=True)
def _spoken_to_at_the_command_line():
    speak(option_name)
