"""The places of shelf and book."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from drawdown.studio import locations as places


def test_a_variable_changes_the_place(monkeypatch):
    monkeypatch.setenv(places.SHELF_VARIABLE, "/elsewhere/inks.toml")
    monkeypatch.setenv(places.BOOK_VARIABLE, "/elsewhere/book")
    assert places.own_shelf() == Path("/elsewhere/inks.toml")
    assert places.own_book() == Path("/elsewhere/book")


@pytest.mark.skipif(sys.platform != "linux", reason="the XDG specification is Linux's convention")
def test_the_default_follows_the_xdg_base_directory_specification(monkeypatch, tmp_path):
    # XDG Base Directory Specification 0.8: $XDG_DATA_HOME, or $HOME/.local/share without it.
    for name in (places.SHELF_VARIABLE, places.BOOK_VARIABLE, "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    assert places.own_shelf() == tmp_path / ".local/share/drawdown/shelf.toml"
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert places.own_book() == tmp_path / "data/drawdown/book"
    assert not (tmp_path / "data").exists()
