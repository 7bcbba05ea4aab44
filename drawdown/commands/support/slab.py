"""What ``drawdown match --slab`` keeps of a photo once it has answered."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement


def is_new(name: str, given_shelf: Path | None) -> bool:
    """Whether no batch of that name is remembered yet. Raises ``BadFile``."""
    from drawdown.studio.batch_memory import find_slab, memory_path, read_memory
    from drawdown.studio.shelf_file import shelf_in_use

    return find_slab(read_memory(memory_path(shelf_in_use(given_shelf))), name) is None


def keep(judgement: Judgement, photo: Path, given_shelf: Path | None) -> None:
    """Keep the photo of the batch, and say on stderr what was kept. Raises ``BadFile``."""
    from datetime import datetime

    from drawdown.report.text import learnt as report
    from drawdown.report.text import terminal
    from drawdown.studio.batch_memory import SlabPhoto, memory_path, remember
    from drawdown.studio.shelf_file import shelf_in_use

    opened = judgement.opened
    if opened is None:
        return
    if judgement.step is None:
        terminal.write_aside(report.not_kept(opened.slab.name, added=bool(opened.added)))
        return
    paper = judgement.correction.paper_lab_d50
    seen = SlabPhoto(
        path=str(photo),
        mark=opened.mark,
        when=datetime.now().astimezone().isoformat(timespec="seconds"),
        step=judgement.step,
        grams=opened.grams,
        paper_lab=None if paper is None else tuple(float(v) for v in paper),
    )
    used = shelf_in_use(given_shelf)
    lesson = remember(memory_path(used), used.shelf, opened, seen)
    terminal.write_aside(report.kept(opened.slab.name, len(opened.slab.photos) + 1, lesson))
