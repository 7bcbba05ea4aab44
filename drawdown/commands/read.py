"""``drawdown read``: every strip in a photo, or in every photo of a folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.card_corners import check_card_corners


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
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """Measure every strip in the photo, without a verdict."""
    corners = (check_card_corners(card_corners),) if card_corners is not None else ()
    if os.path.isdir(photo):  # unlike Path.is_dir, no error for an impossible name
        if corners:
            raise WrongUsage(
                "--card-corners was given with a folder of photos",
                "the card lies elsewhere in each of them",
                "read the photos one by one, each with its own corners",
            )
        return _read_folder(photo, card, json)
    import sys

    from drawdown.judge import Options, read_strips
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal

    try:
        with ProgressLine() as progress:
            judgement = read_strips(photo, Options(card_path=card, card_corners=corners), progress)
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
    return 5 if any(flag.hard for flag in judgement.all_flags) else 0


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
