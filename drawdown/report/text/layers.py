"""A layer plan, and any layer over any other, as terminal text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from drawdown.printing.layer_notation import LayerSpec
    from drawdown.printing.layer_order import Order, Pair, Plan
    from drawdown.printing.overprint import Layer, Predicted, Sheet

SURE, MAYBE = 0.95, 0.2
MEANING = (
    "Lost: printing the layer changes what is there by less than Delta E 3.5. Shows through: "
    "over the other layer it is more than Delta E 3.5 from its colour on paper; with "
    "transparent inks that may be what you want."
)
UNCERTAINTY = (
    "± and ranges: 95 % probability, from the uncertainty of the inks' strength and body, of "
    "the films, of how much ink a layer takes from the next, and of the formula."
)
STAND_INS = (
    "The inks are stand-ins, measured on acrylic paint: pull the overlaps that matter by hand "
    "before you cut the edition."
)
SCORE = (
    "Score: what is lost and what shows through, added up over all overlaps; 0 is best. "
    "As good: the chance that none of the orders listed is better by more than 0.01."
)


@dataclass(frozen=True, eq=False)
class Answer:
    """What ``drawdown layers`` and ``drawdown overprint`` have to say."""

    specs: list[LayerSpec]
    plan: Plan
    on: Sheet
    films: tuple[Layer, ...]
    wet: bool
    cautions: list[str]
    stand_ins: bool

    def name(self, place: int) -> str:
        return self.specs[place].name

    def mix(self, place: int) -> str:
        spec = self.specs[place]
        text = ", ".join(f"{ink} {parts:.3g}" for ink, parts in spec.mix.items())
        return text if spec.film == 1 else f"{text}; film {spec.film:g}"

    @property
    def notes(self) -> list[str]:
        found = [MEANING, UNCERTAINTY]
        if self.stand_ins:
            found.append(STAND_INS)
        if self.wet:
            found.append("Printed wet on wet: a layer is taken to leave a tenth less ink on ink.")
        return found


def chance(p: float) -> str:
    """A probability as a printmaker says it."""
    if p > 0.99:
        return "over 99 %"
    return "under 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def faults(pair: Pair) -> tuple[str, str]:
    """(lost, shows through) as short words: "LOST", "lost?", "shows", "shows?" or ""."""
    lost = "LOST" if pair.p_lost >= SURE else "lost?" if pair.p_lost >= MAYBE else ""
    shows = "shows" if pair.p_shows >= SURE else "shows?" if pair.p_shows >= MAYBE else ""
    return lost, shows


def lab(colour: Predicted) -> str:
    """L* a* b*, each with its 95 % half width."""
    cells = zip(colour.lab_d50, colour.lab_u95, strict=True)
    return " ".join(f"{words.number(v, 0)}±{words.number(u, 0)}".rjust(6) for v, u in cells)


def de(value: float, interval: tuple[float, float]) -> str:
    """A Delta E with its interval: "56 (43-64)"."""
    low, high = interval
    return f"{words.number(value, 0 if value >= 10 else 1)} ({low:.0f}-{high:.0f})"


def screen_text(answer: Answer, screen: Screen) -> str:
    """The answer of ``drawdown layers``."""
    plan = answer.plan
    head = "ORDER ASKED ABOUT" if plan.wanted else "PROPOSED ORDER, first printed first"
    lines = [paint(f" {head}", "1", screen.colour)]
    lines += wrap(how_found(plan), screen.columns, " ")
    lines += ["", *layer_rows(answer, plan.shown, screen)]
    if text := better(answer):
        lines += ["", *wrap(text, screen.columns, " ")]
    lines += ["", *pair_lines(answer, plan.pairs_of(plan.shown), screen)]
    lines += ["", *_orders(answer, screen), ""]
    lines += notes(answer, screen)
    return "\n".join(lines)


def overprint_text(answer: Answer, screen: Screen) -> str:
    """The answer of ``drawdown overprint`` without a photo."""
    plan = answer.plan
    lines = [paint(" LAYERS", "1", screen.colour), *layer_rows(answer, plan.shown, screen), ""]
    lines += [*pair_lines(answer, list(plan.pairs), screen), ""]
    lines += notes(answer, screen)
    return "\n".join(lines)


def notes(answer: Answer, screen: Screen) -> list[str]:
    """What the words mean, and the cautions."""
    lines = []
    for note in answer.notes:
        lines += wrap(note, screen.columns, " ")
    caution = " ".join([*answer.cautions, *CAUTIONS])
    return [*lines, "", *wrap(f"Caution: {caution}", screen.columns, " ")]


def how_found(plan: Plan) -> str:
    """How the order came about, and how it stands to common practice."""
    order = plan.shown
    if plan.exact:
        text = f"All {plan.orders_scored} orders were worked out with all their overlaps."
    else:
        text = (
            "Too many layers to try every order: only pairs were looked at, beginning with "
            "light to dark and moving one layer at a time. There may be a better order."
        )
    text += f" Score {order.score:.2f}"
    if order.places == plan.practice.places:
        return f"{text}. It is also the order of common practice, light to dark."
    text += f" (light to dark: {plan.practice.score:.2f})."
    if order.breaks:
        text += (
            " It goes against common practice (light to dark, transparent before opaque) "
            f"{_times(order.breaks)}; plain light to dark does {_times(plan.practice.breaks)}."
        )
    return text


def _times(count: int) -> str:
    return {0: "nowhere", 1: "once", 2: "twice"}.get(count, f"{count} times")


def names(answer: Answer, order: Order) -> str:
    return ", ".join(answer.name(place) for place in order.places)


def layer_rows(answer: Answer, order: Order, screen: Screen) -> list[str]:
    wide = max(len(answer.name(place)) for place in order.places)
    lines = []
    for step, place in enumerate(order.places, start=1):
        traits = answer.plan.traits[place]
        lightness = words.number(traits.lightness)
        spread = words.number(traits.colour.lab_u95[0])
        kind = f"{traits.kind}, L* {lightness} ± {spread}"
        row = f" {step:>2}  {answer.name(place):<{wide}}  {kind}"
        if len(row) > screen.columns:
            lines += wrap(f"{answer.name(place)}: {kind}", screen.columns, f" {step:>2}  ", " " * 5)
        else:
            lines.append(row)
        lines += wrap(answer.mix(place), screen.columns, " " * 5)
    return lines


def pair_lines(answer: Answer, pairs: list[Pair], screen: Screen) -> list[str]:
    """The pairs as a table; of very many, only those where something is lost."""
    told = pairs
    if len(pairs) > 45:
        told = [p for p in pairs if p.p_lost >= MAYBE]
    wide = max(len(answer.name(p.upper)) + len(answer.name(p.lower)) for p in pairs) + 6
    table = screen.columns >= wide + 58
    lines = []
    if table:
        lines.append(
            paint(
                f" {'over':<{wide}}   L*     a*     b*      changes  off its own",
                "1",
                screen.colour,
            )
        )
    for p in told:
        name = f"{answer.name(p.upper)} over {answer.name(p.lower)}"
        change, shows = de(p.de_change, p.de_change_95), de(p.de_shows, p.de_shows_95)
        mark = " ".join(word for word in faults(p) if word)
        if table:
            row = f" {name:<{wide}} {lab(p.colour)}  {change:>11}  {shows:>11}  {mark}"
            lines.append(row.rstrip())
        else:
            text = f"{name}: L* a* b* {' '.join(lab(p.colour).split())}; changes what is "
            text += f"there by Delta E {change}, off its own colour by {shows}. {mark}"
            lines += wrap(text, screen.columns, " ", "   ")
    if len(told) < len(pairs):
        text = f"{len(pairs)} pairs; only the {len(told)} where a layer may be lost are listed."
        lines += wrap(text, screen.columns, " ")
    return lines


def tagged(plan: Plan) -> tuple[tuple[str, Order | None], ...]:
    """The orders that have a name of their own."""
    return (
        ("asked about", plan.wanted),
        ("proposed", plan.proposal),
        ("light to dark", plan.practice),
        ("worst", plan.worst),
    )


def better(answer: Answer) -> str:
    """What we would print instead of the order asked about; empty where that is the same."""
    plan = answer.plan
    if plan.wanted is None or plan.wanted.places == plan.proposal.places:
        return ""
    return f"We would print {names(answer, plan.proposal)} (score {plan.proposal.score:.2f})."


def _orders(answer: Answer, screen: Screen) -> list[str]:
    plan = answer.plan
    lines = [paint(" ORDERS COMPARED", "1", screen.colour)]
    listed = list(plan.orders)
    if plan.worst is not None and plan.worst.places not in {o.places for o in listed}:
        listed.append(plan.worst)
    for order in listed:
        good = "" if order.p_good is None else f", as good {chance(order.p_good)}"
        tags = [tag for tag, one in tagged(plan) if one is not None and one.places == order.places]
        tag = f" [{', '.join(tags)}]" if tags else ""
        text = f"{order.score:.2f}  {names(answer, order)}{tag}{good}"
        lines += wrap(text, screen.columns, "  ", " " * 8)
    return [*lines, *wrap(SCORE, screen.columns, " ")]
