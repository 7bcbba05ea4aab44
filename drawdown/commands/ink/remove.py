"""``drawdown ink remove`` takes an ink off the shelf, ``drawdown ink undo`` takes back the
last change of it. (One file, as the one is the other's safety net.)"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver


def remove(
    name: opt.InkName,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask first.")] = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Take an ink off the shelf; it can be taken back with undo."""
    from drawdown.report.json.ink import change_json
    from drawdown.report.text import terminal
    from drawdown.studio.shelf_file import remove_ink, shelf_in_use, shelf_to_change

    used = shelf_in_use(shelf)
    if used.path is not None and not yes:
        ink = used.shelf.find(name)
        if not (terminal.is_tty(sys.stdin) and terminal.is_tty(sys.stderr)):
            raise WrongUsage(
                f"{ink.title} would be taken off the shelf, and nobody is there to be asked",
                "nothing was changed",
                "say --yes if that is meant",
            )
        terminal.write(f"Take {ink.title} off the shelf {used.path}? [y/N] ", sys.stderr)
        if sys.stdin.readline().strip().casefold() not in ("y", "yes"):
            terminal.write_aside("Left as it was.")
            return 0
    path = shelf_to_change(shelf)
    gone = remove_ink(path, name)
    said = f"{gone.title} is off the shelf {path}. Take that back with: drawdown ink undo"
    return deliver(json, ("removed", [gone.name], path), change_json, lambda *_: said)


def undo(shelf: opt.ShelfKept = None, json: opt.AsJson = False) -> int:
    """Take back the last change of the shelf; a second time, that one."""
    from drawdown.report.json.ink import change_json
    from drawdown.studio.shelf_file import shelf_to_change, undo_shelf

    path = shelf_to_change(shelf)
    left = undo_shelf(path)
    if left is None:
        said = (
            f"The shelf {path} is gone again: the starter inks are in use. "
            "Bring it back with: drawdown ink undo"
        )
    else:
        said = f"The shelf {path} is as before: {', '.join(left.names)}."
    return deliver(json, ("undone", None, path), change_json, lambda *_: said)
