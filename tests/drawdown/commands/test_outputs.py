"""One rule for every file that is written: never over another without a word.

A rule of our own; there is no outside reference for it.
"""

from __future__ import annotations

import base64
import io
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from drawdown.commands import main as cli

ROOT = Path(__file__).resolve().parents[3]
PHOTO = str(ROOT / "fixtures" / "photos" / "no-match.jpg")
DRAWN = (
    ("card", "{}.pdf"),
    ("card", "{}.svg", "--shape", "sheet"),
    ("card", "--definition", "{}.toml"),
    ("ink", "list", "--write", "{}.toml"),
    ("ink", "show", "PB15:3", "--picture", "{}.png"),
)
MEASURED = (
    ("read", PHOTO, "--picture", "{}.png"),
    ("match", PHOTO, "--picture", "{}.png"),
    ("plan", "covers", PHOTO, "--picture", "{}.png"),
    ("demo", "--picture", "{}.png"),
)


class Person(io.StringIO):
    """Somebody at the terminal, who says one thing."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def _run(argv: tuple[str, ...], folder: Path, *more: str) -> tuple[int, Path]:
    words = [word.replace("{}", str(folder / "out")) for word in argv]
    place = next(Path(w) for w, asked in zip(words, argv, strict=True) if "{}" in asked)
    if not place.exists():
        place.write_bytes(b"mine")
    return cli.main([*words, *more]), place


@pytest.mark.parametrize("argv", [*DRAWN, *MEASURED], ids=lambda argv: " ".join(argv[:2])[:20])
def test_a_file_that_is_there_is_left_alone(argv, tmp_path, capsys):
    code, place = _run(argv, tmp_path)
    streams = capsys.readouterr()
    assert (code, streams.out, place.read_bytes()) == (2, "", b"mine")
    assert "is there already" in " ".join(streams.err.split())
    assert "--replace" in streams.err


@pytest.mark.parametrize("argv", DRAWN, ids=lambda argv: " ".join(argv[:2]))
def test_it_is_written_over_when_that_is_said(argv, tmp_path, capsys):
    code, place = _run(argv, tmp_path, "--replace")
    assert code == 0
    assert place.read_bytes() != b"mine"
    assert list(tmp_path.iterdir()) == [place]


@pytest.mark.parametrize(("answer", "code"), [("y\n", 0), ("n\n", 2), ("", 2)])
def test_a_person_is_asked(answer, code, tmp_path, monkeypatch):
    screen = Person()
    monkeypatch.setattr(sys, "stdin", Person(answer))
    monkeypatch.setattr(sys, "stderr", screen)
    found, place = _run(DRAWN[0], tmp_path)
    assert found == code
    assert "Write over it?" in screen.getvalue()
    assert (place.read_bytes() == b"mine") is (code != 0)


@pytest.mark.parametrize("more", [(), ("--replace",)])
def test_the_photo_is_never_written_over(more, tmp_path, capsys):
    photo = tmp_path / "out.png"
    photo.write_bytes(b"mine")
    assert cli.main(["read", str(photo), "--picture", str(photo), *more]) == 2
    assert "the photo itself" in " ".join(capsys.readouterr().err.split())
    assert photo.read_bytes() == b"mine"


@pytest.mark.parametrize("ending", ["png", "jpg", "svg", "pdf"])
def test_a_picture_is_what_its_ending_says(ending, tmp_path, capsys):
    """By Pillow, by the library's XML parser and by the first bytes of a PDF (ISO 32000-1,
    7.5.2)."""
    place = tmp_path / f"ink.{ending}"
    assert cli.main(["ink", "show", "PB15:3", "--picture", str(place)]) == 0
    data = place.read_bytes()
    if ending == "pdf":
        assert data.startswith(b"%PDF-1.")
        return
    if ending == "svg":
        whole = ElementTree.fromstring(data)
        assert whole.tag == "{http://www.w3.org/2000/svg}svg"
        (image,) = whole
        data = base64.b64decode(image.get("href").removeprefix("data:image/png;base64,"))
        assert whole.get("viewBox") == f"0 0 {image.get('width')} {image.get('height')}"
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.format == {"jpg": "JPEG"}.get(ending, "PNG")
        assert picture.width > 500
