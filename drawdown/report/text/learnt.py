"""What was learnt of the inks, and the batches it was learnt from, as terminal text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from calibration.naming import named
from calibration.uncertainty.intervals import K95
from drawdown.matching.batch_history import BatchStory
from drawdown.matching.learn import Learnt
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording.figures import count


def factor(value: float, log_sd: float) -> str:
    """A factor with the interval that holds it with 95 % probability."""
    low, high = (value * math.exp(sign * K95 * log_sd) for sign in (-1, 1))
    return f"{value:.2f} ({low:.2f} to {high:.2f})"


def learnt_screen(
    stories: Sequence[BatchStory], learnt: tuple[Learnt, ...], where: Path, screen: Screen
) -> str:
    """Inks that turned out otherwise, then the batches."""
    if not stories:
        return named(
            "Nothing was learnt yet. Batches are remembered, and teach how your inks behave, "
            "by `match` with `batch` NAME and `mix`."
        )
    lines = Lines(screen)
    batches = f"{len(stories)} batch{'' if len(stories) == 1 else 'es'}"
    lines.add(f"Learnt from {batches}, kept in {where}")
    lines.add()
    if learnt:
        wide = max(len(row.name) for row in learnt)
        lines.add(f"{'':<{wide}}  colours, times the shelf's  covers, times the shelf's")
        for row in learnt:
            colours = factor(row.absorbs, row.absorbs_log_sd)
            covers = factor(row.scatters, row.scatters_log_sd)
            lines.add(f"{row.name:<{wide}}  {colours:<25}  {covers}")
        lines.add("In brackets: the interval that holds it with 95 % probability.")
    for story in stories:
        last = story.photos[-1].when[:16].replace("T", " ")
        lines.add()
        lines.add(f"{story.name}: {count(len(story.photos), 'photo')}, the last on {last}")
        lines.add(f"  mixed as {_mix(story.mix, '.3g')} (parts per 100)")
        for number, photo in enumerate(story.photos, start=1):
            if added := {ink: 100 * share for ink, share in photo.step.added.items()}:
                parts = _mix(added, ".2g")
                lines.add(f"  before photo {number}: {parts} parts to 100 of the batch")
    return str(lines)


def _mix(parts: Mapping[str, float], form: str) -> str:
    return ", ".join(f"{ink} {amount:{form}}" for ink, amount in parts.items())
