"""An answer that cannot be written is explained; a picture that cannot be saved costs no answer.

What is checked against the outside: /dev/full, which fails as a full disk does (Linux manual
page full(4)), and the exit codes of the guide.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import fake_judgement
import pytest
from book_kit import MIX
from PIL import Image

from calibration.errors import BadFile
from calibration.flags import CARD_UNUSABLE, NOMINAL_CARD
from drawdown.book import open_book
from drawdown.book.packets import find_packet, put_by
from drawdown.commands.match import deliver
from drawdown.commands.support import output

ROOT = Path(__file__).resolve().parents[3]
PHOTO = str(ROOT / "fixtures" / "photos" / "no-match.jpg")
FULL = Path("/dev/full")


def _run(*args: str, stdout, stderr=subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "drawdown", *args],
        cwd=ROOT, stdout=stdout, stderr=stderr, text=True, check=False, timeout=60,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(not FULL.exists(), reason="only Linux has /dev/full")
@pytest.mark.parametrize(
    "args", [("--help",), ("match", "--help"), ("--version",), (), ("match", PHOTO, "--json"),
             ("match", PHOTO)]
)  # fmt: skip
def test_a_full_disk_is_explained(args):
    with FULL.open("w") as full:
        done = _run(*args, stdout=full)
    assert done.returncode == 6
    headline, _, rest = done.stderr.partition("\n")
    assert headline == "A file cannot be used"
    assert " ".join(rest.split()).startswith("The disk is full, so the answer could not be written")
    assert "Traceback" not in rest
    assert "Exception ignored" not in rest


@pytest.mark.skipif(not FULL.exists(), reason="only Linux has /dev/full")
def test_when_nothing_at_all_can_be_written_the_exit_code_still_tells():
    with FULL.open("w") as full:
        assert _run("--help", stdout=full, stderr=full).returncode == 6
        assert _run("match", stdout=full, stderr=full).returncode == 2


@pytest.mark.skipif(os.name == "nt", reason="a POSIX shell closes the stream")
def test_a_closed_stdout_is_no_crash():
    done = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m drawdown --version >&-'],
        cwd=ROOT, stderr=subprocess.PIPE, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("as_json", [True, False])
def test_the_answer_comes_before_the_picture(tmp_path, capsys, as_json):
    picture = tmp_path / "answer.png"
    (tmp_path / "answer.png").mkdir()  # it became a folder while the photo was measured
    with pytest.raises(BadFile) as caught:
        deliver(fake_judgement.judgement("match"), as_json=as_json, picture=picture)
    assert caught.value.exit_code == 6
    out = capsys.readouterr().out
    if as_json:
        assert json.loads(out)["comparison"]["verdict"] == "match"
    else:
        assert "The batch matches the kept original" in out


def test_every_command_tells_its_answer_before_the_picture(tmp_path, capsys):
    (tmp_path / "answer.png").mkdir()
    with pytest.raises(BadFile):
        output.deliver(False, (3,), str, lambda n, screen: f"{n} of {screen.columns}",
                       tmp_path / "answer.png", lambda n: Image.new("RGB", (n, n)))  # fmt: skip
    assert capsys.readouterr().out == "3 of 80\n"
    assert output.deliver(True, (3,), str, lambda n, _: "", flags=[NOMINAL_CARD()]) == 0
    assert output.deliver(True, (3,), str, lambda n, _: "", flags=[CARD_UNUSABLE("9")]) == 5
    assert capsys.readouterr().out == "3\n3\n"


@pytest.mark.slow
@pytest.mark.skipif(not FULL.exists(), reason="only Linux has /dev/full")
def test_an_answer_that_is_lost_after_a_change_says_what_was_recorded(tmp_path):
    """To give the command again would take the ink twice. With stderr closed or full nothing can
    be said, and a remark that is lost is no failure."""
    with open_book(tmp_path / "book", create=True) as book, book.change("put by") as change:
        put_by(book, change, name="rest", grams=35.0, date="2030-01-01", mix=MIX)
    take = f'"{sys.executable}" -m drawdown book use rest --grams 5 --book "{tmp_path}/book"'
    for streams, code in ((">/dev/full", 6), (">/dev/full 2>&-", 6), ("2>&-", 0),
                          ("2>/dev/full", 0)):  # fmt: skip
        done = subprocess.run(
            ["sh", "-c", f"{take} {streams}"],
            cwd=ROOT, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        told = " ".join(done.stderr.split())
        if streams == ">/dev/full":
            assert 'is recorded: took ink from "rest".' in told
            assert "do not give the command again" in told.lower()
        else:
            assert told == ""
    with open_book(tmp_path / "book") as book:
        assert find_packet(book, "rest").grams == 15.0
