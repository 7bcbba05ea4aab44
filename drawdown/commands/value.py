"""``drawdown value``: Munsell value of each strip, and lightening to one with white or base."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.card_corners import check_card_corners
from drawdown.commands.match import check_picture, check_strips, read_mix


def value(
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
    shelf: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The inks you own; without it, the studio's shelf, or else starter pigments.",
        ),
    ] = None,
    batch_grams: Annotated[
        float | None,
        typer.Option(metavar="G", help="Weight of the batch, to be told grams to add."),
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
        Path | None, typer.Option(metavar="OUT.png", help="Also save the answer as a picture.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """How light is each ink, and what lightens it: white or base?"""
    check_value(to, strip_number, over, batch_grams, mix or [], shelf)
    parts = read_mix(mix or [])
    corners = (check_card_corners(card_corners),) if card_corners is not None else ()
    strips = check_strips(strip or [], 1, 1)
    if picture is not None:
        check_picture(picture, photo)
    import sys

    from drawdown.judge import Options, read_strips
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal
    from drawdown.shelf_files import shelf_in_use

    inks = shelf_in_use(shelf).shelf if to is not None else None
    named = inks.named_mix(parts) if inks is not None and parts else None
    try:
        with ProgressLine() as progress:
            options = Options(card_path=card, card_corners=corners, strips_by_hand=strips)
            seen = read_strips(photo, options, progress)
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text

            terminal.write_result(unfit_text("value", photo, unfit))
        raise
    plan = None
    if to is not None and inks is not None:
        from drawdown.value_read import plan_of

        plan = plan_of(seen, strip_number or 1, to, inks, named, over, batch_grams)
    if json:
        from drawdown.report.value_json import value_text

        terminal.write_result(value_text(seen, plan))
    else:
        from drawdown.report.value_text import value_screen

        terminal.write_result(value_screen(seen, plan, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.value_picture import save_values

        save_values(seen, plan, photo.name, picture)
    return 5 if any(flag.hard for flag in seen.all_flags) else 0


def check_value(
    to: float | None,
    strip_number: int | None,
    over: int | None,
    grams: float | None,
    mix: list[str],
    shelf: Path | None = None,
) -> None:
    """Refuse what makes no sense; raises ``WrongUsage``."""
    if to is not None and not 0 < to < 10:  # also refuses nan
        raise WrongUsage(
            f"--to is {to:g}, and a Munsell value lies between 0 (black) and 10 (white)",
            "it says how light the ink is to become",
            "white paper is near 9, a middle grey is 5",
        )
    for option, number in (("--strip-number", strip_number), ("--over", over)):
        if number is not None and number < 1:
            raise WrongUsage(
                f"{option} is {number}, and strips are numbered from 1",
                "the number says which strip is meant",
                "count the strips from left to right with the card upright",
            )
    if grams is not None and not (grams > 0 and math.isfinite(grams)):
        raise WrongUsage(
            f"--batch-grams is {grams:g}, and must be above 0",
            "the white or base to add is weighed out against it",
            "weigh the batch on the slab or in its tin, less the tin",
        )
    given = [
        option
        for option, there in (
            ("--strip-number", strip_number is not None), ("--over", over is not None),
            ("--mix", bool(mix)), ("--batch-grams", grams is not None),
            ("--shelf", shelf is not None),
        )
        if there
    ]  # fmt: skip
    if given and to is None:
        raise WrongUsage(
            f"{given[0]} was given without --to",
            "it belongs to lightening an ink, and no value to lighten to was given",
            "add --to and the value, for example --to 7",
        )
