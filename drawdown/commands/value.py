"""``drawdown value``: Munsell value of each strip, and lightening to one with white or base."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, read_photo, unfit_in_json
from drawdown.commands.support.parse import read_mix

if TYPE_CHECKING:
    from calibration.colour.notation import Notation


# Long by its options, one parameter each.
def value(  # long: one parameter a line
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo of strips and card.")],
    to: Annotated[
        float | None,
        typer.Option(
            metavar="V", help="Munsell value to lighten a strip's ink to, with white or with base."
        ),
    ] = None,
    strip_number: Annotated[
        int | None, typer.Option(metavar="N", help="Number of the strip to lighten (else 1).")
    ] = None,
    over: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Show both results over the colour of strip N (else over black)."
        ),
    ] = None,
    mix: Annotated[
        list[str] | None,
        typer.Option(
            metavar="INK=PARTS",
            help="One ink of the strip's mix and its parts; repeat for each ink.",
        ),
    ] = None,
    notation: Annotated[
        bool,
        typer.Option("--notation", help="Also the full Munsell notation: hue, value and chroma."),
    ] = False,
    shelf: opt.ShelfInUse = None,
    batch_grams: opt.BatchGrams = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    strip: opt.StripPlaces = None,
    picture: opt.AnswerPicture = None,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """How light is each ink, and what lightens it: white or base?"""
    _check(to, strip_number, over, batch_grams, mix, shelf)
    parts = read_mix(mix or [])
    options = photo_options(card, card_corners, strip)
    opt.check_picture(picture, photo)
    from drawdown.studio.shelf_file import shelf_in_use

    inks = shelf_in_use(shelf).shelf if to is not None else None
    named = inks.named_mix(parts) if inks is not None and parts else None
    with unfit_in_json("value", photo, json):
        seen = read_photo(photo, options)
    plan = None
    if to is not None and inks is not None:
        from drawdown.pipeline.value import plan_of

        plan = plan_of(seen, strip_number or 1, to, inks, named, over, batch_grams)
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
    strip_number: int | None,
    over: int | None,
    grams: float | None,
    mix: list[str] | None,
    shelf: Path | None,
) -> None:
    """Refuse what makes no sense; raises ``WrongUsage``."""
    if to is not None and not 0 < to < 10:  # also refuses nan
        raise WrongUsage(
            f"--to is {to:g}, and a Munsell value lies between 0 (black) and 10 (white)",
            "it says how light the ink is to become",
            "white paper is near 9, a middle grey is 5",
        )
    opt.check_strip_numbers(strip_number=strip_number, over=over)
    opt.check_batch_grams(grams, "white or base")
    belong = {"--strip-number": strip_number, "--over": over, "--mix": mix or None,
              "--batch-grams": grams, "--shelf": shelf}  # fmt: skip
    given = [option for option, value in belong.items() if value is not None]
    if given and to is None:
        raise WrongUsage(
            f"{given[0]} was given without --to",
            "it belongs to lightening an ink, and no value to lighten to was given",
            "add --to and the value, for example --to 7",
        )
