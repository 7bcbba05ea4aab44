"""The files that the examples of the guide name, laid out in a folder, and the examples themselves:
what README.md and drawdown/guide/*.md print is run in such a folder, as printed."""

from __future__ import annotations

import csv
import re
import shlex
import shutil
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "drawdown" / "guide"
PHOTOS = ROOT / "fixtures" / "photos"
# After ``<!-- output: COMMAND -->`` the next block of code is what the command prints.
OUTPUT = re.compile(
    r"(<!-- output: (?P<command>[^\n]+) -->\n\n?```[a-z]*\n)(?P<text>.*?)(```)", re.S
)
_SHELL = re.compile(r"^```sh\n(.*?)^```", re.S | re.M)


class Example(NamedTuple):
    """A line as it is printed, and where."""

    page: str
    line: str

    @property
    def argv(self) -> list[str]:
        return shlex.split(self.line, comments=True)[1:]


def pages() -> list[Path]:
    """README.md and the pages of the guide."""
    found = [p for p in sorted(GUIDE.glob("*.md")) if p.name != "README.md"]
    return [ROOT / "README.md", *found]


def first_examples(page: Path) -> list[Example]:
    """The lines of a page's shell blocks that run the program."""
    text = page.read_text(encoding="utf-8")
    lines = [line for block in _SHELL.findall(text) for line in block.splitlines()]
    return [Example(page.stem, line) for line in lines if line.startswith("drawdown ")]


def lay_out(folder: Path) -> None:
    """Photos, a card of one's own, its readings, and a folder of photos."""
    copies = {
        "photo.jpg": "no-match.jpg", "photo2.jpg": "match.jpg", "ladder.jpg": "ladder.jpg",
        "strips.csv": "../readings.csv", "wet.jpg": "match.jpg", "dry.jpg": "no-match.jpg",
        "my-card.toml": "slip-measured.toml",
        "class/river blue.jpg": "match.jpg", "class/light blue.jpg": "no-match.jpg",
    }  # fmt: skip
    for name, source in copies.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(PHOTOS / source, folder / name)
    _readings(folder / "first.csv", 0.0)
    _readings(folder / "second.csv", 0.2)


def _readings(path: Path, apart: float) -> None:
    """What an instrument might read of a print of the card: as drawn, a little duller."""
    from calibration.card.toml import builtin_cards

    with path.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["patch", "L", "a", "b"])
        for patch in builtin_cards()[0].patches:
            lab = [0.96 * patch.lab_d50[0] + apart, *(0.95 * v for v in patch.lab_d50[1:])]
            table.writerow([patch.name, *(f"{v:.2f}" for v in lab)])
