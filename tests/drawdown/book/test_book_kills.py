"""A few of the kills of tests/benchmarks/book_kills.py, which makes them at each change of a file
and half-way through it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.slow
@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None,
    reason="counts a program's writes with what a C compiler makes, on Linux",
)
@pytest.mark.parametrize(
    ("case", "every"),
    [("the first keep", 23), ("use", 9), ("migration from 4", 31), ("repair of both", 31),
     ("repair of two histories", 31)],
)  # fmt: skip
def test_killed_at_a_change_of_a_file_nothing_is_lost(case, every):
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.book_kills", case, "--every", str(every)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert " kills, " in done.stdout
