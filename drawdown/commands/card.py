"""``drawdown card``: the printable reference card, or its definition to edit.

Raises ``WrongUsage`` for options that make no sense and ``BadFile`` when a file cannot be
written. stdout gets the path of each file written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage

SHAPES = ("slip", "frame")
PAPERS = ("a4", "letter")
FORMATS = (".pdf", ".svg", ".png")


def card(
    out: Annotated[
        Path | None,
        typer.Argument(help="File to draw the card in: .pdf, .svg or .png.", show_default=False),
    ] = None,
    shape: Annotated[
        str,
        typer.Option(help="slip: lay it beside the strips. frame: lay it over them."),
    ] = "slip",
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    dpi: Annotated[
        int | None,
        typer.Option(help="Pixels per inch of a PNG, 72 to 2400 (else 600).", show_default=False),
    ] = None,
    definition: Annotated[
        Path | None,
        typer.Option(
            help="File (.toml) to write the card's definition in: places, colours, uncertainty.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Make the reference card to print, or write its definition to edit."""
    if out is None and definition is None:
        raise WrongUsage(
            "no file was named",
            "the card has to go somewhere",
            "write, for instance: drawdown card card.pdf",
        )
    check_choice("--shape", shape, SHAPES)
    if out is not None:
        check_drawing(out, paper, dpi)
    if definition is not None:
        _check_definition(definition)

    from calibration.card import builtin_cards, write_card

    chosen = next(c for c in builtin_cards() if c.name == shape)
    if definition is not None:
        write_card(definition, chosen)
        typer.echo(str(definition))
    if out is not None:
        from calibration.artwork_card import card_page

        write_drawing(card_page(chosen, paper), out, dpi)
        typer.echo(
            "Print it at 100 % on plain matt paper and check the 100 mm scale with a ruler.",
            err=True,
        )


def _check_definition(definition: Path) -> None:
    if definition.suffix.lower() != ".toml":
        raise WrongUsage(
            f"{definition} does not end in .toml",
            "a card definition is a TOML file",
            "write, for instance: drawdown card --definition card.toml",
        )
    if definition.exists():
        # It may hold values that someone paid to have measured.
        raise WrongUsage(
            f"{definition} exists already",
            "a definition may hold measured colours, so it is never written over",
            "choose another name, or move that file away first",
        )


def check_choice(option: str, value: str, allowed: tuple[str, ...]) -> None:
    """Raise ``WrongUsage`` unless an option has one of its values."""
    if value not in allowed:
        raise WrongUsage(
            f'{option} is "{value}", which is unknown',
            "only these can be drawn: " + ", ".join(allowed),
            f"write, for instance: {option} {allowed[0]}",
        )


def check_drawing(out: Path, paper: str, dpi: int | None) -> None:
    """Raise ``WrongUsage`` unless a page can be drawn so."""
    if out.suffix.lower() not in FORMATS:
        ending = f'"{out.suffix}"' if out.suffix else "no ending"
        raise WrongUsage(
            f"{out} has {ending}, which names no format that can be drawn",
            "the ending decides the format",
            "let the name end in .pdf (best for printing), .svg or .png",
        )
    check_choice("--paper", paper, PAPERS)
    if dpi is not None and not 72 <= dpi <= 2400:
        raise WrongUsage(
            f"--dpi is {dpi}",
            "below 72 nothing is legible and above 2400 no printer follows",
            "choose a number from 72 to 2400; 600 suits most printers",
        )


def write_drawing(page, out: Path, dpi: int | None) -> None:
    """Draw a page into a file and print the file's path."""
    from calibration.artwork_render import DPI_DEFAULT, render
    from calibration.files import write_atomically

    suffix = out.suffix.lower()
    if dpi is not None and suffix != ".png":
        typer.echo(f"--dpi matters to PNG only; {suffix} is drawn in exact lines.", err=True)
    write_atomically(out, render(page, suffix, dpi or DPI_DEFAULT))
    typer.echo(str(out))
