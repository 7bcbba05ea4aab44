"""The opacity ladder: strips from see-through to covering, each over black and over white.

Legible 400 pixels wide on a phone and in a black-and-white print: the place on the ladder, the
word and the number say it all without colour.
"""

from __future__ import annotations

import itertools
from pathlib import Path

from PIL import Image

from drawdown.pipeline.opacity import StripOpacity
from drawdown.pipeline.read import Judgement
from drawdown.printing.opacity import GRADES, WHITE_Y, Opacity
from drawdown.report.pictures.canvas import INK, PHONE_PX, QUIET, Page
from drawdown.wording.opacity import added, grade, interval

PAPER, FAINT = (250, 250, 250), (205, 205, 205)
_WHITE_LAB, _BLACK = (91.7, 0.0, 0.0), (12, 12, 12)  # the white ground (Y 0.80)
_HEAD, _RUNG, _SCALE, _FOOT = 13.0, 26.0, 9.0, 15.0
_LEFT, _RIGHT = 4.0, 96.0
_FROM, _TO = 42.0, 94.0  # of the scale
_QUARTER = (_TO - _FROM) / 4


def place_on_scale(ratio: float) -> float:
    """0..1 along the ladder: each of the four grades has a quarter of it."""
    limits = [limit for limit, _ in reversed(GRADES)] + [1.0]
    for k, (low, high) in enumerate(itertools.pairwise(limits)):
        if ratio < high or high == 1.0:
            return (k + min(max((ratio - low) / (high - low), 0.0), 1.0)) / 4
    return 1.0


def draw_opacity(seen: Judgement, rows: tuple[StripOpacity, ...]) -> Image.Image:
    """The picture: most see-through at the top, covering at the bottom."""
    read = [(row.number, row.opacity) for row in rows if row.opacity is not None]
    read.sort(key=lambda item: item[1].ratio.value)
    bottom = _HEAD + _SCALE + _RUNG * len(read)
    page = Page(PHONE_PX, bottom + _FOOT, PAPER)
    page.put("How far each ink covers", 5.0, _LEFT, 3.0, bold=0.09)
    page.put(Path(seen.path).name, 3.0, _LEFT, 8.8, QUIET, room=92)
    _scale(page, _HEAD)
    for k, (number, o) in enumerate(read):
        _rung(page, number, o, _HEAD + _SCALE + _RUNG * k)
    page.y = bottom + 1.0
    page.line(
        f"Contrast ratio: light over black (Y 0) divided by light over white (Y {WHITE_Y:.2f}). "
        "The thick line holds the true value with 95 % probability; the diamond is the best "
        "estimate. Each swatch: over white above, over black below; the ends are bare.",
        2.7, _LEFT, 92, QUIET,
    )  # fmt: skip
    return page.sheet


def _x(ratio: float) -> float:
    return _FROM + (_TO - _FROM) * place_on_scale(ratio)


def _scale(page: Page, top: float) -> None:
    """The limits, and the four words over their quarters."""
    for k, (limit, word) in enumerate(reversed(GRADES)):
        middle = _FROM + (k + 0.5) * _QUARTER
        for n, part in enumerate(word.replace("-", "- ").split(" ")):
            page.put(part, 2.3, middle, top + 0.2 + 2.4 * n, anchor="ma")
        text = f"{limit:.2f}" if k else "0"
        page.put(text, 2.4, _FROM + k * _QUARTER, top + 5.4, QUIET, anchor="ma")
    page.put("1", 2.4, _TO, top + 5.4, QUIET, anchor="ma")


def _rung(page: Page, number: int, o: Opacity, top: float) -> None:
    _swatch(page, o, top + 1.0)
    middle = top + 5.0

    def tick(x: float, half: float, wide: float, fill=INK) -> None:
        page.stroke([(x, middle - half), (x, middle + half)], wide, fill)

    page.stroke([(_FROM, middle), (_TO, middle)], 0.25, FAINT)
    for k in range(5):
        tick(_FROM + k * _QUARTER, 2.2, 2 / page.unit, QUIET)
    ends = _x(o.ratio.low95), _x(1.0 if o.ratio.high95 is None else o.ratio.high95)
    page.stroke([(x, middle) for x in ends], 0.9)
    for x in ends:
        tick(x, 1.2, 0.35)
    x, size = _x(o.ratio.value), 1.9
    page.shape(
        [(x, middle - size), (x + size, middle), (x, middle + size), (x - size, middle)], 0.35
    )
    left, room = _FROM - 1.0, _RIGHT - _FROM + 1.0
    page.put(f"{number}  {grade(o)}", 3.7, left, top + 8.4, bold=0.09, room=room * 0.97)
    base = "base alone" if o.against_base else "the bare bar"
    for n, line in enumerate(
        (
            f"contrast ratio {interval(o.ratio, 2)}",
            f"black to white Delta E {interval(o.ground_de00, 1)}",
            f"L* over {base} {added(o, 0)}",
        )
    ):
        page.put(line, 2.9, left, top + 13.2 + 3.6 * n, room=room)


def _swatch(page: Page, o: Opacity, top: float) -> None:
    """The film across a white and a black ground, both bare at the ends."""
    right, half = 38.0, 11.0
    page.field((_LEFT, top, right, top + half), _WHITE_LAB)
    page.box((_LEFT, top + half, right, top + 2 * half), _BLACK)
    for n, lab in enumerate((o.lab_over_white, o.lab_over_black)):
        page.field((_LEFT + 5, top + n * half, right - 5, top + (n + 1) * half), lab)
    page.box((_LEFT, top, right, top + 2 * half), edge=QUIET)
