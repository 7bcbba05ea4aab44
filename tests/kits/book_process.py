"""The book in processes of their own, for tests that kill, crowd or damage it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drawdown.book import columns as schema
from drawdown.book import open_book

ROOT = Path(__file__).resolve().parents[2]
KIT = ROOT / "tests" / "kits" / "book_kit.py"
posix = pytest.mark.skipif(os.name != "posix", reason="forks and signals are POSIX's")


def kit(*args: object, **how) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, str(KIT), *map(str, args)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False, timeout=120, **how,
    )  # fmt: skip


def contents(folder: Path) -> dict[str, list[dict]]:
    """Every row of every table, but for the log of changes."""
    with open_book(folder) as book:
        return {
            table: [dict(row) for row in book.rows(f'SELECT * FROM "{table}" ORDER BY id')]
            for table in schema.TABLES if table not in ("change", "change_row", "mark")
        }  # fmt: skip
