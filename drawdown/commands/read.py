"""``drawdown read``: every strip in a photo, or in every photo of a folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.card_corners import check_card_corners
from drawdown.commands.match import check_picture, check_strips


def read(
    photo: Annotated[
        Path,
        typer.Argument(metavar="PHOTO", help="Photo of strips and card, or a folder of photos."),
    ],
    card: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Definition of the card in the photo, if not ours."),
    ] = None,
    card_corners: Annotated[
        str | None,
        typer.Option(
            metavar="POINTS",
            help='The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright '
            "photo, clockwise from the card's upper left.",
        ),
    ] = None,
    strip: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,W,H",
            help="Place a strip by hand: mm from the card's upper left corner, or photo pixels "
            "with px at the end; repeat, in order.",
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save a picture that names the strips."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """Measure every strip in the photo, without a verdict."""
    corners = (check_card_corners(card_corners),) if card_corners is not None else ()
    strips = check_strips(strip or [], 1, 1)
    if os.path.isdir(photo):  # unlike Path.is_dir, no error for an impossible name
        _refuse_for_folder(card_corners, strip, picture)
        return _read_folder(photo, card, json)
    if picture is not None:
        check_picture(picture, photo)
    import sys

    from drawdown.judge import Options, read_strips
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal

    try:
        with ProgressLine() as progress:
            options = Options(card_path=card, card_corners=corners, strips_by_hand=strips)
            judgement = read_strips(photo, options, progress)
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text

            terminal.write_result(unfit_text("read", photo, unfit))
        raise
    if json:
        from drawdown.report.json import read_text

        terminal.write_result(read_text(judgement))
    else:
        from drawdown.report.text import read_screen

        terminal.write_result(read_screen(judgement, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.picture import save_picture

        save_picture(judgement, picture)
    return 5 if any(flag.hard for flag in judgement.all_flags) else 0


def _refuse_for_folder(
    card_corners: str | None, strips: list[str] | None, picture: Path | None
) -> None:
    for option, given, why in (
        ("--card-corners", card_corners, "the card lies elsewhere in each of them"),
        ("--strip", strips, "the strips lie elsewhere in each of them"),
        ("--picture", picture, "one picture shows one photo"),
    ):
        if given:
            raise WrongUsage(
                f"{option} was given with a folder of photos",
                why,
                f"read the photos one by one, each with its own {option}",
            )


def _read_folder(folder: Path, card: Path | None, json: bool) -> int:
    """One line for each strip, or JSON; 0 when every photo could be read."""
    import sys

    from drawdown.folder import read_folder
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal
    from drawdown.report.folder import folder_screen, folder_text

    with ProgressLine() as progress:
        readings = list(read_folder(folder, card, progress))
    if json:
        terminal.write_result(folder_text(folder, readings))
    else:
        terminal.write_result(folder_screen(readings, terminal.screen(sys.stdout)))
    return max((r.exit_code for r in readings), default=0)
