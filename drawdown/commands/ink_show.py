"""``drawdown ink show``: one ink, its figures, how it looks in use and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage


def show(
    name: Annotated[
        str, typer.Argument(metavar="INK", help="Its name, generic or Colour Index name.")
    ],
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save its tints and let-downs as a picture."),
    ] = None,
    shelf: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Another shelf than the studio's own."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> None:
    """Show one ink: where its figures come from, how it looks, how sure that is."""
    if picture is not None and picture.suffix.lower() != ".png":
        raise WrongUsage(
            f"--picture {picture} does not end in .png",
            "PNG keeps the colours exactly",
            "give a name that ends in .png",
        )
    import sys

    from drawdown.report import ink as report
    from drawdown.report import terminal
    from drawdown.shelf_files import partner, shelf_in_use

    used = shelf_in_use(shelf)
    ink = used.shelf.find(name)
    white, base = partner(used.shelf, "white"), partner(used.shelf, "base")
    if picture is not None:
        from drawdown.report.ink_picture import save_ink_picture

        save_ink_picture(ink, white, base, picture)
    if json:
        terminal.write_result(report.ink_json(ink, white, base))
    else:
        terminal.write_result(report.ink_screen(ink, white, base, terminal.width(sys.stdout)))
    if picture is not None and terminal.is_tty(sys.stderr):
        terminal.write_aside(f"Picture saved: {picture}")
