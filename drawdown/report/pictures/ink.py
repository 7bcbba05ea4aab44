"""An ink's tints and let-downs as a picture, as the figures say they look."""

from __future__ import annotations

import numpy as np
from PIL import Image

from drawdown.ink.forward import PAPER_LAB, lab_of_film, paper_ground
from drawdown.ink.shelf import Ink
from drawdown.report.pictures.canvas import Page
from drawdown.report.text.terminal import swatch_rgb

SHARES = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02)
BLACK_LAB = (15.0, 0.0, 0.0)
CELL, BAR, EDGE, LABEL = 150, 44, 30, 34  # px


def draw_ink(ink: Ink, white: Ink, base: Ink) -> Image.Image:
    """Two rows, in white and in base, from the ink alone to 2 %; below each the same film
    over a black bar."""
    width = 2 * EDGE + CELL * len(SHARES)
    height = 130 + 2 * (CELL + LABEL + 44)
    page = Page(width, height, swatch_rgb(PAPER_LAB), unit_px=1)
    page.put(ink.title, 34, EDGE, 22, room=width - 2 * EDGE)
    top = 84
    for words, other in (("in white", white), ("in transparent base", base)):
        page.put(f"{words}: {other.name}", 22, EDGE, top, (60, 60, 60))
        top += 34
        bar = top + CELL - BAR - 16
        page.field((EDGE - 12, bar, width - EDGE + 12, bar + BAR), BLACK_LAB)
        for i, share in enumerate(SHARES):
            left = EDGE + i * CELL + 8
            right = left + CELL - 16
            page.field((left, top, right, top + CELL), _look(ink, other, share, PAPER_LAB))
            page.field((left, bar, right, bar + BAR), _look(ink, other, share, BLACK_LAB))
            text = "alone" if share == 1 else f"{100 * share:g} %"
            page.put(text, 20, left, top + CELL + 4, (40, 40, 40))
        top += CELL + LABEL + 10
    note = "computed from the ink's figures; a screen shows vivid inks duller than they are"
    page.put(note, 18, EDGE, height - 34, (90, 90, 90), room=width - 2 * EDGE)
    return page.sheet


def _look(ink: Ink, other: Ink, share: float, ground_lab: tuple[float, ...]) -> np.ndarray:
    """Lab of a mixture over a ground."""
    k = share * ink.k + (1 - share) * other.k
    s = share * ink.s + (1 - share) * other.s
    return lab_of_film(k, s, 1.0, paper_ground(np.array(ground_lab)))
