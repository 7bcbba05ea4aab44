"""What was learnt of the inks, and the batches it was learnt from: terminal text and JSON."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drawdown.matching.learn import Learnt, Lesson
    from drawdown.studio.batch_memory import Memory, Slab, SlabPhoto

GO_ON = "Go on with --slab and what you --added; take it back with: drawdown ink learnt --undo"


def kept(name: str, number: int, lesson: Lesson | None) -> str:
    """That a photo was kept, and whether something was learnt from it."""
    text = f'Remembered as photo {number} of the batch "{name}". {GO_ON}'
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
        text += " What was --added is not noted yet: say it again with the next photo."
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
    low, high = (value * math.exp(sign * 1.96 * log_sd) for sign in (-1, 1))
    return f"{value:.2f} ({low:.2f} to {high:.2f})"


def screen(memory: Memory, learnt: tuple[Learnt, ...], where: Path) -> str:
    """Inks that turned out otherwise, then the batches."""
    if not memory.slabs:
        return (
            "Nothing was learnt yet. Batches are remembered, and teach how your inks behave, "
            "by drawdown match with --slab NAME and --mix."
        )
    lines = [f"Learnt from {len(memory.slabs)} batches, kept in {where}", ""]
    if len(memory.slabs) == 1:
        lines[0] = f"Learnt from 1 batch, kept in {where}"
    if learnt:
        wide = max(len(row.name) for row in learnt)
        lines.append(f"{'':<{wide}}  colours, times the shelf's  covers, times the shelf's")
        lines += [
            f"{row.name:<{wide}}  {factor(row.absorbs, row.absorbs_log_sd):<25}  "
            f"{factor(row.scatters, row.scatters_log_sd)}"
            for row in learnt
        ]
        lines.append("In brackets: the interval that holds it with 95 % probability.")
    for slab in memory.slabs:
        last = slab.photos[-1]
        mix = ", ".join(f"{name} {parts:.3g}" for name, parts in slab.mix.items())
        count = f"{len(slab.photos)} photo{'' if len(slab.photos) == 1 else 's'}"
        lines += ["", f"{slab.name}: {count}, the last on {last.when[:16].replace('T', ' ')}"]
        lines.append(f"  mixed as {mix} (parts per 100)")
        for number, photo in enumerate(slab.photos, start=1):
            if photo.step.added:
                put_in = ", ".join(
                    f"{name} {100 * share:.2g}" for name, share in photo.step.added.items()
                )
                lines.append(f"  before photo {number}: {put_in} parts to 100 of the batch")
    return "\n".join(lines)


def learnt_json(memory: Memory, learnt: tuple[Learnt, ...], where: Path) -> str:
    """Schema ``drawdown.learnt/1``."""
    return json.dumps(
        {
            "schema": "drawdown.learnt/1",
            "path": str(where),
            "inks": [
                {
                    "ink": row.name,
                    "absorbs": round(row.absorbs, 4),
                    "absorbs_log_sd": round(row.absorbs_log_sd, 4),
                    "absorbs_log_sd_before": round(row.absorbs_log_sd_before, 4),
                    "scatters": round(row.scatters, 4),
                    "scatters_log_sd": round(row.scatters_log_sd, 4),
                    "scatters_log_sd_before": round(row.scatters_log_sd_before, 4),
                }
                for row in learnt
            ],
            "batches": [
                {
                    "name": slab.name,
                    "mix": [{"ink": n, "parts_per_100": round(p, 4)} for n, p in slab.mix.items()],
                    "photos": [
                        {
                            "path": photo.path,
                            "when": photo.when,
                            "added": [
                                {"ink": n, "parts_per_100": round(100 * s, 4)}
                                for n, s in photo.step.added.items()
                            ],
                            "grams": photo.grams,
                        }
                        for photo in slab.photos
                    ],
                }
                for slab in memory.slabs
            ],
        },
        indent=2,
        ensure_ascii=False,
    )
