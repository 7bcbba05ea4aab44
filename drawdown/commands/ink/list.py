"""``drawdown ink list``: what is on the shelf in use, and where its figures come from."""

from __future__ import annotations

from drawdown.commands.support import options as opt


def list_inks(
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> None:
    """List the inks on the shelf, and what their figures rest on."""
    import sys

    from drawdown.report.text import ink as report
    from drawdown.report.text import terminal
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    if json:
        terminal.write_result(report.shelf_json(used))
    else:
        terminal.write_result(report.shelf_screen(used, terminal.width(sys.stdout)))
