"""The opacity ladder: strips from see-through to covering, each over black and over white.

Sizes are in hundredths of the picture's width, legible 400 pixels wide on a phone and in a
black-and-white print: the place on the ladder, the word and the number say it all without
colour.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

from calibration.files import write_atomically
from drawdown.printing.opacity import GRADES, WHITE_Y
from drawdown.report.pictures.canvas import INK, QUIET, Page, broken
from drawdown.report.text.match import swatch_rgb
from drawdown.wording.opacity import added, interval

if TYPE_CHECKING:
    from drawdown.pipeline.opacity import StripOpacity
    from drawdown.printing.opacity import Opacity

WIDTH_PX = 1200
PAPER, FAINT = (250, 250, 250), (205, 205, 205)
_WHITE_L, _BLACK = 91.7, (12, 12, 12)  # L* of the white ground (Y 0.80)
_HEAD, _RUNG, _SCALE, _FOOT = 13.0, 26.0, 9.0, 15.0
_LEFT, _RIGHT = 4.0, 96.0
_SCALE_FROM, _SCALE_TO = 42.0, 94.0


def save_ladder(rows: tuple[StripOpacity, ...], title: str, path: Path) -> None:
    """Write the ladder as PNG, whole or not at all. Raises ``BadFile``."""
    from drawdown.report.pictures.answer import png_bytes

    write_atomically(path, png_bytes(draw_ladder(rows, title)))


def place_on_scale(ratio: float) -> float:
    """0..1 along the ladder: each of the four grades has a quarter of it."""
    limits = [limit for limit, _ in reversed(GRADES)] + [1.0]
    for k, (low, high) in enumerate(itertools.pairwise(limits)):
        if ratio < high or high == 1.0:
            return (k + min(max((ratio - low) / (high - low), 0.0), 1.0)) / 4
    return 1.0


def draw_ladder(rows: tuple[StripOpacity, ...], title: str) -> Image.Image:
    """The picture: most see-through at the top, covering at the bottom."""
    read = [(row.number, row.opacity) for row in rows if row.opacity is not None]
    read.sort(key=lambda item: item[1].ratio.value)
    page = Page(WIDTH_PX, _HEAD + _SCALE + _RUNG * len(read) + _FOOT, PAPER)
    page.put("How far each ink covers", 5.0, _LEFT, 3.0, bold=0.09)
    page.put(title, page.fitted(title, 3.0, 92), _LEFT, 8.8, QUIET)
    bottom = _HEAD + _SCALE + _RUNG * len(read)
    _scale(page, _HEAD)
    for k, (number, o) in enumerate(read):
        _rung(page, number, o, _HEAD + _SCALE + _RUNG * k)
    note = (
        f"Contrast ratio: light over black (Y 0) divided by light over white (Y {WHITE_Y:.2f}). "
        "The thick line holds the true value with 95 % probability; the diamond is the best "
        "estimate. Each swatch: over white above, over black below; the ends are bare."
    )
    y = bottom + 1.0
    for line in broken(page.draw, note, 2.7 * page.unit, 92 * page.unit):
        page.put(line, 2.7, _LEFT, y, QUIET)
        y += 3.5
    return page.sheet


def _x(ratio: float) -> float:
    return _SCALE_FROM + (_SCALE_TO - _SCALE_FROM) * place_on_scale(ratio)


def _scale(page: Page, top: float) -> None:
    """The limits, and the four words over their quarters."""
    quarter = (_SCALE_TO - _SCALE_FROM) / 4
    for k, (limit, word) in enumerate(reversed(GRADES)):
        middle = _SCALE_FROM + (k + 0.5) * quarter
        lines = word.split("-")
        for n, part in enumerate(lines):
            text = part + ("-" if n + 1 < len(lines) else "")
            page.put(text, 2.3, middle, top + 0.2 + 2.4 * n, anchor="ma")
        x = _SCALE_FROM + k * quarter
        page.put(f"{limit:.2f}" if k else "0", 2.4, x, top + 5.4, QUIET, anchor="ma")
    page.put("1", 2.4, _SCALE_TO, top + 5.4, QUIET, anchor="ma")


def _rung(page: Page, number: int, o: Opacity, top: float) -> None:
    draw, unit = page.draw, page.unit
    _swatch(page, o, top + 1.0)
    middle = top + 5.0
    low, high = _x(o.ratio.low95), _x(1.0 if o.ratio.high95 is None else o.ratio.high95)
    rail = [(_SCALE_FROM * unit, middle * unit), (_SCALE_TO * unit, middle * unit)]
    draw.line(rail, FAINT, round(0.25 * unit))
    for k in range(5):
        x = _SCALE_FROM + k * (_SCALE_TO - _SCALE_FROM) / 4
        tick = [(x * unit, (middle - 2.2) * unit), (x * unit, (middle + 2.2) * unit)]
        draw.line(tick, QUIET, 2)
    draw.line([(low * unit, middle * unit), (high * unit, middle * unit)], INK, round(0.9 * unit))
    for x in (low, high):
        ends = [(x * unit, (middle - 1.2) * unit), (x * unit, (middle + 1.2) * unit)]
        draw.line(ends, INK, round(0.35 * unit))
    x, size = _x(o.ratio.value), 1.9
    diamond = [(x, middle - size), (x + size, middle), (x, middle + size), (x - size, middle)]
    draw.polygon([(a * unit, b * unit) for a, b in diamond], "white", INK, round(0.35 * unit))
    left = _SCALE_FROM - 1.0
    room = (_RIGHT - left) * unit
    said = f"{number}  {o.said}"
    size = page.fitted(said, 3.7, room * 0.97 / unit)
    page.put(said, size, left, top + 8.4, bold=0.09)
    base = "base alone" if o.against_base else "the bare bar"
    for n, line in enumerate(
        (
            f"contrast ratio {interval(o.ratio, 2)}",
            f"black to white Delta E {interval(o.ground_de00, 1)}",
            f"L* over {base} {added(o, 0)}",
        )
    ):
        size = page.fitted(line, 2.9, room / unit)
        page.put(line, size, left, top + 13.2 + 3.6 * n)


def _swatch(page: Page, o: Opacity, top: float) -> None:
    """The film across a white and a black ground, both bare at the ends."""
    draw, unit = page.draw, page.unit
    white = swatch_rgb((_WHITE_L, 0.0, 0.0))
    left, right, half = _LEFT, 38.0, 11.0
    for n, (ground, lab) in enumerate(((white, o.lab_over_white), (_BLACK, o.lab_over_black))):
        y0, y1 = (top + n * half) * unit, (top + (n + 1) * half) * unit
        draw.rectangle((left * unit, y0, right * unit, y1), fill=ground)
        film = ((left + 5) * unit, y0, (right - 5) * unit, y1)
        draw.rectangle(film, fill=swatch_rgb(lab))
    box = (left * unit, top * unit, right * unit, (top + 2 * half) * unit)
    draw.rectangle(box, outline=QUIET, width=2)
