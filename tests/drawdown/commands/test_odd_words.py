"""Names and numbers at the edge of what a system takes: explained, never a fault of the program.

Longest names: 255 bytes on the usual file systems (Linux manual page path_resolution(7) and
limits.h NAME_MAX, from memory).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from drawdown.commands import main as cli

ROOT = Path(__file__).resolve().parents[3]
PHOTO = str(ROOT / "fixtures" / "photos" / "match.jpg")
LONG, DIGITS = "x" * 300, "9" * 100_000
DEEP = "[" * 100_000


@pytest.mark.parametrize(
    "argv",
    [
        ["read", LONG],
        ["read", PHOTO, "--card", LONG],
        ["match", PHOTO, "--lamp", LONG],
        ["ink", "list", "--shelf", LONG],
        ["ink", "list", "--write", f"{LONG}.toml"],
        ["book", "list", "--book", LONG],
        ["book", "import", f"{LONG}.zip"],
        ["card", f"{LONG}.pdf"],
        ["card", "--definition", f"{LONG}.toml"],
        ["read", PHOTO, "--strip", DIGITS],
        ["match", PHOTO, "--tolerance", DIGITS],
        ["plan", "amount", "--area-cm2", DIGITS, "--prints", "10"],
        ["book", "print", "out.pdf", "--size", "70x-0"],
        ["book", "keep", PHOTO, "--name", "\udcff"],
        ["read", "\udcff.jpg"],
        ["guide", "\udcff"],
    ],
    ids=lambda argv: " ".join(word[:12] for word in argv if word != PHOTO).encode(
        "ascii", "replace"
    ),
)
def test_odd_words_are_explained(argv, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.main(argv) in (2, 6)
    streams = capsys.readouterr()
    assert streams.out == ""
    assert "it met something it was not made for" not in " ".join(streams.err.lower().split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "value", [DEEP, DIGITS, "nan", "{" * 2000], ids=["deep", "long", "nan", "{"]
)
@pytest.mark.parametrize(
    ("name", "text", "argv"),
    [
        (
            "my.toml",
            'format = "drawdown-shelf/1"\nodd = {}\n',
            ["ink", "list", "--shelf", "my.toml"],
        ),
        ("card.toml", "format = {}\n", ["read", PHOTO, "--card", "card.toml"]),
    ],
)
def test_deep_and_long_values_are_explained(name, text, argv, value, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text(text.replace("{}", value, 1), encoding="utf-8")
    assert cli.main(argv) == 6
    assert "not made for" not in " ".join(capsys.readouterr().err.split())


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such name")
def test_a_photo_whose_name_is_no_utf8_is_read(tmp_path, capsys):
    place = os.fsencode(tmp_path) + b"/\xff.jpg"
    with open(place, "wb") as stream:
        stream.write(Path(PHOTO).read_bytes())
    assert cli.main(["read", os.fsdecode(place)]) == 0
    assert "<U+DCFF>.jpg" in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.parametrize("words", ["--help", "read --help", "match --help", "book", "--version"])
def test_help_into_a_pipe_that_nobody_reads_is_no_error(words):
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "drawdown", *words.split()],
            cwd=ROOT, stdout=gone, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
