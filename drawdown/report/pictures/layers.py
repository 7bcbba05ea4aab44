"""The layer plan as a picture: the order in words, and every overlap once.

The chart is made like a test print: some layers run as bars from top to bottom, the others
from left to right, each where its black margin bar says, so that every overlap of them
appears in exactly one field. Fields say by number which layers lie there. Lost layers are
crossed out, what shows through is hatched: colour is never the only sign.
"""

from __future__ import annotations

import itertools

from PIL import Image

from calibration.colour.difference import delta_e_2000
from drawdown.printing.layer_order import LOST_DE, MOST_EXACT, SHOWS_DE, Order, overlaps
from drawdown.report.pictures.canvas import INK, PAGE_PX, QUIET, WIDE_PAGE_PX, Box, Page, on_top
from drawdown.report.pictures.overprint import draw_grid
from drawdown.wording.layers import LayersAnswer, better, how_found, kind, tags

_OTHERS = 5


def draw_layers(answer: LayersAnswer) -> Image.Image:
    """The picture; 1280 px wide, 2400 where there are many fields."""
    plan = answer.plan
    many = len(answer.specs) > 5
    page = Page(WIDE_PAGE_PX if many else PAGE_PX, tallest=340)
    title = "Order asked about" if plan.wanted else "Print in this order"
    page.title(title)
    page.y += 1
    _legend(page, answer, plan.shown)
    page.line(how_found(answer), 2.6, fill=QUIET)
    if text := better(answer):
        page.line(text, 2.6, bold=0.05)
    page.y += 2
    if len(answer.specs) > MOST_EXACT:
        page.line("Each layer over each other (too many layers to show every overlap):", 3)
        draw_grid(page, answer, plan.shown.places)
    else:
        page.line("Every overlap", 4, bold=0.1)
        page.line(
            "Black bars at the edges show where each layer is printed. Numbers in a field: the "
            "layers there, in order. x: its top layer is lost. Hatched: what lies below shows.",
            2.5,
            fill=QUIET,
        )
        page.y += 1
        _chart(page, answer, plan.shown, plan.shown, 3, 94, labels=True)
        _others(page, answer)
    page.y += 1
    return page.end([*answer.doubts, *answer.notes], 2.4)


def _legend(page: Page, answer: LayersAnswer, order: Order) -> None:
    """One row for each layer, in the order of printing."""
    size = 3.4 if len(order.places) <= 8 else 2.6
    height = size * 2.5
    for step, place in enumerate(order.places, start=1):
        traits = answer.plan.traits[place]
        colour = traits.colour.lab_d50
        page.field((3, page.y, 13, page.y + height - 0.6), colour, QUIET)
        page.put(str(step), size * 1.3, 8, page.y + height / 2 - 0.3, on_top(colour), 0.08, "mm")
        name = answer.name(place)
        page.put(name, size * 1.15, 15, page.y, bold=0.06, room=40)
        page.put(kind(traits), size * 0.8, 60, page.y + 0.3, QUIET)
        mix = answer.mix(place)
        page.put(mix, size * 0.75, 15, page.y + size * 1.3, QUIET, room=82)
        page.y += height
    page.y += 1


def _sides(count: int) -> list[tuple[int, ...]]:
    """All subsets of ``count`` things so that neighbours differ by one: bars stay whole
    for as long as they can (the reflected binary code, F. Gray 1953)."""
    codes = [i ^ (i >> 1) for i in range(2**count)]
    return [tuple(b for b in range(count) if code >> b & 1) for code in codes]


def _chart(
    page: Page, answer: LayersAnswer, order: Order, axes: Order, x: float, wide: float, labels: bool
) -> None:
    """Every overlap of ``order`` as fields, ``wide`` units from x; ``axes`` says which layers run
    which way and gives them their numbers, so that charts can be compared."""
    numbers = {place: step for step, place in enumerate(axes.places, start=1)}
    across = axes.places[: -(-len(axes.places) // 2)]
    down = axes.places[len(across) :]
    columns, rows = _sides(len(across)), _sides(len(down))
    bar, gap = min(2.2, wide * 0.028), 0.6 if labels else 0.3
    step = bar * 1.25
    left, top = x + step * len(down) + gap, page.y + step * len(across) + gap
    cell = (wide + x - left) / len(columns)
    tall = min(cell if len(rows) == len(columns) or not labels else cell * 0.75, 16.0)
    for b, place in enumerate(across):
        for c in _printed(b, columns):
            x0, y0 = left + c * cell, page.y + b * step
            page.box((x0, y0, x0 + cell, y0 + bar), INK)
            if labels and (c == 0 or b not in columns[c - 1]):
                text = str(numbers[place])
                page.put(text, bar * 0.95, x0 + 0.4, y0 + bar / 2, "white", 0.04, "lm")
    for b, place in enumerate(down):
        for r in _printed(b, rows):
            x0, y0 = x + b * step, top + r * tall
            page.box((x0, y0, x0 + bar, y0 + tall), INK)
            if labels and (r == 0 or b not in rows[r - 1]):
                text = str(numbers[place])
                page.put(text, bar * 0.95, x0 + bar / 2, y0 + 0.4, "white", 0.04, "ma")
    found = overlaps(answer.films, answer.on, order.places)
    for (r, row), (c, column) in itertools.product(enumerate(rows), enumerate(columns)):
        there = {across[b] for b in column} | {down[b] for b in row}
        stack = tuple(place for place in order.places if place in there)
        box = (left + c * cell, top + r * tall, left + (c + 1) * cell, top + (r + 1) * tall)
        # More than five layers leave no room for signs between the numbers.
        between = "+" if len(order.places) <= 5 else ""
        text = between.join(str(numbers[place]) for place in stack) or "paper"
        _field(page, box, found, stack, text if labels else "")
    page.y = top + tall * len(rows) + 1


def _printed(b: int, sides: list[tuple[int, ...]]) -> list[int]:
    """Where bar ``b`` prints."""
    return [k for k, which in enumerate(sides) if b in which]


def _field(page: Page, box: Box, found: dict, stack: tuple[int, ...], text: str) -> None:
    """One overlap, with what is lost or shows through in it."""
    colour = found[stack]
    wide, tall = box[2] - box[0], box[3] - box[1]
    page.field(box, colour, QUIET)
    if text:
        at = box[0] + 0.07 * wide, box[1] + 0.08 * tall
        page.put(text, min(3.0, tall * 0.22), *at, on_top(colour), room=wide * 0.86)
    if len(stack) < 2:
        return
    if delta_e_2000(colour, found[stack[:-1]]) < LOST_DE:
        x, y, side = box[0] + 0.36 * wide, box[1] + 0.42 * tall, 0.3 * min(wide, tall)
        page.cross((x, y, x + side, y + side), on_top(colour))
    if delta_e_2000(colour, found[stack[-1:]]) > SHOWS_DE:
        page.hatch(box, on_top(colour))


def _others(page: Page, answer: LayersAnswer) -> None:
    """The other orders small, with the same fields at the same places."""
    plan = answer.plan
    orders = [o for o in (*plan.orders, plan.worst) if o and o.places != plan.shown.places]
    others = list({o.places: o for o in orders}.values())
    if len(others) > _OTHERS:
        # The next best, then light to dark and the worst, which shows what is at stake.
        last = [o for o in others if o.places in (plan.practice.places, others[-1].places)]
        others = [*[o for o in others if o not in last][: _OTHERS - len(last)], *last]
    if not others:
        return
    page.y += 1.5
    page.line("Other orders", 4, bold=0.1)
    shown = len(others) + 1
    some = f"{shown} of {plan.orders_scored} are shown, the worst last. "
    page.line(
        (some if plan.orders_scored > shown else "") + "The same fields at the same places; "
        "numbers as in the list at the top. Score 0 is best.", 2.5, fill=QUIET,
    )  # fmt: skip
    page.y += 1
    per_row, gap = (2, 4.0) if len(answer.specs) <= 5 else (3, 2.5)
    wide = (94 - gap * (per_row - 1)) / per_row
    numbers = {place: step for step, place in enumerate(plan.shown.places, start=1)}
    top = lowest = page.y
    for i, order in enumerate(others):
        if i and i % per_row == 0:
            top = lowest + 1.5
        x = 3 + (i % per_row) * (wide + gap)
        page.y = top
        tag = tags(plan, order)
        text = " ".join(str(numbers[place]) for place in order.places)
        text = f"{text}  score {order.score:.2f}" + (f" ({tag})" if tag else "")
        page.line(text, page.fitted(text, 2.6, wide), x=x, room=wide + 5)
        page.y += 0.4
        _chart(page, answer, order, plan.shown, x, wide, labels=False)
        lowest = max(lowest, page.y)
    page.y = lowest
