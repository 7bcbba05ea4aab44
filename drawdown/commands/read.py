"""``drawdown read``: every strip in a photo, or in every photo of a folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import (
    deliver,
    only_strips,
    photo_options,
    read_photo,
    unfit_in_json,
)
from drawdown.commands.support.parse import read_strips

if TYPE_CHECKING:
    from PIL import Image

    from drawdown.pipeline.read import Judgement


def read(
    photo: Annotated[
        Path | None, opt.argument("[PHOTO]", "Photo of strips and card, or a folder of photos.")
    ] = None,
    readings: opt.Readings = None,
    instrument: opt.Instrument = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    strip: opt.Strips = None,
    picture: Annotated[
        Path | None, opt.option("OUT.png", "Also save a picture that names the strips.")
    ] = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """Measure every strip in the photo, without a verdict."""
    numbers, places = read_strips(strip)
    options = photo_options(card, card_corners, places, readings=readings, instrument=instrument)
    photo = opt.one_source(photo, readings)
    if os.path.isdir(photo):  # unlike Path.is_dir, no error for an impossible name
        _refuse_for_folder(card_corners, strip, picture)
        return _read_folder(photo, card, json)
    opt.check_picture(picture, replace, photo)
    with unfit_in_json("read", photo, json):
        seen = only_strips(read_photo(photo, options), () if places else numbers)
    from drawdown.report.json.match import read_json
    from drawdown.report.text.match import read_screen

    def draw(seen: Judgement) -> Image.Image:
        from drawdown.report.pictures.answer import draw_picture

        return draw_picture(seen)

    return deliver(json, (seen,), read_json, read_screen, picture, draw, seen.all_flags)


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
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.folder import read_folder
    from drawdown.report.json.match import folder_json
    from drawdown.report.text.folder import folder_screen

    with ProgressLine() as progress:
        readings = list(read_folder(folder, card, progress))
    deliver(json, (folder, readings), folder_json, folder_screen)
    return max((r.exit_code for r in readings), default=0)
