"""Pages that are drawn to be printed, card and test sheet: their options, and writing them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support.parse import read_choice

PAPERS = ("a4", "letter")
_FORMATS = (".pdf", ".svg", ".png")

PaperSize = Annotated[str, typer.Option(metavar="SIZE", help="Size of the page: a4 or letter.")]
Dpi = Annotated[
    int | None, typer.Option(metavar="N", help="Pixels per inch of a PNG, 72 to 2400 (else 600).")
]


def check_drawing(out: Path, paper: str, dpi: int | None) -> str:
    """The paper's size; raises ``WrongUsage`` unless a page can be drawn so."""
    if out.suffix.lower() not in _FORMATS:
        ending = f'"{out.suffix}"' if out.suffix else "no ending"
        raise WrongUsage(
            f"{out} has {ending}, which names no format that can be drawn",
            "the ending decides the format",
            "let the name end in .pdf (best for printing), .svg or .png",
        )
    paper = read_choice("--paper", paper, PAPERS)
    if dpi is not None and not 72 <= dpi <= 2400:
        raise WrongUsage(
            f"--dpi is {dpi}",
            "below 72 nothing is legible and above 2400 no printer follows",
            "choose a number from 72 to 2400; 600 suits most printers",
        )
    return paper


def drawing(page, out: Path, dpi: int | None) -> bytes:
    """A page in the format that the file's ending names."""
    from calibration.card.render import DPI_DEFAULT, render

    suffix = out.suffix.lower()
    if dpi is not None and suffix != ".png":
        typer.echo(f"--dpi matters to PNG only; {suffix} is drawn in exact lines.", err=True)
    return render(page, suffix, dpi or DPI_DEFAULT)
