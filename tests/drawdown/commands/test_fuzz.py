"""A quick slice of tests/benchmarks/fuzz.py: nothing broken ends the program in a fault."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="each run is a fork")
def test_broken_input_is_never_a_fault_of_the_program():
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests/benchmarks/fuzz.py"), "--runs", "40", "--seed", "7"],
        capture_output=True, text=True, check=False, timeout=280,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert "40 runs" in done.stdout
