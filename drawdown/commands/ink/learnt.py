"""``drawdown ink learnt``: what batches have taught of the inks; ``--undo`` takes one back."""

from __future__ import annotations

from typing import Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver


def learnt(
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the photo that was remembered last.")
    ] = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Show what remembered batches have taught of the inks, or take back the last photo."""
    from drawdown.matching.learn import turned_out
    from drawdown.report.json.studio import learnt_json
    from drawdown.report.text.learnt import learnt_screen, undone
    from drawdown.studio.batch_memory import forget_last, knowledge_of, memory_path, read_memory
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    path = memory_path(used)
    said = undone(*forget_last(path, used.shelf)) if undo else None
    memory = read_memory(path)
    inks = turned_out(used.shelf, knowledge_of(memory, used.shelf))
    screen = learnt_screen if said is None else lambda *_: said
    return deliver(json, (memory, inks, path), learnt_json, screen)
