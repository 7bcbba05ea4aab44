"""``drawdown plan covers``: how far each strip that crosses a black bar covers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import (
    deliver,
    only_strips,
    photo_options,
    read_photo,
    unfit_in_json,
)
from drawdown.commands.support.parse import read_strips


# Long by its options, one parameter each.
def covers(
    photo: Annotated[
        Path | None, opt.argument("[PHOTO]", "Photo of strips across a black bar, and card.")
    ] = None,
    readings: opt.Readings = None,
    instrument: opt.Instrument = None,
    base_strip: Annotated[
        str | None,
        opt.option(
            "STRIP",
            "This strip is transparent base alone: lightness over black is compared with it, "
            "not with the bare bar.",
        ),
    ] = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    strip: opt.Strips = None,
    picture: Annotated[
        Path | None, opt.option("OUT.png", "Also save the strips as a ladder of opacity.")
    ] = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """How far does each ink cover? Strips must cross a black bar."""
    numbers, places = read_strips(strip)
    base = read_strips([base_strip])[0][0] if base_strip else None
    options = photo_options(card, card_corners, places, readings=readings, instrument=instrument)
    photo = opt.one_source(photo, readings)
    opt.check_picture(picture, replace, photo)
    with unfit_in_json("opacity", photo, json):
        seen = read_photo(photo, options)
        from drawdown.pipeline.opacity import read_opacities

        rows = read_opacities(seen, base)
        seen = only_strips(seen, () if places else numbers)
        chosen = {s.number for s in seen.strips}
        rows = tuple(row for row in rows if row.number in chosen)
    from drawdown.report.json.opacity import opacity_json
    from drawdown.report.pictures.opacity import draw_opacity
    from drawdown.report.text.opacity import opacity_screen

    answer, flags = (seen, rows), seen.all_flags
    return deliver(json, answer, opacity_json, opacity_screen, picture, draw_opacity, flags)
