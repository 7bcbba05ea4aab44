"""``drawdown quantity``: how much ink an edition needs, and whether what is left suffices."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import save_drawn, tell
from drawdown.defaults import WASTE_PERCENT

if TYPE_CHECKING:
    from drawdown.printing.quantity import PrintedArea, Range

MOST_PRINTS = 100_000
MOST_AMOUNT = 10_000  # of grams, per cent or g/m2


def quantity(
    block: Annotated[
        Path | None,
        typer.Argument(
            metavar="PICTURE",
            help="Scan or photo of the block or a print, cut to its edges: dark prints.",
        ),
    ] = None,
    width_mm: Annotated[
        float | None,
        typer.Option(metavar="W", help="How wide the picture is in nature."),
    ] = None,
    light: Annotated[
        bool, typer.Option("--light", help="In the picture the light parts print.")
    ] = False,
    area_cm2: Annotated[
        float | None, typer.Option(metavar="A", help="The printed area, instead of a picture.")
    ] = None,
    prints: Annotated[int, typer.Option(metavar="N", help="How many prints.")] = 1,
    way: Annotated[
        str, typer.Option(metavar="WAY", help="relief (by hand) or litho: how thick the film is.")
    ] = "relief",
    film_weight: Annotated[
        str | None,
        typer.Option(metavar="G_M2", help="Your own film weight in g/m2, as 6 or as a range 4-9."),
    ] = None,
    used: Annotated[
        str | None,
        typer.Option(
            metavar="G/N",
            help="Ink that went for earlier prints of this block, as 18/20: 18 g for 20 prints.",
        ),
    ] = None,
    waste: Annotated[
        str | None,
        typer.Option(metavar="PERCENT", help="Proofs and spoilt prints, as 10 or 5-20."),
    ] = None,
    stays: Annotated[
        str | None,
        typer.Option(metavar="G", help="What stays on slab, knife and roller, as 10 or 5-20."),
    ] = None,
    mix: Annotated[
        list[str] | None,
        typer.Option(metavar="INK=PARTS", help="One ink of the mix and its parts; repeat."),
    ] = None,
    left: Annotated[
        float | None, typer.Option(metavar="G", help="What is left of the mix: does it suffice?")
    ] = None,
    shelf: opt.ShelfInUse = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save a picture of what was counted as printed."),
    ] = None,
    json: opt.AsJson = False,
) -> int:
    """How much ink an edition needs; does what is left suffice?"""
    _check(block, width_mm, area_cm2, prints, left, light, way)
    parts = opt.read_mix(mix or [])
    if shelf is not None and not parts:
        raise WrongUsage(
            "--shelf was given without --mix",
            "without a mix nothing is asked of the shelf",
            "say what the colour is mixed from with --mix, or leave --shelf out",
        )
    if picture is not None:
        opt.check_picture(picture, block)
        if block is None:
            raise WrongUsage(
                "--picture was given without a picture of the block",
                "it shows what was counted as printed",
                "give the picture of the block, or leave --picture out",
            )
    film_given, waste_given, stays_given = (
        _range(text, option)
        for text, option in ((film_weight, "--film-weight"), (waste, "--waste"), (stays, "--stays"))
    )
    used_given = None if used is None else _used(used, film_weight)

    from drawdown.printing import quantity as room
    from drawdown.report.text import quantity as report

    named = cautions = None
    if parts:
        from drawdown.studio.shelf_file import shelf_in_use

        inks = shelf_in_use(shelf).shelf
        named = inks.named_mix(parts)
        cautions = [f"{i.name}: {i.caution}." for i in inks if i.name in named and i.caution]
    measured = None if block is None else _measure(block, width_mm, light)
    area = measured.area_cm2 if measured else room.about(area_cm2, room.AREA_FIGURE)
    nothing = room.Range(0.0, 0.0, 0.0)
    film = film_given or room.between(*room.FILM_G_M2[way])
    if used_given:
        film = room.film_from_use(*used_given, area)
    wanted = room.need(
        area,
        film,
        prints,
        waste_given or (nothing if used_given else room.between(*WASTE_PERCENT)),
        stays_given or (nothing if used_given else room.between(*room.STAYS_G)),
    )
    answer = report.Answer(
        wanted,
        None if left is None else room.suffices(wanted, left),
        named,
        measured,
        report.film_source(way, bool(film_given), used),
        cautions or [],
        None if block is None else str(block),
        used is not None,
    )
    tell(
        json,
        lambda: report.quantity_json(answer),
        lambda screen: report.quantity_text(answer, screen),
    )
    if picture is not None:
        from drawdown.report.pictures.quantity import draw_quantity

        save_drawn(picture, draw_quantity(answer))
    return 0


def _measure(block: Path, width_mm: float, light: bool) -> PrintedArea:
    """The printed part of the picture."""
    from drawdown.pipeline.printed_area import read_grey
    from drawdown.printing.quantity import printed_area

    grey = read_grey(block)
    try:
        return printed_area(grey, width_mm, light)
    except ValueError:
        raise PhotoUnfit(
            f"the picture {block} has one shade of grey all over",
            "the printed part is told by being darker or lighter than the rest",
            "give a scan or photo with both, or state the area with --area-cm2",
        ) from None


def _check(block, width_mm, area_cm2, prints, left, light, way) -> None:
    """Refuse numbers that make no sense; raises ``WrongUsage``."""
    if (block is None) == (area_cm2 is None):
        raise WrongUsage(
            "give either a picture of the block or --area-cm2"
            + (", not both" if block is not None else ""),
            "the ink goes by the printed area",
            "write for example: drawdown quantity block.png --width-mm 210 --prints 30",
        )
    if block is not None and width_mm is None:
        raise WrongUsage(
            "--width-mm is missing",
            "a picture does not say how large the block is",
            "measure how wide the picture is in nature, from edge to edge",
        )
    if block is None and (width_mm is not None or light):
        raise WrongUsage(
            "--width-mm and --light belong to a picture, and none was given",
            "the area was stated with --area-cm2",
            "leave them out, or give the picture",
        )
    for option, value, most in (
        ("--width-mm", width_mm, 1e4),
        ("--area-cm2", area_cm2, 1e6),
        ("--left", left, 1e6),
    ):
        if value is not None and not 0 < value <= most:
            raise WrongUsage(
                f"{option} is {value:g}, and must lie above 0 and not above {most:.0f}",
                "amounts and sizes are positive numbers",
                "check the number and its unit",
            )
    if not 1 <= prints <= MOST_PRINTS:
        raise WrongUsage(
            f"--prints is {prints}, and must lie between 1 and {MOST_PRINTS}",
            "it is how many prints the edition has",
            "count the whole edition; proofs go into --waste",
        )
    if way not in ("relief", "litho"):
        raise WrongUsage(
            f'--way is "{way}", and can be relief or litho',
            "the film weight is only known for these",
            "for any other way give your own film weight with --film-weight",
        )


def _range(text: str | None, option: str) -> Range | None:
    """``6`` or ``4-9`` as a range; None when not given."""
    if text is None:
        return None
    from drawdown.printing.quantity import OWN_FIGURE, Range, about, between

    try:
        numbers = [float(part) for part in text.split("-")]
    except ValueError:
        numbers = [math.nan]
    zero_is_fine = option != "--film-weight"
    if zero_is_fine and numbers == [0.0]:
        return Range(0.0, 0.0, 0.0)
    ends = numbers[0], numbers[-1]
    if len(numbers) > 2 or not (0 < ends[0] <= ends[1] < MOST_AMOUNT):
        raise WrongUsage(
            f'{option} "{text}" is not an amount or a range of two',
            f"it goes into the weight of ink as a number above 0 and below {MOST_AMOUNT:g}"
            + (", or 0 for none" if zero_is_fine else ""),
            f"write for example {option} 6 or {option} 4-9, with a point for decimals",
        )
    return about(numbers[0], OWN_FIGURE) if len(numbers) == 1 else between(*ends)


def _used(text: str, film_weight: str | None) -> tuple[float, int]:
    """``18/20`` as (grams, prints)."""
    if film_weight is not None:
        raise WrongUsage(
            "--used and --film-weight were both given",
            "either says how thick the film is",
            "give one of them",
        )
    grams, _, count = text.partition("/")
    try:
        pair = float(grams), int(count)
    except ValueError:
        pair = (math.nan, 0)
    if not (0 < pair[0] < 1e6 and 1 <= pair[1] <= MOST_PRINTS):
        raise WrongUsage(
            f'--used "{text}" is not grams and prints',
            "it says how much ink went for how many prints",
            "weigh the ink before and after, and write for example --used 18/20",
        )
    return pair
