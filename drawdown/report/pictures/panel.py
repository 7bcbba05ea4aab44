"""The panel below the photo: verdict, both colours side by side, numbers, what to add."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageDraw

from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from drawdown.report.pictures.canvas import broken, fitting, font, plain
from drawdown.report.text.terminal import swatch_rgb
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import pigment_cautions
from drawdown.wording.figures import GLOVES, lab_parts, munsell, number
from drawdown.wording.film import film_headline
from drawdown.wording.flags import concerned, general_flags, strip_flags

if TYPE_CHECKING:
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import Colour

PAPER, INK, QUIET = (246, 246, 246), (20, 20, 20), (80, 80, 80)
_TALLEST = 400  # hundredths of the width: far more than any answer needs
_MOST_SWATCHES = 6
_IN_A_ROW = 4
Rgb = tuple[int, int, int]


class _Pen:
    """Where the next line goes, on a sheet that is cut to length at the end."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.unit = width / 100
        self.sheet = Image.new("RGB", (width, round(_TALLEST * self.unit)), PAPER)
        self.draw = ImageDraw.Draw(self.sheet)
        self.y = 0.0

    def skip(self, units: float) -> None:
        self.y += units * self.unit

    def line(
        self,
        text: str,
        size: float,
        fill: Rgb = INK,
        x: float = 4,
        room: float = 92,
        bold: float = 0,
    ) -> None:
        """Text at ``size`` units, broken to fit; no line for none."""
        pixels = size * self.unit
        for part in broken(self.draw, text, pixels, room * self.unit) if text else ():
            self.put(part, size, x, self.y, fill, bold)
            self.y += pixels * 1.3

    def put(
        self, text: str, size: float, x: float, y: float, fill: Rgb = INK, bold: float = 0
    ) -> None:
        """One line at x units and y pixels."""
        stroke = round(bold * self.unit)
        self.draw.text(
            (x * self.unit, y), plain(text), fill, font(size * self.unit),
            stroke_width=stroke, stroke_fill=fill,
        )  # fmt: skip

    def cut(self) -> Image.Image:
        """The sheet as far as it is written."""
        return self.sheet.crop((0, 0, self.width, min(self.sheet.height, round(self.y))))


def draw_panel(judgement: Judgement, width: int) -> Image.Image:
    """The panel at a width in pixels; as tall as it needs to be."""
    pen = _Pen(width)
    pairs = _swatches_of(judgement)
    remarks = general_flags(judgement)
    remarks += [flag for strip in judgement.strips for flag in strip_flags(strip)]
    if judgement.comparison is not None or not pairs or any(flag.hard for flag in remarks):
        _verdict(pen, wording.headline(judgement))
        if pairs:
            _swatches(pen, pairs)
    else:
        return _reading(pen, judgement)
    hard = [flag.text for flag in general_flags(judgement) if flag.hard]
    for name, strip in pairs:
        found = [flag for flag in strip_flags(strip) if flag.hard]
        hard += [f"{name.capitalize()}: {flag.text}" for flag in found]
    for text in hard:
        pen.skip(1.5)
        pen.line(text, 4.2)
    if pairs:
        _readings(pen, pairs)
    if judgement.comparison is not None and judgement.comparison.verdict is not None:
        _numbers(pen, judgement.comparison)
    if judgement.advice is not None and judgement.advice.additions:
        _add(pen, judgement.advice, advising.wait_for(judgement))
    _footer(pen, pairs, judged=not any(flag.hard for flag in remarks))
    return pen.cut()


def _reading(pen: _Pen, judgement: Judgement) -> Image.Image:
    """A panel without a verdict: every strip's colour, a few beside each other."""
    pairs = [(f"strip {strip.number}", strip) for strip in judgement.strips]
    rows = -(-len(pairs) // _IN_A_ROW)
    count = -(-len(pairs) // rows)
    for first in range(0, len(pairs), count):
        _swatches(pen, pairs[first : first + count])
        _readings(pen, pairs[first : first + count])
    _footer(pen, pairs, judged=True)
    return pen.cut()


def _verdict(pen: _Pen, head: wording.Headline) -> None:
    unit, height = pen.unit, 18
    pen.draw.rectangle((0, 0, pen.width, height * unit), fill=head.ground_rgb)
    _symbol(pen, head.symbol, (4, 4, 14, 14))
    text = " ".join(head.lines)
    bold = 0.22 * unit
    size = fitting(pen.draw, text, 11.5 * unit, 75 * unit, bold)
    pen.draw.text(
        (19.5 * unit, height / 2 * unit), text, "white", font(size), anchor="lm",
        stroke_width=round(bold), stroke_fill="white",
    )  # fmt: skip
    pen.y = height * unit


def _symbol(pen: _Pen, symbol: str, box: tuple[float, float, float, float]) -> None:
    """The verdict's sign, drawn, since the font lacks some; ``box`` in units."""
    left, top, right, bottom = (side * pen.unit for side in box)
    width, height = right - left, bottom - top
    thick = round(0.17 * width)

    def stroke(x0: float, y0: float, x1: float, y1: float) -> None:
        ends = [(left + x0 * width, top + y0 * height), (left + x1 * width, top + y1 * height)]
        pen.draw.line(ends, fill="white", width=thick)

    if symbol in "=≠":
        stroke(0, 0.32, 1, 0.32)
        stroke(0, 0.68, 1, 0.68)
    if symbol == "≠":
        stroke(0.72, 0, 0.28, 1)
    if symbol == "×":
        stroke(0.1, 0.1, 0.9, 0.9)
        stroke(0.9, 0.1, 0.1, 0.9)
    if symbol == "?":
        pen.draw.text(
            ((left + right) / 2, (top + bottom) / 2), "?", "white", font(1.25 * height),
            anchor="mm", stroke_width=round(0.03 * width), stroke_fill="white",
        )  # fmt: skip


def _swatches_of(judgement: Judgement) -> Sequence[tuple[str, Colour]]:
    """Original and batch; every strip when nothing was compared."""
    if judgement.comparison is None:
        return [(f"strip {strip.number}", strip) for strip in judgement.strips[:_MOST_SWATCHES]]
    return list(zip(("original", "batch"), concerned(judgement), strict=True))


def _swatches(pen: _Pen, pairs: Sequence[tuple[str, Colour]]) -> None:
    """The colours edge to edge: a difference shows best where nothing lies between."""
    edges = np.linspace(0, pen.width, len(pairs) + 1).round().astype(int)
    bottom = round(pen.y + 26 * pen.unit)
    for (_, strip), left, right in zip(pairs, edges[:-1], edges[1:], strict=True):
        box = (int(left), round(pen.y), int(right) - 1, bottom)
        pen.draw.rectangle(box, fill=swatch_rgb(strip.lab_d50))
    pen.y = bottom + 1


def _readings(pen: _Pen, pairs: Sequence[tuple[str, Colour]]) -> None:
    pen.skip(1.5)
    top = pen.y
    column = 100 / len(pairs)
    small = min(3.6, 3.6 * column / 33)
    for index, (name, strip) in enumerate(pairs):
        pen.y = top
        x = index * column + min(4, column / 10)
        pen.put(name, small * 1.45, x, pen.y, bold=0.1)
        pen.y += small * 1.9 * pen.unit
        for axis, reading in zip("Lab", lab_parts(strip), strict=True):
            pen.put(f"{axis}*", small, x, pen.y, QUIET)
            pen.put(reading, small, x + 1.8 * small, pen.y)
            pen.y += small * 1.3 * pen.unit
        text, room = (
            f"value {munsell(strip)}",
            (column - min(4, column / 10) - 1) * pen.unit,
        )
        size = fitting(pen.draw, text, small * pen.unit, room) / pen.unit
        pen.put(text, size, x, pen.y, QUIET)
        pen.y += small * 1.3 * pen.unit
    pen.skip(2)


def _numbers(pen: _Pen, c: Comparison) -> None:
    pen.draw.line((4 * pen.unit, pen.y, 96 * pen.unit, pen.y), fill=QUIET, width=2)
    pen.skip(1.5)
    pen.put(f"Delta E {number(c.de00, 2)}", 7, 4, pen.y, bold=0.14)
    pen.put(f"95 %: {wording.interval(c)}", 3.8, 52, pen.y + 0.2 * pen.unit)
    pen.put(f"tolerance {number(c.tolerance)}", 3.8, 52, pen.y + 4.8 * pen.unit)
    pen.skip(10.5)
    pen.line(f"Difference: {wording.differs(c)}.", 4.4)
    if c.film_first and c.film is not None:
        pen.line(film_headline(c.film), 4.6, bold=0.08)
    pen.line(wording.to_settle(c), 4.0)
    pen.skip(1.5)


def _add(pen: _Pen, advice: Advice, wait: str) -> None:
    top = pen.y
    pen.skip(2)
    if advice.portion < 1:
        pen.line(advising.take_out(advice), 4.0, x=7, room=89)
    pen.line(wait, 4.0, x=7, room=89, bold=0.08)
    pen.line(advising.first_step(advice), 4.6, x=7, room=89, bold=0.08)
    pen.skip(0.5)
    pen.line(advising.in_all(advice), 3.6, x=7, room=89)
    if advice.mix_inferred:
        pen.line(advising.guessed_mix(advice), 3.2, x=7, room=89)
    for caution in (GLOVES, *pigment_cautions(advice)):
        pen.line(caution, 3.2, x=7, room=89)
    pen.skip(1)
    pen.draw.rectangle((4 * pen.unit, top, 5.2 * pen.unit, pen.y), fill=INK)
    pen.skip(2)


def _footer(pen: _Pen, pairs: Sequence[tuple[str, Colour]], judged: bool) -> None:
    text = "± and the interval: 95 % probability. Thin line: the part that was measured."
    if pairs and not judged:
        text = f"{wording.NOT_TO_BE_USED} {text}"
    elif any(_beyond_screen(strip.lab_d50) for _, strip in pairs):
        text += " A colour is stronger than a screen can show; the numbers are right."
    pen.line(text, 2.9, QUIET)
    pen.skip(1.5)


def _beyond_screen(lab_d50: np.ndarray) -> bool:
    rgb = xyz_d50_to_srgb(lab_to_xyz(lab_d50), clip=False)
    return bool((rgb < -0.01).any() or (rgb > 1.01).any())
