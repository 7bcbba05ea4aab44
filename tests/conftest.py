"""No test may read or write the studio files of the person who runs it."""

from __future__ import annotations

import pytest

from drawdown.studio import locations as places


@pytest.fixture(autouse=True)
def _own_studio(tmp_path_factory, monkeypatch):
    folder = tmp_path_factory.mktemp("studio")
    monkeypatch.setenv(places.SHELF_VARIABLE, str(folder / "shelf.toml"))
    monkeypatch.setenv(places.BOOK_VARIABLE, str(folder / "book"))
