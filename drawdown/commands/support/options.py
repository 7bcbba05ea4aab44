"""Options that several commands share, their checks, and the completion of the shelf's inks.

A command that needs other words for one of them has its own.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from calibration.errors import BadFile, WrongUsage
from drawdown.commands.support.parse import read_number
from drawdown.pipeline.options import check_batch_grams, check_strip_numbers, check_tolerance
from drawdown.report.text import terminal

__all__ = ["check_batch_grams", "check_strip_numbers", "check_tolerance"]


# Completion: whatever fails completes nothing, for a key press must never print an error ----


def inks(ctx: typer.Context, incomplete: str) -> list[str]:
    """The inks of the shelf, behind what is typed of a mix already."""
    with contextlib.suppress(Exception):
        from drawdown.studio.shelf_file import shelf_in_use

        said = ctx.params.get("shelf")
        names = shelf_in_use(Path(said) if said else None).shelf.names
        typed = re.match(r"(.*[,;+] *)?(.*)", incomplete)
        head, begun = (typed[1] or "", typed[2]) if typed else ("", incomplete)
        return [f"{head}{name}" for name in names if name.startswith(begun)]
    return []


# Options ---------------------------------------------------------------------------------


def option(
    metavar: str,
    said: str,
    *names: str,
    complete: Callable[..., list[str]] | None = None,
    parser: Callable[[str], Any] | None = None,
) -> Any:
    """An option that takes a value; ``said`` is its help. It goes by the parameter's name,
    unless ``names`` are given; ``parser`` reads what was typed."""
    return typer.Option(*names, metavar=metavar, help=said, autocompletion=complete, parser=parser)


def number(metavar: str, said: str, *names: str) -> Any:
    """An option that takes an amount, with a decimal point or comma and perhaps its unit."""
    return option(metavar, said, *names, parser=read_number)


def flag(said: str, *names: str) -> Any:
    """An option that is there or not."""
    return typer.Option(*names, help=said)


def argument(metavar: str, said: str, complete: Callable[..., list[str]] | None = None) -> Any:
    return typer.Argument(metavar=metavar, help=said, autocompletion=complete)


Full = Annotated[
    bool, typer.Option("--full", callback=terminal.ask_full, help="All the figures and remarks.")
]
AsJson = Annotated[bool, flag("Print JSON instead of text.", "--json")]
Strip = Annotated[
    str,
    option(
        "STRIP",
        "Which strip: 2 (counted from the left), left or right; or its place as X,Y,W,H in mm "
        "from the card's upper left corner (with px at the end: photo pixels).",
    ),
]
Strips = Annotated[
    list[str] | None,
    option(
        "STRIP",
        "Which strip: 2, left, right, or its place X,Y,W,H (mm from the card's upper left "
        "corner; with px: photo pixels). Repeat for more.",
    ),
]
CardFile = Annotated[
    Path | None, option("FILE", "Definition of the card in the photo, if not ours.")
]
CardCorners = Annotated[
    str | None,
    option(
        "POINTS",
        'The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright '
        "photo, clockwise from the card's upper left.",
    ),
]
Readings = Annotated[
    Path | None,
    option(
        "FILE",
        "An instrument's readings in place of a photo: Lab, XYZ or spectra, CSV or CGATS.17, a row "
        "a strip (drawdown guide readings).",
    ),
]
Instrument = Annotated[
    float | None,
    number("DE", "What that instrument may be off, Delta E with 95 % probability; else 1."),
]
MixParts = Annotated[
    list[str] | None,
    option(
        "MIX",
        'The mix, as "white 97, PB15:3 3": in parts, grams (3 g) or per cent (3 %).',
        complete=inks,
    ),
]
OriginalMix = Annotated[
    list[str] | None,
    option("MIX", "What the original was mixed from, if you know that too.", complete=inks),
]
Inks = Annotated[
    list[str] | None,
    option(
        "NAMES",
        'Which inks are in the mix, where you don\'t know how much of each: "white, PB15:3"; or '
        "only whether it is white or base.",
        complete=inks,
    ),
]
Grams = Annotated[
    float | None, number("G", "What the batch weighs now; amounts then come in grams.")
]
Scale = Annotated[
    float | None,
    number("G", "Smallest step your scale shows, as 0.1; remembered from then on."),
]
ShelfInUse = Annotated[
    Path | None,
    option("FILE", "The inks you own; without it, the studio's shelf, or else starter pigments."),
]
ShelfKept = Annotated[Path | None, option("FILE", "Another shelf than the studio's own.")]
ShelfOfNames = Annotated[Path | None, option("FILE", "The shelf with these inks' names.")]
PaperLab = Annotated[
    str | None, option("L,A,B", "The paper's colour; without it, an ordinary white.")
]
AnswerPicture = Annotated[
    Path | None, option("OUT.png", "Also save the answer as a picture: .png, .jpg, .svg or .pdf.")
]
ReportFile = Annotated[
    Path | None,
    option("OUT.html", "Also save a report to send or print: one file that needs no other."),
]
InkName = Annotated[str, argument("INK", "Its name, generic or Colour Index name.", complete=inks)]
Replace = Annotated[bool, flag("Overwrite a file of that name.", "--replace")]
Alone = Annotated[bool, flag("Start a new shelf without the starter colours.", "--alone")]
Yes = Annotated[bool, flag("Do not ask first.", "--yes")]
ReplaceInk = Annotated[bool, flag("Put it in the place of an ink of that name.", "--replace")]


# Checks ----------------------------------------------------------------------------------


def one_source(photo: Path | None, readings: Path | None, what: str = "PHOTO") -> Path:
    """The photo or the table of readings, whichever was given; raises ``WrongUsage`` for both and
    for neither."""
    if photo is not None and readings is not None:
        raise WrongUsage(
            f"{photo} and --readings were both given",
            "a mean of a camera and an instrument would be worse than the instrument alone",
            "give the photo or the readings",
        )
    given = photo or readings
    if given is None:
        raise WrongUsage(
            "PHOTO was not given, nor --readings",
            "the colours of strips are read from one of them",
            f"give {what}, or --readings FILE with an instrument's table",
        )
    return given


PICTURES = (".png", ".jpg", ".jpeg", ".svg", ".pdf")
REPORTS = (".html", ".htm")


def check_out(
    out: Path | None, endings: tuple[str, ...], replace: bool, photo: Path | None = None
) -> None:
    """Find out before the work, not after, that a file cannot be written: one rule for all. A
    file that is there already is written over only where a person says so, now or with
    ``--replace``; the photo that is read, never. Raises ``WrongUsage`` and ``BadFile``."""
    if out is None:
        return
    if out.suffix.lower() not in endings:
        raise WrongUsage(
            f"{out} does not end in {' or '.join(endings)}",
            "the ending tells other programs what is in it",
            f"write, for instance: {(out.stem or 'out') + endings[0]}",
        )
    try:
        there, folder = out.exists(), out.is_dir() or not out.absolute().parent.is_dir()
        itself = there and photo is not None and photo.exists() and out.samefile(photo)
    except (OSError, ValueError):
        return  # told when it is written
    if itself:
        raise WrongUsage(
            f"{out} is the photo itself",
            "the photo would be overwritten",
            "give the file another name",
        )
    if folder:
        raise BadFile(
            f"{out} cannot be written: "
            + ("that is a folder" if out.is_dir() else "its folder does not exist"),
            "better to hear of it now than after the work",
            "give the name of a file in a folder that exists",
        )
    if not there or replace:
        return
    if terminal.is_tty(sys.stdin) and terminal.is_tty(sys.stderr):
        terminal.write(f"{out} is there already. Write over it? [y/N] ", sys.stderr)
        if sys.stdin.readline().strip().casefold() in ("y", "yes"):
            return
    raise WrongUsage(
        f"{out} is there already",
        "nothing is written over without asking",
        "choose another name, or say --replace",
    )


def check_outputs(
    picture: Path | None, report: Path | None, replace: bool, photo: Path | None = None
) -> None:
    """The same for a picture and a report of one answer."""
    check_picture(picture, replace, photo)
    check_out(report, REPORTS, replace, photo)


def check_picture(picture: Path | None, replace: bool, photo: Path | None = None) -> None:
    check_out(picture, PICTURES, replace, photo)
