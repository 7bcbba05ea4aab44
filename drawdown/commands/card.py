"""``drawdown card``: the printable reference card, its definition, or the enrolment of a print.

Raises ``WrongUsage`` for options that make no sense, ``BadFile`` when a file cannot be used
or written and ``PhotoUnfit`` when a photo is no good for enrolling. stdout gets the path of
each file written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.artwork import Dpi, PaperSize, check_drawing, drawing
from drawdown.commands.support.parse import read_choice

SHAPES = ("slip", "frame")


# Long by its options, one parameter each.
def card(  # long: one parameter a line
    out: Annotated[
        Path | None,
        typer.Argument(metavar="OUT.pdf", help="File to draw the card in: .pdf, .svg or .png."),
    ] = None,
    shape: Annotated[
        str,
        typer.Option(
            metavar="SHAPE", help="slip: lay it beside the strips. frame: lay it over them."
        ),
    ] = "slip",
    paper: PaperSize = "a4",
    dpi: Dpi = None,
    definition: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.toml",
            help="File to write the card's definition in: places, colours, uncertainty.",
        ),
    ] = None,
    enrol: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="SOURCE",
            help="Write the measured colours of your print into --definition, from a photo that "
            "shows it beside the --known card, or from an instrument's readings (CSV or "
            "CGATS.17). Once for each photo or table.",
        ),
    ] = None,
    known: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Definition of the card with known values in the photos."
        ),
    ] = None,
    card_file: Annotated[
        Path | None,
        typer.Option(
            "--card",
            metavar="FILE",
            help="Definition of the card to enrol, if it is not ours as drawn.",
        ),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(metavar="DAY", help="When it was read, as 2030-12-31 (else today)."),
    ] = None,
) -> None:
    """Make the reference card to print, write its definition, or enrol your print of it."""
    if enrol:
        if out is not None or definition is None:
            raise WrongUsage(
                "--enrol writes a definition, so it needs --definition OUT.toml and no drawing",
                "the measured colours have to go somewhere",
                "write, for instance: drawdown card --enrol readings.csv --definition my-card.toml",
            )
        _check_definition(definition)
        shape = read_choice("--shape", shape, SHAPES)
        if card_file is not None and shape != SHAPES[0]:
            raise WrongUsage("--shape and --card were both given", "each names the card to enrol",
                             "give the one that holds")  # fmt: skip
        from drawdown.commands.support.enrol import enrol_print

        enrol_print(enrol, definition, shape, card_file, known, date)
    else:
        _refuse_alone(known=known, card=card_file, date=date)
        _draw(out, definition, shape, paper, dpi)


def _draw(
    out: Path | None, definition: Path | None, shape: str, paper: str, dpi: int | None
) -> None:
    """Write the drawing, the definition, or both."""
    if out is None and definition is None:
        raise WrongUsage(
            "no file was named",
            "the card has to go somewhere",
            "write, for instance: drawdown card card.pdf",
        )
    shape = read_choice("--shape", shape, SHAPES)
    if out is not None:
        paper = check_drawing(out, paper, dpi)
    if definition is not None:
        _check_definition(definition)

    from calibration.card.toml import builtin_cards, write_card

    chosen = next(c for c in builtin_cards() if c.name == shape)
    if out is None and definition is not None:
        write_card(definition, chosen)
    elif out is not None:
        from calibration.card.artwork import card_page
        from calibration.files import writing_atomically

        data = drawing(card_page(chosen, paper), out, dpi)
        with writing_atomically(out) as stream:  # both files are written, or neither
            stream.write(data)
            if definition is not None:
                write_card(definition, chosen)
    for path in (definition, out):
        if path is not None:
            typer.echo(str(path))
    if out is not None:
        typer.echo(
            "Print it at 100 % on plain matt paper and check the 100 mm scale with a ruler.",
            err=True,
        )


def _refuse_alone(**options: object) -> None:
    for name, value in options.items():
        if value is not None:
            raise WrongUsage(
                f"--{name} was given without --enrol",
                "it tells how a printed card is enrolled",
                "write, for instance: drawdown card --enrol photo.jpg --known known.toml "
                "--definition my-card.toml",
            )


def _check_definition(definition: Path) -> None:
    opt.check_new_toml(
        definition,
        "a card definition is a TOML file",
        "a definition may hold measured colours",
        "drawdown card --definition card.toml",
    )
