"""Letters on pictures: Pillow's own font where it has them, else one that is there and does."""

from __future__ import annotations

import functools
import importlib.util
import os
import unicodedata
from pathlib import Path

from PIL import ImageFont
from PIL.ImageDraw import ImageDraw

from calibration.signs import visible
from drawdown.report.text.terminal import bound

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

# Where systems keep their fonts, and files that hold many scripts, to be tried before any other.
_FOLDERS = (
    "/usr/share/fonts", "/usr/local/share/fonts", "~/.local/share/fonts", "~/.fonts",
    "/System/Library/Fonts", "/Library/Fonts", "~/Library/Fonts",
    os.path.join(os.environ.get("WINDIR", "C:\\Windows"), "Fonts"),
)  # fmt: skip
_FIRST = ("dejavusans.ttf", "notosans-regular", "arial unicode", "arial.ttf", "segoeui.ttf")
_MOST_FILES = 600  # looked through for a letter that the others lack


@functools.cache
def _files() -> tuple[str, ...]:
    """Font files, "" for Pillow's own: it, the one in the PDF library, then the system's."""
    library = importlib.util.find_spec("reportlab")
    places = library.submodule_search_locations if library else None
    bundled = [str(Path(place, "fonts", "Vera.ttf")) for place in places or ()]
    found = [
        str(path)
        for folder in _FOLDERS
        for path in Path(folder).expanduser().rglob("*")
        if path.suffix.lower() in (".ttf", ".otf", ".ttc")
    ]
    found.sort(key=lambda path: (not path.lower().endswith(_FIRST), path))
    return ("", *bundled, *found[:_MOST_FILES])


@functools.cache
def _face(file: str, size: float) -> Font:
    return ImageFont.truetype(file, size) if file else ImageFont.load_default(size=size)


@functools.cache
def _has(file: str, sign: str) -> bool:
    """Whether a font has a sign: it does not look like one that no font has."""
    try:
        face = _face(file, 32)
        seen, none = (face.getmask(text) for text in (sign, "\U0010ffff"))
    except (OSError, ValueError):  # not a font after all
        return False
    return (seen.size, bytes(seen)) != (none.size, bytes(none))


@functools.cache
def _file_for(signs: frozenset[str]) -> str:
    """The first font that has all the signs, or else the one that has most of them."""
    best, most = "", -1
    for file in _files():
        count = sum(_has(file, sign) for sign in signs)
        if count == len(signs):
            return file
        if count > most:
            best, most = file, count
    return best


def _signs(text: str) -> frozenset[str]:
    return frozenset(sign for sign in text if not sign.isspace() and not sign.isascii())


def font(size: float, text: str = "") -> Font:
    """The font for this text, at a size in pixels."""
    return _face(_file_for(_signs(text)), max(8.0, round(size, 1)))


def plain(text: str) -> str:
    """The text as its font can show it: a sign that no font here has as its number, <U+65E5>."""
    text = unicodedata.normalize("NFC", visible(text)).replace("\u00a0", " ")
    file = _file_for(_signs(text))
    return "".join(
        sign if sign.isascii() or sign.isspace() or _has(file, sign) else f"<U+{ord(sign):04X}>"
        for sign in text
    )


def fitting(draw: ImageDraw, text: str, size: float, room: float, bold: float = 0) -> float:
    """The size, or the smaller one, at which the text is no wider than ``room`` pixels."""
    text = plain(text)
    width = draw.textlength(text, font=font(size, text)) + 2 * bold
    return size if width <= room else size * room / width * 0.995


def broken(draw: ImageDraw, text: str, size: float, room: float) -> list[str]:
    """The text in lines no wider than ``room`` pixels."""
    lines: list[str] = []
    for word in bound(" ".join(text.split())).split(" "):
        word = plain(word)  # a no-break space becomes a plain one
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and draw.textlength(longer, font=font(size, longer)) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
