"""``drawdown plan amount``: how much ink an edition needs, and whether what is left is enough."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver
from drawdown.commands.support.parse import MOST_PRINTS, read_parts, read_range, read_used
from drawdown.defaults import WASTE_PERCENT

if TYPE_CHECKING:
    from drawdown.printing.quantity import PrintedArea


# Long by its options, one parameter each.
def amount(  # long: one parameter a line
    block: Annotated[
        Path | None,
        opt.argument(
            "PICTURE", "Scan or photo of the block or a print, cut to its edges: dark prints."
        ),
    ] = None,
    width_mm: Annotated[float | None, opt.number("MM", "How wide the block or print is.")] = None,
    light: Annotated[bool, opt.flag("The light parts of the picture print.", "--light")] = False,
    area_cm2: Annotated[
        float | None, opt.number("CM2", "The printed area, instead of a picture.")
    ] = None,
    prints: Annotated[int, opt.option("N", "How many prints.")] = 1,
    way: Annotated[
        str, opt.option("WAY", "relief (by hand) or litho: how thick the film is.")
    ] = "relief",
    film_weight: Annotated[
        str | None, opt.option("G_M2", "Your own film weight in g/m2, as 6 or as a range 4-9.")
    ] = None,
    used: Annotated[
        str | None,
        opt.option(
            "G/N", "Ink used for earlier prints of this block, as 18/20: 18 g for 20 prints."
        ),
    ] = None,
    waste: Annotated[
        str | None, opt.option("PERCENT", "Proofs and spoilt prints, as 10 or 5-20.")
    ] = None,
    stays: Annotated[
        str | None, opt.option("G", "What stays on slab, knife and roller, as 10 or 5-20.")
    ] = None,
    mix: opt.MixParts = None,
    left: Annotated[float | None, opt.number("G", "What is left of the mix: is it enough?")] = None,
    shelf: opt.ShelfInUse = None,
    picture: Annotated[
        Path | None, opt.option("OUT.png", "Also save a picture of what was counted as printed.")
    ] = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """How much ink an edition needs, and whether what is left is enough."""
    _check_area(block, width_mm, area_cm2, light)
    _check_numbers(width_mm, area_cm2, left, prints, way)
    parts = read_parts(mix)
    opt.check_picture(picture, replace, block)
    _check_together(parts, shelf, block, picture, used, film_weight)
    film_given, used_given = read_range("--film-weight", film_weight), read_used(used)
    waste_given, stays_given = read_range("--waste", waste), read_range("--stays", stays)
    if used_given and stays_given and stays_given.low >= used_given[0]:
        raise WrongUsage(
            f"--stays {stays} is more than the {used_given[0]:g} g of --used",
            "what stays on slab and roller is part of what went",
            "weigh tin and slab before and after, and give what is missing with --used",
        )

    from drawdown.printing import quantity as amounts
    from drawdown.report.json.quantity import quantity_json
    from drawdown.report.pictures.quantity import draw_quantity
    from drawdown.report.text.quantity import quantity_screen
    from drawdown.studio.scale import scale_step
    from drawdown.wording.quantity import QuantityAnswer, film_source

    named, cautions = _inks(parts, shelf)
    measured = None
    if block is not None and width_mm is not None:
        measured = _measure(block, width_mm, light)
        area = measured.area_cm2
    else:
        assert area_cm2 is not None  # one of the two was given
        area = amounts.about(area_cm2, amounts.AREA_FIGURE)
    need = amounts.need(
        area,
        film_given or amounts.between(*amounts.FILM_G_M2[way]),
        prints,
        waste_given or amounts.between(*WASTE_PERCENT),
        stays_given or amounts.between(*amounts.STAYS_G),
        used_given,
    )
    answer = QuantityAnswer(
        need=need,
        left=None if left is None else amounts.suffices(need, left),
        mix=named,
        area=measured,
        film_source=film_source(way, film_given is not None, used, need),
        pigment_cautions=cautions,
        picture=None if block is None else str(block),
        scale_step_g=scale_step(),
    )

    return deliver(json, (answer,), quantity_json, quantity_screen, picture, draw_quantity)


def _inks(
    parts: dict[str, float] | None, shelf: Path | None
) -> tuple[dict[str, float] | None, tuple[str, ...]]:
    """The mix under the shelf's names, and the cautions that go with its pigments."""
    if parts is None:
        return None, ()
    from drawdown.studio.shelf_file import shelf_in_use
    from drawdown.wording.cautions import ink_cautions

    inks = shelf_in_use(shelf).shelf
    named = inks.named_mix(parts)
    return named, ink_cautions(ink for ink in inks if ink.name in named)


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
            "what prints must be darker or lighter than the rest",
            "give a scan or photo with both, or state the area with --area-cm2",
        ) from None


def _check_area(block, width_mm, area_cm2, light) -> None:
    """Either a picture or an area; raises ``WrongUsage``."""
    if (block is None) == (area_cm2 is None):
        raise WrongUsage(
            "give either a picture of the block or --area-cm2"
            + (", not both" if block is not None else ""),
            "the ink goes by the printed area",
            "write for example: drawdown plan amount block.png --width-mm 210 --prints 30",
        )
    if block is not None and width_mm is None:
        raise WrongUsage(
            "--width-mm is missing",
            "a picture does not say how large the block is",
            "measure how wide the block or print is, from edge to edge",
        )
    if block is None and (width_mm is not None or light):
        raise WrongUsage(
            "--width-mm and --light belong to a picture, and none was given",
            "the area was stated with --area-cm2",
            "leave them out, or give the picture",
        )


def _check_together(parts, shelf, block, picture, used, film_weight) -> None:
    """Options that need each other or exclude each other; raises ``WrongUsage``."""
    if shelf is not None and not parts:
        raise WrongUsage(
            "--shelf was given without --mix",
            "without a mix nothing is asked of the shelf",
            "say what the colour is mixed from with --mix, or leave --shelf out",
        )
    if picture is not None and block is None:
        raise WrongUsage(
            "--picture was given without a picture of the block",
            "it shows what was counted as printed",
            "give the picture of the block, or leave --picture out",
        )
    if used is not None and film_weight is not None:
        raise WrongUsage(
            "--used and --film-weight were both given",
            "either says how thick the film is",
            "give one of them",
        )


def _check_numbers(width_mm, area_cm2, left, prints, way) -> None:
    """Refuse numbers that make no sense; raises ``WrongUsage``."""
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
