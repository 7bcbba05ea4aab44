"""Layers, any layer over any other, and a crossing in a photo: what is to be said of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from calibration.flags import Flag
    from drawdown.pipeline.crossing import Order as Predicted
    from drawdown.pipeline.read import Judgement
    from drawdown.printing.layer_notation import LayerSpec
    from drawdown.printing.layer_order import Order, Pair, Plan, Traits
    from drawdown.printing.overprint import Layer, Sheet
    from drawdown.reading.crossing import Readings

SURE, MAYBE = 0.95, 0.2
WIDE_DE = 12.0  # a prediction this uncertain says little
MOST_GAINS = 3
_PRACTICE = "light before dark, black last, transparent before opaque"
_MEANING = (
    "Lost: printing the layer changes what is there by less than Delta E 3.5. Shows through: "
    "over the other layer it is more than Delta E 3.5 from its colour on paper; with "
    "transparent inks that may be what you want."
)
_UNCERTAINTY = (
    "± and ranges: 95 % probability, from the uncertainty of the inks' strength and body, of "
    "the films, of how much ink a layer takes from the next, and of the formula."
)
_STAND_INS = (
    "The inks are generic paint data, not yours: pull the overlaps that matter by hand before you "
    "cut the edition."
)


@dataclass(frozen=True, eq=False)
class LayersAnswer:
    """What ``drawdown plan layers`` has to say."""

    specs: list[LayerSpec]
    plan: Plan
    on: Sheet
    films: tuple[Layer, ...]
    wet: bool
    pigment_cautions: tuple[str, ...]
    stand_ins: bool

    def name(self, place: int) -> str:
        return self.specs[place].name

    def mix(self, place: int) -> str:
        spec = self.specs[place]
        text = ", ".join(f"{ink} {parts:.3g}" for ink, parts in spec.mix.items())
        return text if spec.film == 1 else f"{text}; film {spec.film:g}"

    @property
    def doubts(self) -> list[str]:
        return [_STAND_INS] if self.stand_ins else []

    @property
    def notes(self) -> list[str]:
        wet = "Wet on wet: each layer is taken to leave a tenth less ink on ink than on paper."
        return [_MEANING, _UNCERTAINTY, *([wet] if self.wet else ())]

    @property
    def cautions(self) -> list[str]:
        return [*self.pigment_cautions, *CAUTIONS]


def faults(pair: Pair) -> tuple[str, str]:
    """(lost, shows through) as short words: "LOST", "lost?", "shows", "shows?" or ""."""
    lost = "LOST" if pair.p_lost >= SURE else "lost?" if pair.p_lost >= MAYBE else ""
    shows = "shows" if pair.p_shows >= SURE else "shows?" if pair.p_shows >= MAYBE else ""
    return lost, shows


def how_found(answer: LayersAnswer) -> str:
    """How the order came about, and how it stands to common practice."""
    plan, order = answer.plan, answer.plan.shown
    if plan.exact:
        text = f"All {plan.orders_scored} orders were worked out with all their overlaps."
    else:
        text = (
            "Too many layers to try every order: starting from common practice, one layer was "
            "moved at a time, going by pairs. There may be a better order."
        )
    text += f" Score {order.score:.2f}"
    if order.places == plan.practice.places:
        return f"{text}. It is the order of common practice: {_PRACTICE}."
    text += f" (common practice, {_PRACTICE}: {plan.practice.score:.2f})."
    gains = [_gain(answer, *gain) for gain in plan.gains[:MOST_GAINS]]
    return " ".join([text, *(["What it gains:", "; ".join(gains) + "."] if gains else [])])


def _gain(answer: LayersAnswer, ours: Pair, theirs: Pair) -> str:
    """What is better about a pair printed this way than the other way round."""
    upper, lower = answer.name(ours.upper), answer.name(ours.lower)
    lost, shows = (there - here for here, there in zip(ours.faults, theirs.faults, strict=True))
    if lost > shows:
        return (
            f"{upper} over {lower} changes it by Delta E {words.number(ours.de_change, 0)}, "
            f"{lower} over {upper} only by {words.number(theirs.de_change, 0)}"
        )
    return (
        f"{upper} over {lower} is Delta E {words.number(ours.de_shows, 0)} off its own colour, "
        f"{lower} over {upper} would be {words.number(theirs.de_shows, 0)}"
    )


def names(answer: LayersAnswer, order: Order) -> str:
    return ", ".join(answer.name(place) for place in order.places)


def kind(traits: Traits) -> str:
    """How a layer covers, and its lightness."""
    spread = words.number(traits.colour.lab_u95[0])
    return f"{traits.kind}, L* {words.number(traits.lightness)} ± {spread}"


def tags(plan: Plan, order: Order) -> str:
    """What an order is besides one of those compared."""
    known = {
        "asked about": plan.wanted,
        "proposed": plan.proposal,
        "common practice": plan.practice,
        "worst": plan.worst,
    }
    return ", ".join(tag for tag, one in known.items() if one and one.places == order.places)


def better(answer: LayersAnswer) -> str:
    """What we would print instead of the order asked about; empty where that is the same."""
    plan = answer.plan
    if plan.wanted is None or plan.wanted.places == plan.proposal.places:
        return ""
    return f"We would print {names(answer, plan.proposal)} (score {plan.proposal.score:.2f})."


_CROSSING_UNCERTAINTY = (
    "± and ranges: 95 % probability. In the prediction: both readings, what a single colour "
    "leaves open about its ink, how much ink the upper layer leaves on the lower, the formula."
)
_UNKNOWN = (
    "The mixes are not known, and in colour alone a tint in white looks like a film thinned with "
    "base: give both with `layers` (lower, then upper), and the prediction gets sharper."
)
_EITHER = (
    "You did not say which strip is on top, so both ways are shown, the one nearer to the "
    "reading first; say it with `on_top`."
)


@dataclass(frozen=True, eq=False)
class CrossingAnswer:
    """What ``drawdown plan layers PHOTO`` has to say; the likelier order first."""

    seen: Judgement
    read: Readings
    orders: list[Predicted]
    pigment_cautions: tuple[str, ...]
    mixes_known: bool

    @property
    def flags(self) -> list[Flag]:
        own = [f for c in (*self.read.alone.values(), self.read.crossing) for f in c.flags]
        return list(dict.fromkeys([*self.seen.flags, *own]))

    @property
    def doubts(self) -> list[str]:
        found = [] if self.mixes_known else [_UNKNOWN]
        return [named(text) for text in (*found, *([_EITHER] if len(self.orders) > 1 else ()))]

    @property
    def notes(self) -> list[str]:
        return [_CROSSING_UNCERTAINTY, *(flag.text for flag in self.flags)]

    @property
    def cautions(self) -> list[str]:
        return [*self.pigment_cautions, *CAUTIONS]


def fits(order: Predicted) -> str:
    """How the reading stands to the prediction, as words."""
    if not order.agrees:
        return "DOES NOT AGREE with the prediction"
    if order.de00_95[1] > WIDE_DE:
        return "FITS the prediction, but so would much else"
    return "AGREES with the prediction"


def title(order: Predicted) -> str:
    if order.upper == "upper":
        return "upper over lower"
    return f"{order.upper} strip over {order.lower} one"


def covers(order: Predicted) -> str:
    """What the reading says of how the upper layer covers."""
    text = f"The upper layer covers {order.covers}."
    if order.kinds is None:
        return text
    white, clear = (words.number(order.kinds[k][0]) for k in ("covering", "transparent"))
    text += (
        f" Taken as a covering ink (white in it), the prediction is Delta E {white} off; taken as "
        f"transparent, {clear}"
    )
    return f"{text}: the reading speaks for a {order.kind} ink." if order.kind else f"{text}."


def spread(order: Predicted) -> str:
    low, high = order.de00_95
    return f"{words.number(order.de00)} ({words.number(low)} to {words.number(high)})"
