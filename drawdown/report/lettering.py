"""Letters for pictures, from the one font that comes with Pillow (so: the same everywhere)."""

from __future__ import annotations

import functools
import unicodedata
from typing import TYPE_CHECKING

from PIL import ImageFont

from drawdown.report.terminal import bound

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw

_ALSO = "±°·"  # signs beyond ASCII that the font has


@functools.cache
def font(size: float) -> ImageFont.FreeTypeFont:
    """The font at a size in pixels."""
    return ImageFont.load_default(size=max(8.0, round(size, 1)))


def plain(text: str) -> str:
    """The text in signs that the font has: accents dropped, other signs as a dot."""
    letters = []
    for sign in text:
        bare = sign if sign in _ALSO else unicodedata.normalize("NFKD", sign)
        bare = "".join(c for c in bare if not unicodedata.combining(c))
        letters.append(bare if bare.isascii() or bare in _ALSO else "·")
    return "".join(letters)


def fitting(draw: ImageDraw, text: str, size: float, room: float, bold: float = 0) -> float:
    """The size, or the smaller one, at which the text is no wider than ``room`` pixels."""
    width = draw.textlength(plain(text), font=font(size)) + 2 * bold
    return size if width <= room else size * room / width * 0.995


def broken(draw: ImageDraw, text: str, size: float, room: float) -> list[str]:
    """The text in lines no wider than ``room`` pixels."""
    lines: list[str] = []
    for word in bound(" ".join(text.split())).split(" "):
        word = plain(word)  # a no-break space becomes a plain one
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and draw.textlength(longer, font=font(size)) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
