"""Options that several commands share, their checks, and the completion of the shelf's inks.

A command that needs other words for one of them has its own.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import BadFile, WrongUsage
from drawdown.pipeline.options import (
    check_batch_grams,
    check_strip_numbers,
    check_strips,
    check_tolerance,
)
from drawdown.report.text import terminal

__all__ = ["check_batch_grams", "check_strip_numbers", "check_strips", "check_tolerance"]


# Completion: whatever fails completes nothing, for a key press must never print an error ----


def inks(ctx: typer.Context, incomplete: str) -> list[str]:
    """The inks of the shelf, each with an equals sign to put its parts behind."""
    with contextlib.suppress(Exception):
        from drawdown.studio.shelf_file import shelf_in_use

        said = ctx.params.get("shelf")
        names = shelf_in_use(Path(said) if said else None).shelf.names
        return [f"{name}=" for name in names if name.startswith(incomplete)]
    return []


def plain_inks(ctx: typer.Context, incomplete: str) -> list[str]:
    return [name.rstrip("=") for name in inks(ctx, incomplete)]


# Options ---------------------------------------------------------------------------------

Full = Annotated[
    bool, typer.Option("--full", callback=terminal.ask_full, help="All the figures and remarks.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
StripNumber = Annotated[
    int, typer.Option("--strip-number", metavar="K", help="Which strip, counted from the left.")
]
CardFile = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Definition of the card in the photo, if not ours."),
]
CardCorners = Annotated[
    str | None,
    typer.Option(
        metavar="POINTS",
        help='The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright '
        "photo, clockwise from the card's upper left.",
    ),
]
MixParts = Annotated[
    list[str] | None,
    typer.Option(
        "--mix", metavar="INK=PARTS", autocompletion=inks,
        help="One ink of the mix and its parts; repeat for each ink.",
    ),
]  # fmt: skip
StripPlaces = Annotated[
    list[str] | None,
    typer.Option(
        "--strip",
        metavar="X,Y,W,H",
        help="Place a strip by hand: mm from the card's upper left corner, or photo pixels "
        "with px at the end; repeat, in order.",
    ),
]
ShelfInUse = Annotated[
    Path | None,
    typer.Option(
        "--shelf",
        metavar="FILE",
        help="The inks you own; without it, the studio's shelf, or else starter pigments.",
    ),
]
ShelfKept = Annotated[
    Path | None,
    typer.Option("--shelf", metavar="FILE", help="Another shelf than the studio's own."),
]
ShelfOfNames = Annotated[
    Path | None,
    typer.Option("--shelf", metavar="FILE", help="The shelf that the inks' names are of."),
]
BatchGrams = Annotated[
    float | None,
    typer.Option(
        "--batch-grams", metavar="G", help="Weight of the batch, to be told grams to add."
    ),
]
PaperLab = Annotated[
    str | None,
    typer.Option(
        "--paper", metavar="L,A,B", help="The paper's colour; without it, an ordinary white."
    ),
]
WetOnWet = Annotated[
    bool, typer.Option("--wet", help="Layers are printed on layers that are still wet.")
]
AnswerPicture = Annotated[
    Path | None,
    typer.Option("--picture", metavar="OUT.png", help="Also save the answer as a picture."),
]
InkName = Annotated[
    str, typer.Argument(metavar="INK", help="Its name, generic or Colour Index name.")
]
ReplaceInk = Annotated[
    bool, typer.Option("--replace", help="Put it in the place of an ink of that name.")
]


# Checks ----------------------------------------------------------------------------------


def check_picture(picture: Path | None, photo: Path | None = None) -> None:
    """Find out before the measuring, not after, that the picture cannot be saved."""
    if picture is None:
        return
    if picture.suffix.lower() != ".png":
        raise WrongUsage(
            f"--picture {picture} does not end in .png",
            "PNG keeps the colours of the swatches exactly",
            "give a name that ends in .png",
        )
    if photo is not None and picture.exists() and photo.exists() and picture.samefile(photo):
        raise WrongUsage(
            f"--picture {picture} is the photo itself",
            "the photo would be overwritten",
            "give the picture another name",
        )
    if picture.is_dir() or not picture.absolute().parent.is_dir():
        raise BadFile(
            f"the picture {picture} cannot be saved: "
            + ("that is a folder" if picture.is_dir() else "its folder does not exist"),
            "better to hear of it now than after the measuring",
            "give the name of a file in a folder that exists",
        )


def check_new_toml(out: Path, what: str, holds: str, example: str) -> None:
    """A file that is to be written is TOML and not there yet; raises ``WrongUsage``."""
    if out.suffix.lower() != ".toml":
        raise WrongUsage(f"{out} does not end in .toml", what, f"write, for instance: {example}")
    if out.exists():
        raise WrongUsage(
            f"{out} exists already",
            f"{holds}, so it is never written over",
            "choose another name, or move that file away first",
        )
