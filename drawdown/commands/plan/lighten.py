"""``drawdown plan lighten``: value of each strip, and lightening to one with white or base."""

from __future__ import annotations

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
from drawdown.commands.support.parse import read_mix, read_strips

if TYPE_CHECKING:
    from calibration.colour.notation import Notation


# Long by its options, one parameter each.
def lighten(  # long: one parameter a line
    photo: Annotated[Path | None, opt.argument("[PHOTO]", "Photo of strips and card.")] = None,
    readings: opt.Readings = None,
    instrument: opt.Instrument = None,
    to: Annotated[
        float | None, opt.number("V", "Value to lighten a strip's ink to, with white or with base.")
    ] = None,
    strip: opt.Strips = None,
    over: Annotated[
        str | None,
        opt.option("STRIP", "Show both results over the colour of this strip (else over black)."),
    ] = None,
    mix: opt.MixParts = None,
    notation: Annotated[
        bool, opt.flag("Also the full notation: hue, value and chroma.", "--notation")
    ] = False,
    grams: opt.Grams = None,
    shelf: opt.ShelfInUse = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    picture: opt.AnswerPicture = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """How light is each ink, and what lightens it: white or base?"""
    said = read_mix(mix)
    parts = None if said is None else said.amounts
    grams = grams if grams is not None or said is None else said.grams
    numbers, places = read_strips(strip)
    above = read_strips([over])[0][0] if over else None
    _check(to, over, grams, mix, shelf)
    options = photo_options(card, card_corners, places, readings=readings, instrument=instrument)
    photo = opt.one_source(photo, readings)
    opt.check_picture(picture, replace, photo)
    from drawdown.studio.shelf_file import shelf_in_use

    inks = shelf_in_use(shelf).shelf if to is not None else None
    named = inks.named_mix(parts) if inks is not None and parts else None
    with unfit_in_json("value", photo, json):
        seen = read_photo(photo, options)
    plan = None
    if to is None and not places:
        seen = only_strips(seen, numbers)
    if to is not None and inks is not None:
        from drawdown.pipeline.value import plan_of
        from drawdown.studio.scale import scale_step

        which = numbers[0] if numbers else 1
        plan = plan_of(seen, which, to, inks, named, above, grams, scale_step())
    from drawdown.report.json.value import value_json
    from drawdown.report.pictures.value import draw_value
    from drawdown.report.text.value import value_screen

    notations: dict[int, Notation] = {}
    if notation:  # only then: it loads a large library
        from calibration.colour.notation import notation as notation_of

        notations = {s.number: notation_of(s.lab_d50, s.widest_u95) for s in seen.strips}
    answer, flags = (seen, plan, notations), seen.all_flags
    return deliver(json, answer, value_json, value_screen, picture, draw_value, flags)


def _check(
    to: float | None,
    over: str | None,
    grams: float | None,
    mix: list[str] | None,
    shelf: Path | None,
) -> None:
    """Refuse what makes no sense; raises ``WrongUsage``."""
    if to is not None and not 0 < to < 10:  # also refuses nan
        raise WrongUsage(
            f"--to is {to:g}, and a value lies between 0 (black) and 10 (white)",
            "it says how light the ink is to become",
            "white paper is near 9, a middle grey is 5",
        )
    opt.check_batch_grams(grams, "white or base")
    belong = {"--over": over, "--mix": mix or None, "--grams": grams, "--shelf": shelf}
    given = [option for option, value in belong.items() if value is not None]
    if given and to is None:
        raise WrongUsage(
            f"{given[0]} was given without --to",
            "it belongs to lightening an ink, and no value to lighten to was given",
            "add --to and the value, for example --to 7",
        )
