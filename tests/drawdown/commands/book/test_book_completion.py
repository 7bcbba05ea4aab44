"""What the shell completes out of the book, and how little its lists load."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from book_kit import MIX, keep
from command_kit import run

from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.book.packets import put_by
from drawdown.commands.book import COMMANDS

ROOT = Path(__file__).resolve().parents[4]
PHOTOS = ROOT / "fixtures" / "photos"
HEAVY = ("numpy", "cv2", "scipy", "skimage", "colour", "PIL")


@pytest.fixture
def small_book(book):
    with open_book(book, create=True) as opened:
        keep(opened, "Sand", (80, 3, 20), (MixPart("diarylide-yellow", 1),), paper="washi")
        keep(opened, "Night", (20, 5, -30), state="wet", edition="Kingfisher")
        keep(opened, "Leaf", (50, -30, 30), (), date="2030-06-01")
        with opened.change("put by") as change:
            for k in range(3):
                put_by(opened, change, name=f"packet {k}", grams=5.0 + k, date=f"2030-01-0{k + 1}",
                       place=f"drawer {k}", original=2, mix=MIX)  # fmt: skip
    return book


# Completion and start-up -----------------------------------------------------------------------


def complete(*words: str, book: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-m", "drawdown"],
        cwd=ROOT,
        env={
            **os.environ, "_DRAWDOWN_COMPLETE": "complete_bash", "DRAWDOWN_BOOK": str(book),
            "COMP_WORDS": " ".join(("drawdown", *words)), "COMP_CWORD": str(len(words)),
        },
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout.split("\n")[:-1]


@pytest.mark.slow
def test_tab_completes_names_inks_and_orders(small_book):
    assert complete("book", "show", "S", book=small_book) == ["Sand"]
    assert complete("book", "use", "", book=small_book) == ["packet 0", "packet 1", "packet 2"]
    assert complete("match", "p.jpg", "--kept", "N", book=small_book) == ["Night"]
    assert complete("match", "p.jpg", "--mix", "phthalo-b", book=small_book)[-1] == "phthalo-blue"
    assert complete("book", "list", "ba", book=small_book) == ["batches"]
    assert complete("book", "st", book=small_book) == ["store"]


@pytest.mark.slow
def test_tab_is_quiet_where_there_is_no_book_or_a_bad_one(tmp_path):
    assert complete("book", "show", "", book=tmp_path / "none") in ([], [""])
    assert not (tmp_path / "none").exists()
    (tmp_path / "book.sqlite").write_bytes(b"nonsense" * 1000)
    assert complete("book", "show", "", book=tmp_path) in ([], [""])


@pytest.mark.slow
@pytest.mark.skipif(not Path("/bin/bash").exists(), reason="asks bash itself")
def test_bash_takes_the_script_and_quotes_names(small_book):
    script = """
eval "$("$1" -m drawdown --completion bash)"
drawdown() { "$PYTHON" -m drawdown "$@"; }
COMP_WORDS=(drawdown book use 'packet\\ 2'); COMP_CWORD=3
_drawdown_completion drawdown; printf '%s|' "${COMPREPLY[@]}"
"""
    done = subprocess.run(
        ["/bin/bash", "-c", script, "x", sys.executable],
        cwd=ROOT, env={**os.environ, "PYTHON": sys.executable, "DRAWDOWN_BOOK": str(small_book)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout == "packet\\ 2|", done.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_every_shell_gets_a_script(shell, capsys):
    code, out, _ = run(capsys, "--completion", shell)
    assert code == 0
    assert "_DRAWDOWN_COMPLETE" in out


@pytest.mark.slow
def test_lists_load_nothing_heavy(small_book):
    code = (
        "import sys; from drawdown.commands.main import main; main(['book', 'list']); "
        "main(['book', 'show', 'sand']); main(['book', '--help']);"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True,
        env={**os.environ, "DRAWDOWN_BOOK": str(small_book)},
    )  # fmt: skip
    assert done.stderr.strip() == "[]"
    assert "Sand" in done.stdout
    for name in COMMANDS:
        assert re.search(rf"^  {name} ", done.stdout, re.MULTILINE)
