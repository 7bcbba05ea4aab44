"""How each strip covers, as terminal text."""

from __future__ import annotations

from drawdown.pipeline.opacity import StripOpacity
from drawdown.pipeline.read import Judgement
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording import opacity as told
from drawdown.wording.figures import count

_TWO_COLUMNS = 72  # columns that labels beside their values need


def opacity_screen(seen: Judgement, rows: tuple[StripOpacity, ...], screen: Screen) -> str:
    """The answer of ``drawdown plan covers``."""
    lines = Lines(screen, margin=1)
    read = sum(row.opacity is not None for row in rows)
    lines.add(f" How far ink covers: {count(read, 'strip')} in {seen.path}", "1")
    for row in rows:
        lines.add()
        _strip(lines, row)
    lines.remarks(told.remarks_on(seen, rows))
    lines.add()
    lines.notes((), (told.MEANING,))
    return str(lines)


def _strip(lines: Lines, row: StripOpacity) -> None:
    title = f"Strip {row.number}"
    if row.opacity is None:
        lines.heading(title)
        lines.say(
            "It crosses no black bar with film before and after it, whose bare ends show beside "
            "the strip: nothing can be said."
        )
        return
    lines.heading(f"{title}: {told.grade(row.opacity)}")
    facts = told.facts(row.opacity)
    for label, value in facts if lines.screen.full else facts[0:6:2]:
        if lines.screen.columns >= _TWO_COLUMNS:
            lines.add(f"   {label:<36}{value}")
        else:
            lines.say(f"{label} {value}", "   ", "     ")
