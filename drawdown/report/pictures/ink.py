"""An ink's tints and let-downs as a picture, as the figures say they look."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageDraw

from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from calibration.files import write_atomically
from drawdown.ink.forward import PAPER_LAB, lab_of_film, paper_ground
from drawdown.report.pictures.answer import png_bytes
from drawdown.report.pictures.canvas import fitting, font, plain

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink

SHARES = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02)
BLACK_LAB = (15.0, 0.0, 0.0)
CELL, BAR, EDGE, LABEL = 150, 44, 30, 34


def save_ink_picture(ink: Ink, white: Ink, base: Ink, path: Path) -> None:
    """Write the picture as PNG, whole or not at all. Raises ``BadFile``."""
    write_atomically(path, png_bytes(draw_ink(ink, white, base)))


def draw_ink(ink: Ink, white: Ink, base: Ink) -> Image.Image:
    """Two rows, in white and in base, from the ink alone to 2 %; below each the same film
    over a black bar."""
    width = 2 * EDGE + CELL * len(SHARES)
    row = CELL + LABEL
    picture = Image.new("RGB", (width, 90 + 2 * (row + 44) + 40), _rgb(PAPER_LAB))
    draw = ImageDraw.Draw(picture)
    size = fitting(draw, ink.title, 34, width - 2 * EDGE)
    draw.text((EDGE, 22), plain(ink.title), fill=(20, 20, 20), font=font(size))
    top = 84
    for words, other in (("in white", white), ("in transparent base", base)):
        draw.text((EDGE, top), plain(f"{words}: {other.name}"), fill=(60, 60, 60), font=font(22))
        top += 34
        bar_top = top + CELL - BAR - 16
        draw.rectangle((EDGE - 12, bar_top, width - EDGE + 12, bar_top + BAR), fill=_rgb(BLACK_LAB))
        for i, share in enumerate(SHARES):
            left = EDGE + i * CELL + 8
            right = left + CELL - 16
            on_paper, on_black = _look(ink, other, share)
            draw.rectangle((left, top, right, top + CELL), fill=_rgb(on_paper))
            draw.rectangle((left, bar_top, right, bar_top + BAR), fill=_rgb(on_black))
            text = "alone" if share == 1 else f"{100 * share:g} %"
            draw.text((left, top + CELL + 4), text, fill=(40, 40, 40), font=font(20))
        top += row + 10
    note = "computed from the ink's figures; a screen shows vivid inks duller than they are"
    size = fitting(draw, note, 18, width - 2 * EDGE)
    draw.text((EDGE, picture.height - 34), note, fill=(90, 90, 90), font=font(size))
    return picture


def _look(ink: Ink, other: Ink, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Lab of a mixture over paper and over black."""
    k = share * ink.k + (1 - share) * other.k
    s = share * ink.s + (1 - share) * other.s
    return tuple(
        lab_of_film(k, s, 1.0, paper_ground(np.array(lab))) for lab in (PAPER_LAB, BLACK_LAB)
    )


def _rgb(lab) -> tuple[int, int, int]:
    rgb = xyz_d50_to_srgb(lab_to_xyz(np.asarray(lab, dtype=float)))
    return tuple(int(v) for v in np.rint(255 * rgb))
