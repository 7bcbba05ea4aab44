"""Values, and lightening with white or with base: what is to be said of them."""

from __future__ import annotations

from calibration.colour.notation import Notation, hue_name
from calibration.flags import Flag
from calibration.naming import named
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.value import Plan
from drawdown.printing.lighten import Lightened
from drawdown.printing.opacity import Number
from drawdown.wording import figures as words
from drawdown.wording import flags as flagging

MEANING = (
    "Value (ASTM D1535) runs from 0 for black to 10 for white; it goes by the light Y that the "
    "ink sends back. The numbers in brackets hold the true value with 95 % probability."
)
PLAN_MEANING = (
    "The amounts bring the ink on this paper to the value wanted, pulled as thick as this strip. "
    "What comes of it rests on figures of the inks, fitted to the strip: ± and brackets hold "
    "the true value with 95 % probability if the pigments are those of the mix."
)
NOTATION_MEANING = (
    "The notation is hue, value and chroma (ASTM D1535) as its chips look in "
    "daylight C; the colour was adapted to that light, so its value may differ a little."
)
_UNLIKE_DE = 4.0  # a mix that fits no better than this is hardly the one


def remarks_on(seen: Judgement, plan: Plan | None) -> list[tuple[Flag, str]]:
    """Each flag, and in words which strip it is of ("" for the photo or the plan)."""
    return flagging.remarks_on(seen) + [(flag, "") for flag in (() if plan is None else plan.flags)]


def notation_sentence(n: Notation) -> str:
    """A full notation with its intervals, or why it has no hue."""
    if n.chroma is None or n.chroma_95 is None:
        return f"notation {n.text}: hue and chroma are not known, {n.why}."
    low, high = n.chroma_95
    chroma = f"chroma {n.chroma:.1f} ({low:.1f} to {high:.1f})"
    if n.hue_95 is None:
        return f"notation {n.text}: {chroma}; the hue is not known, {n.why}."
    first, last = (hue_name(end) for end in n.hue_95)
    return f"notation {n.text}: hue from {first} to {last}, {chroma}."


def parts_around(n: Number) -> str:
    """Parts as far as they can be weighed, and no finer than they are known."""
    low, value = _parts(n.low95), _parts(n.value)
    return f"{value} ({low} {'or more' if n.high95 is None else f'to {_parts(n.high95)}'})"


def grams_around(n: Number) -> str:
    """Grams, no finer than they are known."""
    return f"{parts_around(n)} g"


def _parts(value: float) -> str:
    return words.parts(value if value < 100 else float(f"{value:.2g}"))


def why_not(way: Lightened) -> str:
    """Why a way does not lead to the value, "" where it does."""
    if way.parts is not None:
        return ""
    limit = "white itself" if way.kind == "white" else "the bare paper"
    return f"even {limit} is no lighter than that"


def names(plan: Plan) -> list[str]:
    return ["as it is", *(f"with {way.kind}" for way in plan.ways)]


def layer_name(plan: Plan) -> str:
    """What the ink may be printed on."""
    known = {"bar": "the black bar", "printed-black": "a printed black"}
    return known[plan.layer] if isinstance(plan.layer, str) else f"strip {plan.layer}"


def layer_text(plan: Plan) -> str:
    light = words.lab_text(plan.layer_lab, decimals=0)
    end = ", taken as a dry, even ground" if isinstance(plan.layer, int) else ""
    return f"The other layer is {layer_name(plan)} ({light}){end}."


def sentences(plan: Plan) -> list[str]:
    """What the table says, in words."""
    said = [
        f"With {way.ink} value {plan.to:g} cannot be reached: {why_not(way)}."
        for way in plan.ways
        if way.parts is None
    ]
    flooded = [way.ink for way in plan.ways if way.flooded]
    if flooded:
        said.append(
            f"{' and '.join(flooded)}: more than the batch itself. Take out a portion and let "
            "that down, or the whole would grow beyond use."
        )
    both = [
        (way.ratio.value, way.ink, float(way.lab_over_layer[0]))
        for way in plan.ways
        if way.parts and way.ratio and way.lab_over_layer is not None
    ]
    if len(both) == 2:
        (more, covering, dark), (less, clear, light) = sorted(both, reverse=True)
        said.append(
            f"With {covering} it covers more (contrast ratio {more:.2f} against {less:.2f}): over "
            f"{layer_name(plan)} it comes to L* {dark:.0f}, with {clear} to L* {light:.0f}."
        )
    ratio = ", ".join(f"{ink} {words.parts(x)}" for ink, x in plan.mix.items())
    if plan.guessed:
        said.append(
            f"The mix is a guess from the colour ({ratio}): give yours with `mix` for a better "
            "answer."
        )
    elif plan.misfit > _UNLIKE_DE:
        said.append(
            f"The strip hardly looks like the mix that was named (Delta E {plan.misfit:.0f}): "
            "check `mix` and `strips`, and take the answer for a rough guide."
        )
    if not plan.across_bar:
        said.append(
            "The strip crosses no black bar, so only the figures of the inks say how far it covers."
        )
    return [named(text) for text in said]
