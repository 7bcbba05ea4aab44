"""How much ink an edition needs, as terminal text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.printing.quantity import rounded_up
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording import figures as words
from drawdown.wording.quantity import amount, span, verdict, whole

if TYPE_CHECKING:
    from drawdown.printing.quantity import Left
    from drawdown.wording.quantity import QuantityAnswer


def quantity_screen(answer: QuantityAnswer, screen: Screen) -> str:
    """The answer of ``drawdown plan amount``."""
    need, lines = answer.need, Lines(screen)
    mix_g = amount(need.mix_g)
    lines.add(f" MIX {mix_g} g for {words.count(need.prints, 'print')}", "1")
    lines.say(
        f"Probably {amount(need.ink.middle)} g will do ({amount(need.ink.low)} to {mix_g}); "
        f"{span(need.on_paper, 'g')} of it on the paper."
    )
    if answer.left is not None:
        _left(lines, answer.left)
    if answer.mix:
        lines.add()
        lines.add(f" FOR {mix_g} g", "1")
        wide = max(map(len, answer.mix))
        for name, g in answer.weights_g.items():
            text = f"{g:.3g}" if answer.scale_step_g is None else f"{g:g}"
            row = f"   {name:<{wide}}  {text:>5} g   {answer.mix[name]:.3g} parts per 100"
            lines.row(row, row)
    lines.add()
    if screen.full:
        _rests_on(lines, answer)
    lines.notes(answer.doubts, answer.notes, answer.pigment_cautions)
    return str(lines)


def _rests_on(lines: Lines, answer: QuantityAnswer) -> None:
    need = answer.need
    lines.add(" WHAT IT RESTS ON", "1")
    rows = [("printed area", span(need.area_cm2, "cm2"))]
    if answer.area is not None:
        share = answer.area.share
        low, middle, high = (words.number(100 * v) for v in (share.low, share.middle, share.high))
        rows.append(("", f"{middle} % of the picture ({low} to {high})"))
    rows += [
        ("film", span(need.film_g_m2, "g/m2")),
        ("waste", span(need.waste_percent, "%")),
        ("stays on slab", span(need.stays_g, "g")),
    ]
    for label, text in rows:
        lines.add(f"   {label:<15}{text}")
    lines.add()


def _left(lines: Lines, left: Left) -> None:
    """Whether what is left is enough, and for how long it does."""
    lines.add()
    lines.say(verdict(left), style="1")
    text = f"It lasts for {whole(left.prints)} prints."
    if left.word != "enough":
        more = amount(rounded_up(left.short_g.high))
        text += f" Mix {more} g more to be sure, before it runs out: two batches never quite match."
    lines.say(text)
