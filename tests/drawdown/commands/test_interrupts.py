"""Ctrl-C stops the program without a traceback, whenever it comes; a second one always ends it.

The exit code is the shells' convention: 128 and the signal's number (POSIX, XCU 2.8.2).
tests/benchmarks/interrupts.py does this at a thousand random moments.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="signals are POSIX's"),
]
# The program, interrupted when it first asks for a module; a library may turn that into a failure
# of its own.
START = """
import os, signal, sys
class Early:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            try:
                os.kill(os.getpid(), signal.SIGINT)
            except KeyboardInterrupt:
                if {turned}:
                    raise ImportError("libGL.so.1: cannot open shared object file") from None
                raise
sys.meta_path.insert(0, Early())
sys.argv[1:] = ["match", {photo!r}]
from drawdown.__main__ import run
sys.exit(run())
"""


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("module", ["drawdown.commands.main", "typer", "drawdown.ink", "cv2"])
def test_one_that_comes_while_the_program_loads_is_no_traceback(module, turned):
    photo = str(ROOT / "fixtures" / "photos" / "match.jpg")
    done = subprocess.run(
        [sys.executable, "-c", START.format(module=module, turned=turned, photo=photo)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr.strip() in ("", "Stopped.")


def test_a_second_one_ends_what_does_not_stop():
    code = """
import os, signal, sys, time
from drawdown.commands.support import interrupts
interrupts.listen()
for _ in range(2):
    try:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(5)
    except KeyboardInterrupt:
        pass
print("still there")
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=30,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")


def test_one_that_cannot_be_raised_where_it_comes_ends_the_process():
    code = """
import os, signal
from drawdown.commands.support import interrupts
interrupts.listen()
class Late:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(1000): pass
late = Late()
del late
print("still there")
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=30,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")


def test_processes_that_read_a_folder_hold_interrupts_back():
    from drawdown.pipeline.folder import interrupts_held

    before = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    with interrupts_held():
        assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == before
