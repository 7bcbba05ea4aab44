"""``drawdown ink remove``: take an ink off the shelf."""

from __future__ import annotations

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import agreed, deliver


def remove(
    name: opt.InkName,
    yes: opt.Yes = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Take an ink off the shelf; undo puts it back."""
    from drawdown.report.json.ink import change_json
    from drawdown.studio.shelf_file import remove_ink, shelf_in_use, shelf_to_change

    used = shelf_in_use(shelf)
    if used.path is not None:
        what = f"{used.shelf.find(name).title} off the shelf {used.path}"
        if not agreed(f"Take {what}?", yes):
            return 0
    path = shelf_to_change(shelf)
    gone = remove_ink(path, name)
    said = f"{gone.title} is off the shelf {path}. Take that back with: drawdown undo"
    return deliver(json, ("removed", [gone.name], path), change_json, lambda *_: said)
