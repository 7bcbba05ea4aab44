"""Fixtures that the tests of the book share, for their conftest.py to take in: a quick place, a
book's folder, its commands."""

from __future__ import annotations

import json

import pytest
from book_kit import quick_place
from command_kit import run as run_command


@pytest.fixture
def tmp_path():
    yield from quick_place()


@pytest.fixture
def book(tmp_path, monkeypatch):
    """The folder of the studio's own book; there is none in it yet."""
    folder = tmp_path / "book"
    monkeypatch.setenv("DRAWDOWN_BOOK", str(folder))
    return folder


@pytest.fixture
def run(capsys):
    """A command of the book: exit code, stdout, and stderr in one line."""

    def command(*args: object) -> tuple[int, str, str]:
        code, out, err = run_command(capsys, "book", *args)
        return code, out, " ".join(err.split())

    return command


@pytest.fixture
def json_of(run):
    def command(*args: object) -> dict:
        code, out, err = run(*args, "--json")
        assert code == 0, err
        return json.loads(out)

    return command
