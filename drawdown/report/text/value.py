"""Munsell values, and white against base, as terminal text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.pipeline.value import strip_value
from drawdown.report.text.opacity import heading
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.value import Plan
    from drawdown.printing.lighten import Lightened
    from drawdown.printing.opacity import Number

MEANING = (
    "Value is Munsell's (ASTM D1535), from 0 for black to 10 for white, of the light Y that the "
    "ink sends back. The numbers in brackets hold the true value with 95 % probability."
)
PLAN_MEANING = (
    "The amounts bring the ink on this paper to the value wanted, pulled as thick as this strip. "
    "What comes of it rests on figures of the inks, fitted to the strip: ± and brackets hold "
    "the true value with 95 % probability if the pigments are those of the mix."
)
HALF_FIRST = (
    "Nothing can be taken out again: stir in half, pull a strip, let it dry and look, then the "
    "rest."
)
UNLIKE_DE = 4.0  # a mix that fits no better than this is hardly the one
_LABEL, _COLUMN = 18, 20


def value_screen(seen: Judgement, plan: Plan | None, screen: Screen) -> str:
    """The answer of ``drawdown value``."""
    count = len(seen.strips)
    title = f" Value of {count} strip{'' if count == 1 else 's'} in {seen.photo.path}"
    lines = [paint(title, "1", screen.colour), ""]
    for strip in seen.strips:
        v = strip_value(strip)
        text = (
            f" strip {strip.strip.number}: value {v.value:.1f} ({v.low95:.1f} to {v.high95:.1f}), "
            f"the grey {v.grey_hex} (L* {v.grey_l:.1f})"
        )
        lines += wrap(text, screen.columns - 1, " ", "   ")
    if plan is not None:
        lines += ["", *_plan(plan, screen)]
    found = [(flag, "") for flag in words.general_flags(seen)]
    for strip in seen.strips:
        found += [(f, f"Strip {strip.strip.number}: ") for f in words.strip_flags(strip)]
    if plan is not None:
        found += [(flag, "") for flag in plan.flags]
    for hard in (True, False):
        some = [(flag, where) for flag, where in found if flag.hard is hard]
        if some:
            name = "Why it cannot be relied on" if hard else "Worth knowing"
            lines += ["", heading(name, screen)]
        for flag, where in some:
            lines += wrap(where + flag.text, screen.columns - 1, " · ", "   ")
    lines += ["", *wrap(MEANING, screen.columns - 1, " ")]
    if plan is not None:
        lines += wrap(PLAN_MEANING, screen.columns - 1, " ")
        caution = " ".join([*plan.cautions, *CAUTIONS])
        lines += ["", *wrap(f"Caution: {caution}", screen.columns - 1, " ")]
    return "\n".join(lines)


def around(n: Number, decimals: int) -> str:
    """ "38 (30 to 47)"; two figures below ten."""
    low, high = n.low95, n.high95
    if high is None:
        return f"at least {low:.{decimals}f}"
    return f"{n.value:.{decimals}f} ({low:.{decimals}f} to {high:.{decimals}f})"


def parts_around(n: Number) -> str:
    """Parts as far as they can be weighed, and no finer than they are known."""
    low, value = _parts(n.low95), _parts(n.value)
    high = "or more" if n.high95 is None else f"to {_parts(n.high95)}"
    return f"{value} ({low} {high})"


def grams_around(n: Number) -> str:
    """Grams, no finer than they are known."""
    return f"{parts_around(n)} g"


def _parts(value: float) -> str:
    return words.parts(value if value < 100 else float(f"{value:.2g}"))


def names(plan: Plan) -> list[str]:
    return ["as it is", *(f"with {way.kind}" for way in plan.ways)]


def rows_of(plan: Plan) -> list[tuple[str, list[str]]]:
    """Label and one cell for the ink as it is and for each way."""
    columns = [plan.now, *plan.ways]

    def cells(of) -> list[str]:
        return ["-" if way.parts is None else of(way) for way in columns]

    rows = [("parts to 100", ["-", *cells(lambda w: parts_around(w.parts))[1:]])]
    if plan.grams is not None:
        weighed = [
            grams_around(plan.grams[w.ink]) if w.ink in plan.grams else "-" for w in plan.ways
        ]
        rows.append(("grams", ["-", *weighed]))
    for axis, name in enumerate("Lab"):
        rows.append(
            (
                f"on paper {name}*",
                cells(lambda w, a=axis: f"{w.lab_d50[a]:.1f} ± {w.lab_u95[a]:.1f}"),
            )
        )
    rows.append(("contrast ratio", cells(lambda w: around(w.ratio, 2))))
    for axis, name in enumerate("Lab"):
        rows.append((f"over layer {name}*", cells(lambda w, a=axis: _over(w, a))))
    rows.append(("changes layer by", cells(lambda w: around(w.layer_change, 0))))
    rows.append(("short of its own", cells(lambda w: around(w.short_of_paper, 0))))
    return rows


def _over(way: Lightened, axis: int) -> str:
    return f"{way.lab_over_layer[axis]:.1f} ± {way.lab_over_layer_u95[axis]:.1f}"


def layer_text(plan: Plan) -> str:
    light = ", ".join(
        f"{n}* {words.number(v, 0)}" for n, v in zip("Lab", plan.layer_lab, strict=True)
    )
    end = ", taken as a dry, even ground" if plan.layer.startswith("strip") else ""
    return f"The other layer is {plan.layer} ({light}){end}."


def sentences(plan: Plan) -> list[str]:
    """What the table says, in words."""
    said = [
        f"With {way.ink} value {plan.to:g} cannot be reached: {way.why}."
        for way in plan.ways
        if way.parts is None
    ]
    flooded = [way.ink for way in plan.ways if way.flooded]
    if flooded:
        said.append(
            f"{' and '.join(flooded)}: more than the batch itself. Take out a portion and let "
            "that down, or the whole would grow beyond use."
        )
    both = [w for w in plan.ways if w.parts is not None]
    if len(both) == 2:
        covering, clear = sorted(both, key=lambda w: -w.ratio.value)
        said.append(
            f"With {covering.ink} it covers more (contrast ratio {covering.ratio.value:.2f} "
            f"against {clear.ratio.value:.2f}): over {plan.layer} it comes to L* "
            f"{covering.lab_over_layer[0]:.0f}, with {clear.ink} to L* "
            f"{clear.lab_over_layer[0]:.0f}."
        )
    ratio = ", ".join(f"{ink} {words.parts(x)}" for ink, x in plan.mix.items())
    if plan.guessed:
        said.append(
            f"The mix was guessed from its colour: {ratio} (parts per 100). Give it with --mix "
            "for a better answer."
        )
    elif plan.misfit > UNLIKE_DE:
        said.append(
            f"The strip hardly looks like the mix that was named (Delta E {plan.misfit:.0f}): "
            "check --mix and --strip-number, and take the answer for a rough guide."
        )
    if not plan.across_bar:
        said.append(
            "The strip crosses no black bar, so how far its ink covers is known from the figures "
            "of the inks alone."
        )
    return said


def _plan(plan: Plan, screen: Screen) -> list[str]:
    lines = [heading(f"Strip {plan.number} to value {plan.to:g}", screen)]
    rows, head = rows_of(plan), names(plan)
    if screen.columns >= _LABEL + _COLUMN * len(head) + 1:
        lines.append(" " + " " * _LABEL + "".join(f"{name:<{_COLUMN}}" for name in head).rstrip())
        for label, cells in rows:
            row = "".join(f"{cell:<{_COLUMN}}" for cell in cells)
            lines.append(f" {label:<{_LABEL}}{row}".rstrip())
    else:
        for k, name in enumerate(head):
            lines.append(f" {name}")
            lines += [f"   {label:<{_LABEL}}{cells[k]}" for label, cells in rows]
    text = (
        f'{layer_text(plan)} "Changes layer" and "short of its own" are Delta E 2000: from the '
        "bare layer, and from the same ink on paper."
    )
    lines += wrap(text, screen.columns - 1, " ")
    reached = any(way.parts is not None for way in plan.ways)
    for sentence in (*sentences(plan), *([HALF_FIRST] if reached else [])):
        lines += wrap(sentence, screen.columns - 1, " ")
    return lines
