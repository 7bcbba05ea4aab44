"""``drawdown ink learnt``: what batches have taught of the inks; ``--undo`` takes one back."""

from __future__ import annotations

from typing import Annotated

import typer

from drawdown.commands.support import options as opt


def learnt(
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the photo that was remembered last.")
    ] = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> None:
    """Show what remembered batches have taught of the inks, or take back the last photo."""
    from drawdown.matching.learn import turned_out
    from drawdown.report.text import learnt as report
    from drawdown.report.text import terminal
    from drawdown.studio.batch_memory import forget_last, knowledge_of, memory_path, read_memory
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    path = memory_path(used)
    if undo:
        said = report.undone(*forget_last(path, used.shelf))
        if not json:
            terminal.write_result(said)
            return
    memory = read_memory(path)
    inks = turned_out(used.shelf, knowledge_of(memory, used.shelf))
    text = report.learnt_json if json else report.screen
    terminal.write_result(text(memory, inks, path))
