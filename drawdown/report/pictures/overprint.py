"""Layers over each other as pictures: any over any other (rows are what lies below, columns what
lies on it), and one crossing as read and as predicted."""

from __future__ import annotations

from collections.abc import Sequence

from PIL import Image

from drawdown.report.pictures.canvas import PAGE_PX, QUIET, WIDE_PAGE_PX, Page, on_top
from drawdown.wording import figures as words
from drawdown.wording.layers import (
    CrossingAnswer,
    LayersAnswer,
    covers,
    faults,
    fits,
    spread,
    title,
)


def draw_overprint(answer: LayersAnswer) -> Image.Image:
    """The grid with its heading and notes."""
    page = Page(PAGE_PX if len(answer.specs) <= 6 else WIDE_PAGE_PX, tallest=260)
    page.title("Any layer over any other")
    page.line(
        "Each row is what lies below (its colour frames the field), each column what is printed "
        "on it. The diagonal is the layer alone on the paper.",
        2.7,
        fill=QUIET,
    )
    page.y += 1.5
    draw_grid(page, answer, tuple(range(len(answer.specs))))
    return page.end([*answer.doubts, *answer.notes])


def draw_grid(page: Page, answer: LayersAnswer, places: Sequence[int]) -> None:
    """The fields, with L* a* b*, what is lost (x) and what shows through (hatched corner)."""
    plan = answer.plan
    n = len(places)
    numbers = {place: step for step, place in enumerate(places, start=1)}
    left = 16.0 if n <= 8 else 12.0
    cell = (97 - left) / n
    tall = min(cell, 15.0)
    page.put("on it:", 2.4, 3, page.y, QUIET)
    for step, place in enumerate(places):
        x = left + step * cell
        page.put(str(step + 1), 2.2, x, page.y, QUIET)
        page.put(answer.name(place), 2.7, x, page.y + 2.4, bold=0.04, room=cell - 0.6)
    page.y += 4.2
    page.put("below:", 2.4, 3, page.y - 1.6, QUIET)
    page.y += 1.4
    for lower in places:
        below = plan.traits[lower].colour.lab_d50
        label = f"{numbers[lower]} {answer.name(lower)}"
        size, middle = min(2.7, 0.45 * tall), page.y + tall / 2
        page.put(label, size, 3, middle, bold=0.04, anchor="lm", room=left - 4)
        for upper in places:
            x = left + (numbers[upper] - 1) * cell
            box = (x, page.y, x + cell - 0.5, page.y + tall - 0.5)
            page.field(box, below, QUIET)
            if lower == upper:
                _words(page, box, below, "on paper", plan.traits[lower].colour)
                continue
            pair = plan.pair(lower, upper)
            rim = min(0.09 * cell, 1.0)
            inner = (box[0] + rim, box[1] + rim, box[2] - rim, box[3] - rim)
            colour = pair.colour.lab_d50
            page.field(inner, colour)
            lost, shows = faults(pair)
            _words(page, inner, colour, lost.lower(), pair.colour)
            if lost == "LOST":
                size = 0.28 * min(cell, tall)
                at = inner[0] + 0.1 * cell, inner[3] - size - 0.1 * tall
                page.cross((*at, at[0] + size, at[1] + size), on_top(colour))
            if shows:
                page.hatch(inner, on_top(colour), 4 if shows == "shows" else 2)
        page.y += tall
    page.y += 1
    page.line(
        "x: lost. Hatched corner: shows through (two lines: perhaps). Numbers: L* a* b*, each "
        "with its uncertainty.",
        2.5,
        fill=QUIET,
    )
    page.y += 0.6


def _words(page: Page, box, lab_d50, word: str, colour) -> None:
    """L* a* b* and a word, in a field that has the room for them."""
    room, tall = (box[2] - box[0]) * 0.9, box[3] - box[1]
    cells = zip(colour.lab_d50, colour.lab_u95, strict=True)
    numbers = " ".join(f"{words.number(v, 0)}±{words.number(u, 0)}" for v, u in cells)
    x, y, fill = box[0] + 0.05 * room, box[1] + 0.05 * tall, on_top(lab_d50)
    largest = min(2.5, 0.22 * tall)
    page.put(numbers, largest, x, y, fill, room=room)
    if word:
        size = page.fitted(word, largest, room)
        page.put(word, size, x, y + 1.35 * size, fill)


def draw_crossing(answer: CrossingAnswer) -> Image.Image:
    """The picture, 1280 px wide."""
    page = Page(PAGE_PX, tallest=300)
    page.title("One strip across another")
    page.y += 1
    alone = list(answer.read.alone.items())
    for i, (name, colour) in enumerate(alone):
        x = 3 + 48 * i
        _swatch(page, (x, page.y, x + 46, page.y + 14), colour, f"{name} alone")
    page.y += 16
    for order in answer.orders:
        page.line(f"Crossing, {title(order)}", 4, bold=0.1)
        page.y += 0.5
        top = page.y
        _swatch(page, (3, top, 50, top + 18), answer.read.crossing, "read")
        _swatch(page, (50, top, 97, top + 18), order.predicted, "predicted")
        page.y = top + 19
        page.line(f"Delta E {spread(order)}: the reading {fits(order)}. {covers(order)}", 3.2)
        page.y += 1.5
    return page.end([*answer.doubts, *answer.notes])


def _swatch(page: Page, box, colour, text: str) -> None:
    """A field of a colour that has ``lab_d50`` and ``lab_u95``, with both in numbers."""
    page.field(box, colour.lab_d50)
    fill = on_top(colour.lab_d50)
    page.put(text, 3.2, box[0] + 1.2, box[1] + 0.8, fill, 0.05)
    cells = zip(colour.lab_d50, colour.lab_u95, strict=True)
    numbers = ", ".join(f"{words.number(v)} ± {words.number(u)}" for v, u in cells)
    room = box[2] - box[0] - 2.4
    page.put(f"L* a* b*  {numbers}", 2.5, box[0] + 1.2, box[1] + 5.4, fill, room=room)
