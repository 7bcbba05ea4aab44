"""What is said when OpenCV lacks a library of the system.

The messages are those of the loaders: ld.so of glibc (seen with opencv-python in a slim
container), dyld of macOS and Python's import on Windows (from memory). Debian's package names
are those of packages.debian.org.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drawdown.commands import main as cli
from drawdown.commands.support.missing_library import DEBIAN_PACKAGES, explain_missing_library

ROOT = Path(__file__).resolve().parents[3]
PHOTO = ROOT / "fixtures" / "photos" / "match.jpg"
GLIBC = "{}: cannot open shared object file: No such file or directory"


@pytest.mark.parametrize(
    ("library", "package"),
    [("libGL.so.1", "libgl1"), ("libgthread-2.0.so.0", "libglib2.0-0")],
)
@pytest.mark.parametrize("command", ["match", "read"])
def test_a_missing_library_is_named_with_the_command_that_installs_it(
    tmp_path, command, library, package
):
    """Through the whole process: a cv2 that fails as the real one does without its library."""
    fake = tmp_path / "cv2"
    fake.mkdir()
    (fake / "__init__.py").write_text(f"raise ImportError({GLIBC.format(library)!r})\n")
    done = subprocess.run(
        [sys.executable, "-m", "drawdown", command, str(PHOTO)],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    said = " ".join(done.stderr.split())
    assert (done.returncode, done.stdout) == (1, "")
    assert f"The system library {library} is missing." in said
    assert f"sudo apt-get install {package};" in said
    assert "not made for" not in said
    assert "Traceback" not in said


@pytest.mark.parametrize("library", DEBIAN_PACKAGES)
def test_each_library_of_the_table_is_understood(library):
    error = explain_missing_library(ImportError(GLIBC.format(library)))
    assert library in error.seen
    assert f"apt-get install {DEBIAN_PACKAGES[library]};" in error.todo


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ImportError(GLIBC.format("libodd-3.so.7")), "that holds libodd-3.so.7"),
        (ImportError("dlopen(cv2.so, 2): Library not loaded: @rpath/libx.5.dylib\n  Referenced"),
         "libx.5.dylib is missing"),
        (ImportError("DLL load failed while importing cv2: The specified module could not be "
                     "found."), "cannot be loaded (DLL load failed"),
        (ModuleNotFoundError("No module named 'cv2'", name="cv2"),
         "Python package cv2 is not installed"),
        (ModuleNotFoundError("No module named 'a.b'", name="a.b"), "Python package a is not"),
    ],
)  # fmt: skip
def test_other_systems_are_told_what_is_known(error, says):
    explained = cli._explained(error)
    assert says in explained.paragraph()
    assert explained.exit_code == 1
