"""A crossing as a picture: both strips alone, and reading and prediction edge to edge."""

from __future__ import annotations

from PIL import Image

from drawdown.report.pictures.canvas import Page, on_top
from drawdown.wording import figures as words
from drawdown.wording.layers import CrossingAnswer, covers, fits, spread, title

WIDTH_PX = 1280


def draw_crossing(answer: CrossingAnswer) -> Image.Image:
    """The picture, 1280 px wide."""
    page = Page(WIDTH_PX, tallest=300)
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
