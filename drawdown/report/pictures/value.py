"""Value as a picture: each strip beside its grey on the way from black to white, and white
against base.

Sizes are in hundredths of the picture's width, legible 400 pixels wide on a phone; the place
on the scale, the numbers and the words say it all without colour.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image

from calibration.files import write_atomically
from drawdown.pipeline.value import strip_value
from drawdown.printing.value import l_of_value
from drawdown.report.pictures.canvas import INK, QUIET, Page
from drawdown.report.text.match import swatch_rgb
from drawdown.wording.value import grams_around, layer_text, names, parts_around, sentences

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.value import Plan
    from drawdown.printing.lighten import Lightened

WIDTH_PX = 1200
PAPER = (250, 250, 250)
_LEFT, _RIGHT = 4.0, 96.0
_ROW = 20.0
_TALLEST = 60.0


def save_values(seen: Judgement, plan: Plan | None, title: str, path: Path) -> None:
    """Write the picture as PNG, whole or not at all. Raises ``BadFile``."""
    from drawdown.report.pictures.answer import png_bytes

    write_atomically(path, png_bytes(draw_values(seen, plan, title)))


def draw_values(seen: Judgement, plan: Plan | None, title: str) -> Image.Image:
    """The picture: values of all strips, or of the one that is to be lightened and how."""
    strips = [s for s in seen.strips if plan is None or s.strip.number == plan.number]
    pen = _Pen(14.0 + _ROW * len(strips) + (0 if plan is None else 140.0) + _TALLEST)
    pen.text("How light each ink is" if plan is None else "White or base", 5.0, _LEFT, bold=True)
    pen.y += 6.2
    pen.text(title, 3.0, _LEFT, fill=QUIET)
    pen.y += 6.0
    for strip in strips:
        _row(pen, strip)
    if plan is not None:
        _plan(pen, plan)
    else:
        pen.lines(
            "Value is Munsell's: 0 is black, 10 is white. Beside each ink the grey of its value; "
            "the thick line holds the true value with 95 % probability.", 2.8, QUIET,
        )  # fmt: skip
    return pen.cut()


class _Pen(Page):
    def __init__(self, height: float) -> None:
        super().__init__(WIDTH_PX, height, PAPER)
        self.y = 3.0

    def text(self, text: str, size: float, x: float, y: float | None = None, fill=INK,
             bold=False, anchor="la", room: float = 92.0) -> None:  # fmt: skip
        """One line, smaller where it does not fit."""
        size = self.fitted(text, size, room)
        self.put(text, size, x, self.y if y is None else y, fill, 0.09 * bold, anchor)

    def lines(self, text: str, size: float, fill=INK) -> None:
        self.line(text, size, _LEFT, 92, fill)
        self.y += 0.8

    def box(self, x0, y0, x1, y1, fill=None, outline=None) -> None:
        self.draw.rectangle(self.px(x0, y0, x1, y1), fill=fill, outline=outline, width=2)

    def cut(self) -> Image.Image:
        self.y += 2
        return super().cut()


def _row(pen: _Pen, strip) -> None:
    """Ink and grey edge to edge, number and value, and the place on the grey scale."""
    v, top = strip_value(strip), pen.y
    pen.box(_LEFT, top, 19, top + 15, swatch_rgb(strip.lab_d50))
    pen.box(19, top, 34, top + 15, swatch_rgb((v.grey_l, 0.0, 0.0)))
    pen.box(_LEFT, top, 34, top + 15, outline=QUIET)
    text = f"{strip.strip.number}  value {v.value:.1f}"
    pen.text(text, 4.2, 37, top, bold=True)
    pen.text(f"({v.low95:.1f} to {v.high95:.1f})  grey {v.grey_hex}", 2.9, 37, top + 5.0, room=58)
    left, right, rail = 37.5, 94.5, top + 11.4
    step = (right - left) / 10
    for k in range(10):
        grey = swatch_rgb((l_of_value(k + 0.5), 0.0, 0.0))
        pen.box(left + k * step, rail, left + (k + 1) * step, rail + 2.4, grey)
    pen.box(left, rail, right, rail + 2.4, outline=QUIET)
    for k in range(0, 11, 2):
        pen.text(str(k), 2.2, left + k * step, rail + 2.8, QUIET, anchor="ma")
    unit = pen.unit
    low, at, high = (left + step * x for x in (v.low95, v.value, v.high95))
    bar = [(low * unit, (rail - 0.9) * unit), (high * unit, (rail - 0.9) * unit)]
    pen.draw.line(bar, INK, round(0.6 * unit))
    tip = [(at, rail), (at - 1.3, rail - 2.6), (at + 1.3, rail - 2.6)]
    pen.draw.polygon([(x * unit, y * unit) for x, y in tip], "white", INK, round(0.25 * unit))
    pen.y += _ROW


def _plan(pen: _Pen, plan: Plan) -> None:
    pen.text(f"To value {plan.to:g}", 4.2, _LEFT, bold=True)
    pen.y += 6.4
    ways = [plan.now, *plan.ways]
    wide = (_RIGHT - _LEFT) / len(ways)
    top = pen.y
    for k, (name, way) in enumerate(zip(names(plan), ways, strict=True)):
        _column(pen, plan, name, way, _LEFT + k * wide, wide - 2, top)
    pen.y = top + 66
    pen.lines(
        f"Upper swatch: on the paper, with the grey of value {plan.to:g} beside it. Lower swatch: "
        f"over the other layer, bare at its sides. {layer_text(plan)}", 2.8, QUIET,
    )  # fmt: skip
    for text in sentences(plan):
        pen.lines(text, 3.1)


def _column(pen: _Pen, plan: Plan, name: str, way: Lightened, x: float, wide: float, top: float):
    pen.text(name, 3.4, x, top, bold=True, room=wide)
    y = top + 5.2
    if way.parts is None:
        pen.box(x, y, x + wide, y + 30, outline=QUIET)
        pen.text("cannot be", 3.0, x + wide / 2, y + 11, anchor="ma", room=wide)
        pen.text("reached", 3.0, x + wide / 2, y + 15, anchor="ma", room=wide)
        return
    grey = swatch_rgb((plan.target_l, 0.0, 0.0))
    pen.box(x, y, x + wide * 0.7, y + 15, swatch_rgb(way.lab_d50))
    pen.box(x + wide * 0.7, y, x + wide, y + 15, grey)
    pen.box(x, y + 15, x + wide, y + 30, swatch_rgb(plan.layer_lab))
    pen.box(x + wide * 0.12, y + 15, x + wide * 0.88, y + 30, swatch_rgb(way.lab_over_layer))
    pen.box(x, y, x + wide, y + 30, outline=QUIET)
    lines = []
    if way is not plan.now:
        lines += ["parts to 100", parts_around(way.parts)]
        if plan.grams is not None:
            lines[0] = f"{grams_around(plan.grams[way.ink])}; parts to 100"
    else:
        lines += ["value", f"{plan.value.value:.1f} ({plan.value.low95:.1f} to "
                  f"{plan.value.high95:.1f})"]  # fmt: skip
    lines += ["contrast ratio", f"{way.ratio.value:.2f} ({way.ratio.low95:.2f} to "
              f"{way.ratio.high95:.2f})"]  # fmt: skip
    lines += ["L* on paper", f"{way.lab_d50[0]:.0f} ± {way.lab_u95[0]:.0f}"]
    lines += ["L* over the layer", f"{way.lab_over_layer[0]:.0f} ± {way.lab_over_layer_u95[0]:.0f}"]
    for n, line in enumerate(lines):
        label = n % 2 == 0
        at = y + 31.5 + 7.0 * (n // 2) + (0 if label else 3.2)
        pen.text(line, 2.6 if label else 2.9, x, at, QUIET if label else INK, room=wide)
