"""``drawdown opacity``: how far each strip that crosses a black bar covers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, read_photo, unfit_in_json


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
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    strip: opt.StripPlaces = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save the strips as a ladder of opacity."),
    ] = None,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """How far does each ink cover? Strips must cross a black bar."""
    opt.check_strip_numbers(base_strip=base_strip)
    options = photo_options(card, card_corners, strip)
    opt.check_picture(picture, photo)
    with unfit_in_json("opacity", photo, json):
        seen = read_photo(photo, options)
        from drawdown.pipeline.opacity import read_opacities

        rows = read_opacities(seen, base_strip)
    from drawdown.report.json.opacity import opacity_json
    from drawdown.report.pictures.opacity import draw_opacity
    from drawdown.report.text.opacity import opacity_screen

    answer, flags = (seen, rows), seen.all_flags
    return deliver(json, answer, opacity_json, opacity_screen, picture, draw_opacity, flags)
