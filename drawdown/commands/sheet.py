"""``drawdown sheet``: the printable test sheet for pulling strips. See card.py for errors."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.support.artwork import Dpi, PaperSize, check_drawing, drawing


def sheet(
    out: Annotated[
        Path,
        typer.Argument(metavar="OUT.pdf", help="File to draw the sheet in: .pdf, .svg or .png."),
    ],
    paper: PaperSize = "a4",
    dpi: Dpi = None,
) -> None:
    """Make the test sheet to print: lanes for strips, a black bar, a place for the card."""
    paper = check_drawing(out, paper, dpi)

    from calibration.files import write_atomically
    from drawdown.strips.test_sheet import builtin_sheets, sheet_page

    write_atomically(out, drawing(sheet_page(builtin_sheets()[paper]), out, dpi))
    typer.echo(str(out))
    typer.echo(
        "Print it at 100 % on the paper you pull on, or one like it. Let the black bar dry well: "
        "some printers' black runs under water-based ink.",
        err=True,
    )
