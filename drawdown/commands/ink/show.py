"""``drawdown ink show``: one ink, its figures, how it looks in use and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import say_saved


def show(
    name: opt.InkName,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save its tints and let-downs as a picture."),
    ] = None,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> None:
    """Show one ink: where its figures come from, how it looks, how sure that is."""
    if picture is not None:
        opt.check_picture(picture)
    import sys

    from drawdown.report.text import ink as report
    from drawdown.report.text import terminal
    from drawdown.studio.shelf_file import partner, shelf_in_use

    used = shelf_in_use(shelf)
    ink = used.shelf.find(name)
    white, base = partner(used.shelf, "white"), partner(used.shelf, "base")
    if picture is not None:
        from drawdown.report.pictures.ink import save_ink_picture

        save_ink_picture(ink, white, base, picture)
    if json:
        terminal.write_result(report.ink_json(ink, white, base))
    else:
        terminal.write_result(report.ink_screen(ink, white, base, terminal.width(sys.stdout)))
    if picture is not None:
        say_saved(picture)
