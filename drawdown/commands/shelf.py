"""``drawdown shelf``: the inks whose figures are known, or a file of them to edit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt

if TYPE_CHECKING:
    from drawdown.ink.shelf import Shelf


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
) -> None:
    """List the inks that --mix and the advice know, with their cautions."""
    if write is not None:
        _check_out(write)

    import sys

    from drawdown.ink.shelf import write_shelf
    from drawdown.report.text import terminal
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    inks = used.shelf
    if write is not None:
        write_shelf(inks, write)
        terminal.write_aside(f"Written to {write}: keep the inks you own, and use it with --shelf.")
    if json:
        from drawdown.report.text.ink import shelf_json

        terminal.write_result(shelf_json(used))
    else:
        terminal.write_result(shelf_text(inks, terminal.width(sys.stdout)))


def shelf_text(shelf: Shelf, columns: int) -> str:
    """The shelf as a table of names, kinds, Colour Index names and generic names, and its
    cautions below, for a screen of so many columns."""
    from drawdown.report.text.terminal import wrap

    rows = [("ink", "kind", "Colour Index", "also called")]
    rows += [(i.name, i.kind, i.colour_index or "-", i.generic_name or "-") for i in shelf]
    widths = [max(len(row[c]) for row in rows) for c in range(3)]
    lines = [shelf.title, ""] if shelf.title else []
    for row in rows:
        start = "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=False))
        if len(start) + 2 + len(row[3]) <= columns:
            lines.append(f"{start}  {row[3]}".rstrip())
        else:  # a narrow screen: the name alone, the rest below
            lines += [row[0], *wrap(", ".join(row[1:]), columns, "   ")]
    by_text: dict[str, list[str]] = {}
    for ink in shelf:
        if ink.caution:
            by_text.setdefault(ink.caution, []).append(ink.name)
    if by_text:
        lines += ["", "Cautions"]
        for text, names in by_text.items():
            lines += wrap(f"{', '.join(names)}: {text}.", columns, "  ", "    ")
        lines += wrap(
            "No caution here does not mean harmless: read the safety data sheet of every ink.",
            columns, "  ", "    ",
        )  # fmt: skip
    return "\n".join(lines)


def _check_out(out: Path) -> None:
    if out.suffix.lower() != ".toml":
        raise WrongUsage(
            f"{out} does not end in .toml",
            "a shelf is a TOML file",
            "write, for instance: drawdown shelf --write my-inks.toml",
        )
    if out.exists():
        raise WrongUsage(
            f"{out} exists already",
            "it may hold figures of your own inks, so it is never written over",
            "choose another name, or move that file away first",
        )
