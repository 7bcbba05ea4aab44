"""Value as a picture: each strip beside its grey on the way from black to white, and white
against base.

Legible 400 pixels wide on a phone; the place on the scale, the numbers and the words say it all
without colour.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from PIL import Image

from calibration.colour.notation import Notation
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.value import Plan, strip_value
from drawdown.printing.lighten import Lightened
from drawdown.printing.value import grey_hex, l_of_value
from drawdown.reading.colour import StripReading
from drawdown.report.pictures.canvas import PHONE_PX, QUIET, Page
from drawdown.wording.opacity import interval
from drawdown.wording.value import grams_around, layer_text, names, parts_around, sentences

PAPER = (250, 250, 250)
_LEFT, _RIGHT = 4.0, 96.0
_ROW = 20.0
_BOLD = 0.09


def draw_value(
    seen: Judgement, plan: Plan | None, notations: Mapping[int, Notation]
) -> Image.Image:
    """The picture: values of all strips, or of the one that is to be lightened and how."""
    strips = [s for s in seen.strips if plan is None or s.number == plan.number]
    page = Page(PHONE_PX, 14.0 + _ROW * len(strips) + (0 if plan is None else 140.0) + 60.0, PAPER)
    heading = "How light each ink is" if plan is None else "White or base"
    page.put(heading, 5.0, _LEFT, 3.0, bold=_BOLD)
    page.put(Path(seen.path).name, 3.0, _LEFT, 9.2, QUIET, room=92)
    page.y = 15.2
    for strip in strips:
        _row(page, strip, notations.get(strip.number))
    if plan is not None:
        _plan(page, plan)
    else:
        page.line(
            "Value (ASTM D1535): 0 is black, 10 is white. Beside each ink the grey of its value; "
            "the thick line holds the true value with 95 % probability.", 2.8, _LEFT, 92, QUIET,
        )  # fmt: skip
        page.y += 0.8
    return page.cut()


def _grey(value_l: float) -> tuple[float, float, float]:
    return value_l, 0.0, 0.0


def _row(page: Page, strip: StripReading, notation: Notation | None) -> None:
    """Ink and grey edge to edge, number and value, and the place on the grey scale."""
    v, grey, top = strip_value(strip), float(strip.lab_d50[0]), page.y
    page.field((_LEFT, top, 19, top + 15), strip.lab_d50)
    page.field((19, top, 34, top + 15), _grey(grey))
    page.box((_LEFT, top, 34, top + 15), edge=QUIET)
    called = "" if notation is None else f"  {notation.text}"
    page.put(f"{strip.number}  value {v.value:.1f}{called}", 4.2, 37, top, bold=_BOLD, room=92)
    text = f"({v.low95:.1f} to {v.high95:.1f})  grey {grey_hex(grey)}"
    page.put(text, 2.9, 37, top + 5.0, room=58)
    left, right, rail = 37.5, 94.5, top + 11.4
    step = (right - left) / 10
    for k in range(10):
        field = (left + k * step, rail, left + (k + 1) * step, rail + 2.4)
        page.field(field, _grey(l_of_value(k + 0.5)))
    page.box((left, rail, right, rail + 2.4), edge=QUIET)
    for k in range(0, 11, 2):
        page.put(str(k), 2.2, left + k * step, rail + 2.8, QUIET, anchor="ma")
    low, at, high = (left + step * x for x in (v.low95, v.value, v.high95))
    page.stroke([(low, rail - 0.9), (high, rail - 0.9)], 0.6)
    page.shape([(at, rail), (at - 1.3, rail - 2.6), (at + 1.3, rail - 2.6)], 0.25)
    page.y += _ROW


def _plan(page: Page, plan: Plan) -> None:
    page.put(f"To value {plan.to:g}", 4.2, _LEFT, page.y, bold=_BOLD)
    page.y += 6.4
    ways = [plan.now, *plan.ways]
    wide = (_RIGHT - _LEFT) / len(ways)
    for k, (name, way) in enumerate(zip(names(plan), ways, strict=True)):
        _column(page, plan, name, way, _LEFT + k * wide, wide - 2)
    page.y += 66
    page.line(
        f"Upper swatch: on the paper, with the grey of value {plan.to:g} beside it. Lower swatch: "
        f"over the other layer, bare at its sides. {layer_text(plan)}", 2.8, _LEFT, 92, QUIET,
    )  # fmt: skip
    for text in sentences(plan):
        page.y += 0.8
        page.line(text, 3.1, _LEFT, 92)
    page.y += 0.8


def _column(page: Page, plan: Plan, name: str, way: Lightened, x: float, wide: float) -> None:
    """One way from ``page.y`` down: its swatches and its numbers."""
    page.put(name, 3.4, x, page.y, bold=_BOLD, room=wide)
    y = page.y + 5.2
    if way.parts is None:
        page.box((x, y, x + wide, y + 30), edge=QUIET)
        for n, text in enumerate(("cannot be", "reached")):
            page.put(text, 3.0, x + wide / 2, y + 11 + 4 * n, anchor="ma", room=wide)
        return
    page.field((x, y, x + wide * 0.7, y + 15), way.lab_d50)
    page.field((x + wide * 0.7, y, x + wide, y + 15), _grey(plan.target_l))
    page.field((x, y + 15, x + wide, y + 30), plan.layer_lab)
    page.field((x + wide * 0.12, y + 15, x + wide * 0.88, y + 30), way.lab_over_layer)
    page.box((x, y, x + wide, y + 30), edge=QUIET)
    if way is plan.now:
        first = ("value", interval(plan.value, 1))
    else:
        grams = "" if plan.grams is None else f"{grams_around(plan.grams[way.ink])}; "
        first = (f"{grams}parts to 100", parts_around(way.parts))
    rows = (
        first,
        ("contrast ratio", interval(way.ratio, 2)),
        ("L* on paper", f"{way.lab_d50[0]:.0f} ± {way.lab_u95[0]:.0f}"),
        ("L* over the layer", f"{way.lab_over_layer[0]:.0f} ± {way.lab_over_layer_u95[0]:.0f}"),
    )
    for n, (label, text) in enumerate(rows):
        page.put(label, 2.6, x, y + 31.5 + 7.0 * n, QUIET, room=wide)
        page.put(text, 2.9, x, y + 34.7 + 7.0 * n, room=wide)
