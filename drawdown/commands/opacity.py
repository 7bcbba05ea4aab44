"""``drawdown opacity``: how far each strip that crosses a black bar covers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.card_corners import check_card_corners
from drawdown.commands.match import check_picture, check_strips


def opacity(
    photo: Annotated[
        Path, typer.Argument(metavar="PHOTO", help="Photo of strips across a black bar, and card.")
    ],
    base_strip: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Strip N is transparent base alone: lightness over black is compared with it, "
            "not with the bare bar.",
        ),
    ] = None,
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
        typer.Option(metavar="OUT.png", help="Also save the strips as a ladder of opacity."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """How far does each ink cover? Strips must cross a black bar."""
    if base_strip is not None and base_strip < 1:
        raise WrongUsage(
            f"--base-strip is {base_strip}, and strips are numbered from 1",
            "the number says which strip is base alone",
            "count the strips from left to right with the card upright",
        )
    corners = (check_card_corners(card_corners),) if card_corners is not None else ()
    strips = check_strips(strip or [], 1, 1)
    if picture is not None:
        check_picture(picture, photo)
    import sys

    from drawdown.judge import Options, read_strips
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal

    try:
        with ProgressLine() as progress:
            options = Options(card_path=card, card_corners=corners, strips_by_hand=strips)
            seen = read_strips(photo, options, progress)
        from drawdown.opacity_read import read_opacities

        rows = read_opacities(seen, base_strip)
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text

            terminal.write_result(unfit_text("opacity", photo, unfit))
        raise
    if json:
        from drawdown.report.opacity_json import opacity_text

        terminal.write_result(opacity_text(seen, rows))
    else:
        from drawdown.report.opacity_text import opacity_screen

        terminal.write_result(opacity_screen(seen, rows, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.opacity_picture import save_ladder

        save_ladder(rows, photo.name, picture)
    return 5 if any(flag.hard for flag in seen.all_flags) else 0
