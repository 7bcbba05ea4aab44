"""Values, and white against base, as terminal text."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from calibration.colour.notation import Notation
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.value import Plan, strip_value
from drawdown.printing.lighten import Lightened
from drawdown.printing.value import grey_hex
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording import value as told
from drawdown.wording.cautions import ink_cautions
from drawdown.wording.figures import count
from drawdown.wording.opacity import interval

_LABEL, _COLUMN = 18, 20


def value_screen(
    seen: Judgement, plan: Plan | None, notations: Mapping[int, Notation], screen: Screen
) -> str:
    """The answer of ``drawdown plan lighten``; ``notations`` by the strip's number."""
    lines = Lines(screen, margin=1)
    lines.add(f" Value of {count(len(seen.strips), 'strip')} in {seen.path}", "1")
    lines.add()
    for strip in seen.strips:
        v = strip_value(strip)
        lines.say(
            f"strip {strip.number}: value {v.value:.1f} ({v.low95:.1f} to {v.high95:.1f}), "
            f"the grey {grey_hex(strip.lab_d50[0])} (L* {strip.lab_d50[0]:.1f})",
            later="   ",
        )
        if strip.number in notations:
            lines.say(told.notation_sentence(notations[strip.number]), first="   ", later="   ")
    if plan is not None:
        lines.add()
        _plan(lines, plan)
    lines.remarks(told.remarks_on(seen, plan))
    lines.add()
    meanings = (*([told.NOTATION_MEANING] if notations else ()), told.MEANING)
    if plan is None:
        lines.notes((), meanings)
    else:
        lines.notes((), (*meanings, told.PLAN_MEANING), ink_cautions(plan.inks))
    return str(lines)


def _plan(lines: Lines, plan: Plan) -> None:
    lines.heading(f"Strip {plan.number} to value {plan.to:g}")
    head = told.names(plan)
    rows = [r for r in _rows(plan) if lines.screen.full or r[0][-2:] not in ("a*", "b*")]
    if lines.screen.columns >= _LABEL + _COLUMN * len(head) + 1:
        for label, cells in (("", head), *rows):
            row = "".join(f"{cell:<{_COLUMN}}" for cell in cells)
            lines.add(f" {label:<{_LABEL}}{row}".rstrip())
    else:
        for k, name in enumerate(head):
            lines.add(f" {name}")
            for label, cells in rows:
                lines.add(f"   {label:<{_LABEL}}{cells[k]}")
    lines.say(
        f'{told.layer_text(plan)} "Changes layer" and "short of its own" are Delta E 2000: from '
        "the bare layer, and from the same ink on paper."
    )
    for sentence in told.sentences(plan):
        lines.say(sentence)
    if any(way.parts is not None for way in plan.ways):
        lines.say(
            "You can't take ink out again: work in half, pull a strip, let it dry and look, "
            "then the rest."
        )


def _rows(plan: Plan) -> list[tuple[str, list[str]]]:
    """Label and one cell for the ink as it is and for each way."""

    def row(label: str, cell: Callable[[Lightened], str]) -> tuple[str, list[str]]:
        ways = (plan.now, *plan.ways)
        return label, ["-" if way.parts is None else cell(way) for way in ways]

    label, cells = row("parts to 100", lambda w: told.parts_around(w.parts))
    rows = [(label, ["-", *cells[1:]])]
    if plan.grams is not None:
        grams = [told.grams_around(plan.grams[w.ink]) if w.ink in plan.grams else "-"
                 for w in plan.ways]  # fmt: skip
        rows.append(("grams", ["-", *grams]))
    for k, name in enumerate("Lab"):
        rows.append(row(f"on paper {name}*", lambda w, k=k: _spread(w.lab_d50, w.lab_u95, k)))
    rows.append(row("contrast ratio", lambda w: interval(w.ratio, 2)))
    for k, name in enumerate("Lab"):
        rows.append(
            row(
                f"over layer {name}*",
                lambda w, k=k: _spread(w.lab_over_layer, w.lab_over_layer_u95, k),
            )
        )
    rows.append(row("changes layer by", lambda w: interval(w.layer_change, 0)))
    rows.append(row("short of its own", lambda w: interval(w.short_of_paper, 0)))
    return rows


def _spread(lab, u95, axis: int) -> str:  # (3,), (3,) floats
    return f"{lab[axis]:.1f} ± {u95[axis]:.1f}"
