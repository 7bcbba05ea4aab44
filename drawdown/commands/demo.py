"""``drawdown demo``: judges the demo photo that travels with the program."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from importlib.resources import as_file, files
from pathlib import Path

from drawdown.commands.match import match
from drawdown.commands.support import options as opt
from drawdown.report.text import terminal

MIX, GRAMS = "white 97, PB15:3 2, PG7 1", 250.0


def demo(
    picture: opt.AnswerPicture = None, replace: opt.Replace = False, json: opt.AsJson = False
) -> int:
    """Judge a photo that comes with the program, and open its picture."""
    here = files("drawdown.guide")
    opener = None if json or picture is not None else _opener()
    if opener is not None:
        picture = Path(tempfile.mkdtemp(prefix="drawdown-")) / "demo.png"
    with as_file(here / "demo.jpg") as photo, as_file(here / "demo-card.toml") as card:
        terminal.write_aside(f'drawdown {photo} --card {card} --mix "{MIX}" --grams {GRAMS:g}')
        match(
            [photo], card=card, mix=[MIX], grams=GRAMS, picture=picture, replace=replace, json=json
        )
    if opener is not None:
        terminal.write_aside(f"The picture is in {picture}.")
        _open(opener, str(picture))
    return 0


def _opener() -> list[str] | None:
    """What opens a picture here; None where nobody would see it."""
    if not (terminal.is_tty(sys.stdout) and terminal.is_tty(sys.stderr)):
        return None
    if sys.platform == "win32":
        return ["explorer"]
    if sys.platform == "darwin":
        return ["open"]
    return ["xdg-open"] if {"DISPLAY", "WAYLAND_DISPLAY"} & set(os.environ) else None


def _open(opener: list[str], picture: str) -> None:
    try:
        subprocess.Popen([*opener, picture], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    except OSError:
        return  # the line above says where the picture is
