"""What was learnt of the inks, and the batches it was learnt from, as terminal text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from calibration.naming import named
from calibration.uncertainty.intervals import K95
from drawdown.matching.learn import Learnt, Lesson
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.studio.batch_memory import Memory, Slab, SlabPhoto
from drawdown.wording.figures import count

_GO_ON = "Go on with `slab` and what you `added`; take it back with: `undo_change`"


def kept(name: str, number: int, lesson: Lesson | None) -> str:
    """That a photo was kept, and whether something was learnt from it."""
    text = f'Remembered as photo {number} of the batch "{name}". {named(_GO_ON)}'
    if lesson is not None and not lesson.taken:
        text += (
            ". Nothing was learnt of the inks: the colours contradict the noted mix. Check the "
            "mix and what was added"
        )
    return text + "."


def not_kept(name: str, *, added: bool = False) -> str:
    """That a photo which cannot be judged yet teaches nothing."""
    text = (
        f'Not remembered for the batch "{name}": a photo without a sure verdict on dry strips '
        "teaches nothing."
    )
    if added:
        text += named(" What was `added` is not noted yet: say it again with the next photo.")
    return text


def undone(slab: Slab, photo: SlabPhoto) -> str:
    """What was taken back."""
    left = len(slab.photos) - 1
    rest = f"{left} photo{'' if left == 1 else 's'} of it stay" + ("s" if left == 1 else "")
    return f'Taken back: photo {len(slab.photos)} of the batch "{slab.name}" ({photo.path}). ' + (
        f"{rest}." if left else "The batch is gone."
    )


def factor(value: float, log_sd: float) -> str:
    """A factor with the interval that holds it with 95 % probability."""
    low, high = (value * math.exp(sign * K95 * log_sd) for sign in (-1, 1))
    return f"{value:.2f} ({low:.2f} to {high:.2f})"


def learnt_screen(memory: Memory, learnt: tuple[Learnt, ...], where: Path, screen: Screen) -> str:
    """Inks that turned out otherwise, then the batches."""
    if not memory.slabs:
        return named(
            "Nothing was learnt yet. Batches are remembered, and teach how your inks behave, "
            "by `match` with `slab` NAME and `mix`."
        )
    lines = Lines(screen)
    batches = f"{len(memory.slabs)} batch{'' if len(memory.slabs) == 1 else 'es'}"
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
    for slab in memory.slabs:
        last = slab.photos[-1].when[:16].replace("T", " ")
        lines.add()
        lines.add(f"{slab.name}: {count(len(slab.photos), 'photo')}, the last on {last}")
        lines.add(f"  mixed as {_mix(slab.mix, '.3g')} (parts per 100)")
        for number, photo in enumerate(slab.photos, start=1):
            if added := {ink: 100 * share for ink, share in photo.step.added.items()}:
                parts = _mix(added, ".2g")
                lines.add(f"  before photo {number}: {parts} parts to 100 of the batch")
    return str(lines)


def _mix(parts: Mapping[str, float], form: str) -> str:
    return ", ".join(f"{ink} {amount:{form}}" for ink, amount in parts.items())
