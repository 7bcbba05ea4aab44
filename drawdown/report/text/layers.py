"""A layer plan, any layer over any other, and a crossing in a photo, as terminal text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording import figures as words
from drawdown.wording import layers as told

if TYPE_CHECKING:
    from drawdown.printing.layer_order import Order, Pair
    from drawdown.printing.overprint import Predicted
    from drawdown.reading.colour import StripReading
    from drawdown.wording.layers import CrossingAnswer, LayersAnswer

_TABLE = 64  # columns that the table of a crossing needs
_MOST_PAIRS = 45  # more are listed only where something is lost
_SCORE = (
    "Score: what is lost and what shows through, added up over all overlaps; 0 is best. "
    "As good: the chance that none of the orders listed is better by more than 0.01."
)


def layers_screen(answer: LayersAnswer, screen: Screen) -> str:
    """The answer of ``drawdown plan layers``."""
    plan, lines = answer.plan, Lines(screen)
    head = "ORDER ASKED ABOUT" if plan.wanted else "PROPOSED ORDER, first printed first"
    lines.add(f" {head}", "1")
    lines.say(told.how_found(answer))
    lines.add()
    _layers(lines, answer, plan.shown)
    if text := told.better(answer):
        lines.add()
        lines.say(text)
    lines.add()
    _pairs(lines, answer, plan.pairs_of(plan.shown))
    if lines.screen.full:
        lines.add()
        _orders(lines, answer)
    lines.add()
    lines.notes(answer.doubts, answer.notes, answer.pigment_cautions)
    return str(lines)


def overprint_screen(answer: LayersAnswer, screen: Screen) -> str:
    """The answer of ``drawdown plan layers --pairs``."""
    lines = Lines(screen)
    lines.add(" LAYERS", "1")
    _layers(lines, answer, answer.plan.shown)
    lines.add()
    _pairs(lines, answer, list(answer.plan.pairs))
    lines.add()
    lines.notes(answer.doubts, answer.notes, answer.pigment_cautions)
    return str(lines)


def _layers(lines: Lines, answer: LayersAnswer, order: Order) -> None:
    """Each layer with its kind, lightness and mix, in the order of printing."""
    wide = max(len(answer.name(place)) for place in order.places)
    for step, place in enumerate(order.places, start=1):
        name, kind = answer.name(place), told.kind(answer.plan.traits[place])
        lines.row(
            f" {step:>2}  {name:<{wide}}  {kind}", f"{name}: {kind}", f" {step:>2}  ", "     "
        )
        lines.say(answer.mix(place), "     ")


def _pairs(lines: Lines, answer: LayersAnswer, pairs: list[Pair]) -> None:
    """The pairs as a table; of very many, only those where something is lost."""
    listed = pairs if len(pairs) <= _MOST_PAIRS else [p for p in pairs if p.p_lost >= told.MAYBE]
    wide = max(len(answer.name(p.upper)) + len(answer.name(p.lower)) for p in pairs) + 6
    table = lines.columns >= wide + 58
    if table:
        lines.add(f" {'over':<{wide}}   L*     a*     b*      changes  off its own", "1")
    for p in listed:
        name = f"{answer.name(p.upper)} over {answer.name(p.lower)}"
        cells = [
            f"{words.number(v, 0)}±{words.number(u, 0)}"
            for v, u in zip(p.colour.lab_d50, p.colour.lab_u95, strict=True)
        ]
        change, shows = _distance(p.de_change, p.de_change_95), _distance(p.de_shows, p.de_shows_95)
        mark = " ".join(word for word in told.faults(p) if word)
        if table:
            lab = " ".join(cell.rjust(6) for cell in cells)
            lines.add(f" {name:<{wide}} {lab}  {change:>11}  {shows:>11}  {mark}".rstrip())
        else:
            text = f"{name}: L* a* b* {' '.join(cells)}; changes what is there by Delta E {change}"
            lines.say(f"{text}, off its own colour by {shows}. {mark}", later="   ")
    if len(listed) < len(pairs):
        lines.say(
            f"{len(pairs)} pairs; only the {len(listed)} where a layer may be lost are listed."
        )


def _distance(value: float, interval: tuple[float, float]) -> str:
    """A Delta E with its interval: "56 (43-64)"."""
    low, high = interval
    return f"{words.number(value, 0 if value >= 10 else 1)} ({low:.0f}-{high:.0f})"


def _orders(lines: Lines, answer: LayersAnswer) -> None:
    plan = answer.plan
    lines.add(" ORDERS COMPARED", "1")
    listed = list(plan.orders)
    if plan.worst is not None and plan.worst.places not in {o.places for o in listed}:
        listed.append(plan.worst)
    for order in listed:
        good = "" if order.p_good is None else f", as good {words.percent(order.p_good)}"
        tags = told.tags(plan, order)
        tag = f" [{tags}]" if tags else ""
        text = f"{order.score:.2f}  {told.names(answer, order)}{tag}{good}"
        lines.say(text, "  ", " " * 8)
    lines.say(_SCORE)


def crossing_screen(answer: CrossingAnswer, screen: Screen) -> str:
    """The answer of ``drawdown plan layers PHOTO``."""
    lines = Lines(screen)
    lines.add(f" CROSSING READ in {answer.seen.photo.path}", "1")
    if screen.columns >= _TABLE:
        lines.add("                     L*              a*              b*")
    for name, colour in answer.read.alone.items():
        _reading(lines, f"{name} alone", colour)
    _reading(lines, "crossing", answer.read.crossing)
    for order in answer.orders:
        lines.add()
        lines.say(f"PREDICTED, {told.title(order)}", style="1")
        _reading(lines, "crossing", order.predicted)
        lines.say(
            f"Reading and prediction are Delta E {told.spread(order)} apart: the reading "
            f"{told.fits(order)}. {told.covers(order)}",
            "   ",
        )
    lines.add()
    lines.notes(answer.doubts, answer.notes, answer.pigment_cautions)
    return str(lines)


def _reading(lines: Lines, name: str, colour: StripReading | Predicted) -> None:
    """A row of the table, or on a narrow screen a line for each number."""
    both = list(zip("Lab", colour.lab_d50, colour.lab_u95, strict=True))
    if lines.columns < _TABLE:
        lines.add(f"   {name}")
        for axis, v, u in both:
            lines.add(f"     {axis}* {words.number(v):>6} ± {words.number(u)}")
        return
    cells = (f"{words.number(v):>6} ± {words.number(u):<5}" for _, v, u in both)
    lines.add(f"   {name:<16} {' '.join(cells)}".rstrip())
