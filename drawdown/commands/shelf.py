"""``drawdown shelf``: the inks whose figures are known, or a file of them to edit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver


def shelf(
    shelf: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="A shelf of your own; without it, the studio's, or else starter pigments.",
        ),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option(metavar="OUT.toml", help="Also write the shelf to a file to edit."),
    ] = None,
    json: opt.AsJson = False,
) -> int:
    """List the inks that --mix and the advice know, with their cautions."""
    if write is not None:
        opt.check_new_toml(
            write,
            "a shelf is a TOML file",
            "it may hold figures of your own inks",
            "drawdown shelf --write my-inks.toml",
        )

    from drawdown.ink.shelf import write_shelf
    from drawdown.report.json.ink import shelf_json
    from drawdown.report.text.ink import catalogue_screen
    from drawdown.report.text.terminal import write_aside
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    if write is not None:
        write_shelf(used.shelf, write)
        write_aside(f"Written to {write}: keep the inks you own, and use it with --shelf.")
    return deliver(json, (used,), shelf_json, catalogue_screen)
