"""``drawdown ink list``: what is on the shelf in use, and where its figures come from."""

from __future__ import annotations

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver


def list_inks(shelf: opt.ShelfKept = None, json: opt.AsJson = False) -> int:
    """List the inks on the shelf, and what their figures rest on."""
    from drawdown.report.json.ink import shelf_json
    from drawdown.report.text.ink import shelf_screen
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    return deliver(json, (used,), shelf_json, shelf_screen)
