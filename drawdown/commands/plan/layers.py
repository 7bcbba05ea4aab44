"""``drawdown plan layers``: in which order to print, what every overlap will look like, and how
a printed crossing compares with that."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, read_photo, unfit_in_json

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drawdown.pipeline.options import Options
    from drawdown.printing.layer_notation import LayerSpec
    from drawdown.printing.layer_order import Plan
    from drawdown.printing.overprint import Layer, Sheet
    from drawdown.wording.layers import CrossingAnswer, LayersAnswer

MOST_IN_PAIRS = 12


# Long by its options, one parameter each.
def layers(  # long: one parameter a line
    photo: Annotated[
        Path | None,
        opt.argument(
            "[PHOTO]",
            "Photo of one strip laid across another, and card: the prediction is compared with "
            "the reading.",
        ),
    ] = None,
    layer: Annotated[
        list[str] | None,
        opt.option(
            "LAYER",
            'One layer, as "sky: white 80, PB15:3 5, base 15", with "film 0.8" if its film is not '
            "an ordinary one; repeat for each, in any order. With a photo: the lower strip, then "
            "the upper one.",
        ),
    ] = None,
    pairs: Annotated[
        bool, opt.flag("No order: each layer over each other one, up to 12.", "--pairs")
    ] = False,
    order: Annotated[
        str | None, opt.option("NAMES", 'Show this order instead of ours, as "reed, sky, key".')
    ] = None,
    paper: opt.PaperLab = None,
    wet_on_wet: Annotated[
        bool, opt.flag("Layers are printed on layers that are still wet.", "--wet-on-wet")
    ] = False,
    on_top: Annotated[
        str | None,
        opt.option(
            "WHICH", "The strip on top in the photo: upright, or across (with the card upright)."
        ),
    ] = None,
    strip: Annotated[
        list[str] | None,
        opt.option("X,Y,W,H", "Place a strip of the photo by hand; twice, the lower one first."),
    ] = None,
    at: Annotated[
        str | None, opt.option("X,Y,W,H", "Where they cross, if their places do not say so.")
    ] = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    shelf: opt.ShelfInUse = None,
    picture: opt.AnswerPicture = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """Propose the order of printing; show overlaps, what is lost and what shows through."""
    opt.check_picture(picture, replace, photo)
    places = _check_places(photo, on_top, strip or [], at, card, card_corners, paper)
    if order is not None and (pairs or photo is not None):
        raise WrongUsage(
            f"--order was given with {'a photo' if photo is not None else '--pairs'}",
            "an order says how layers follow each other, not how one lies over another",
            "leave one of the two out",
        )
    if photo is not None:
        options = photo_options(card, card_corners, places, crossing=True)
        return _crossing(photo, options, layer or [], on_top, wet_on_wet, shelf, picture, json)
    from drawdown.printing.layer_notation import read_order
    from drawdown.printing.layer_order import MOST_PLANNED, pairs_only, plan
    from drawdown.report.json import layers as as_json
    from drawdown.report.text import layers as as_text

    def planned(specs: list[LayerSpec], films: Sequence[Layer], on: Sheet) -> Plan:
        if pairs:
            return pairs_only(films, on)
        return plan(films, on, None if order is None else read_order(order, specs))

    most = MOST_IN_PAIRS if pairs else MOST_PLANNED
    answer = _planned(layer or [], most, paper, shelf, wet_on_wet, planned)
    if pairs:
        from drawdown.report.pictures.overprint import draw_overprint

        return deliver(
            json, (answer,), as_json.overprint_json, as_text.overprint_screen, picture,
            draw_overprint,
        )  # fmt: skip
    from drawdown.report.pictures.layers import draw_layers

    return deliver(
        json, (answer,), as_json.layers_json, as_text.layers_screen, picture, draw_layers
    )


def _planned(
    texts: list[str],
    most: int,
    paper: str | None,
    shelf: Path | None,
    wet: bool,
    plan: Callable[[list[LayerSpec], Sequence[Layer], Sheet], Plan],
) -> LayersAnswer:
    """Layers as they were typed, 2 to ``most`` of them, planned on their paper. Raises
    ``WrongUsage`` and ``BadFile``."""
    from drawdown.printing.layer_notation import inks_of, read_layers, read_paper
    from drawdown.printing.overprint import layers_from_mixes, sheet
    from drawdown.studio.shelf_file import shelf_in_use
    from drawdown.wording.cautions import ink_cautions
    from drawdown.wording.layers import LayersAnswer

    paper_lab = read_paper(paper)
    used = shelf_in_use(shelf)
    specs = read_layers(texts, used.shelf, 2, most)
    on = sheet(paper_lab, wet=wet)
    films = layers_from_mixes(used.shelf, [(s.name, s.mix, s.film) for s in specs])
    stand_ins = used.origin == "starter"
    found = plan(specs, films, on)
    warned = ink_cautions(inks_of(specs, used.shelf))
    return LayersAnswer(specs, found, on, films, wet, warned, stand_ins)


def _check_places(photo, on_top, strips, at, card, card_corners, paper) -> list[str]:
    """The places given by hand: none, or lower, upper and perhaps the crossing; raises
    ``WrongUsage``."""
    if photo is None:
        named = {"--on-top": on_top, "--strip": strips, "--at": at, "--card": card,
                 "--card-corners": card_corners}  # fmt: skip
        for option, value in named.items():
            if value:
                raise WrongUsage(
                    f"{option} belongs to a photo, and none was given",
                    "without a photo, layers are predicted from their mixes alone",
                    "give the photo, or leave the option out",
                )
        return []
    if paper is not None:
        raise WrongUsage(
            "--paper was given with a photo",
            "the paper's colour is read from the photo",
            "leave --paper out",
        )
    if on_top not in (None, "upright", "across"):
        raise WrongUsage(
            f"--on-top is {on_top}, and can be upright or across",
            "it says which of the two strips was laid down last",
            "turn the photo so that the card is upright: is the upper strip the one that runs up "
            "and down (upright), or the one from side to side (across)?",
        )
    if not strips:
        if at is not None:
            raise WrongUsage(
                "--at was given without --strip",
                "the two strips alone must be known too",
                "give --strip twice, first the lower strip, then the upper one",
            )
        return []
    if len(strips) != 2 or on_top is not None:
        raise WrongUsage(
            f"--strip was given {len(strips)} time{'s' * (len(strips) > 1)}"
            + (" together with --on-top" if on_top else ""),
            "by hand, two strips are placed, and their order says which is on top",
            "give --strip twice, first the lower strip, then the upper one",
        )
    return [*strips, *([at] if at else [])]


def _crossing(
    photo: Path, options: Options, layers: list[str], on_top: str | None, wet: bool,
    shelf: Path | None, picture: Path | None, json: bool,
) -> int:  # fmt: skip
    """Read a crossing, predict it from the two strips alone, and compare."""
    from drawdown.report.json.layers import crossing_json
    from drawdown.report.pictures.overprint import draw_crossing
    from drawdown.report.text.layers import crossing_screen

    with unfit_in_json("overprint", photo, json):
        answer = _compare(photo, options, layers, on_top, wet, shelf)
    return deliver(
        json, (answer,), crossing_json, crossing_screen, picture, draw_crossing, answer.flags
    )


def _compare(
    photo: Path, options: Options, layers: list[str], on_top: str | None, wet: bool,
    shelf: Path | None,
) -> CrossingAnswer:  # fmt: skip
    from drawdown.pipeline.crossing import predict
    from drawdown.printing.layer_notation import inks_of, read_layers
    from drawdown.reading.crossing import cross_by_hand, find_cross, read_cross
    from drawdown.studio.shelf_file import shelf_in_use
    from drawdown.wording.cautions import ink_cautions
    from drawdown.wording.layers import CrossingAnswer

    used = shelf_in_use(shelf)
    specs = read_layers(layers, used.shelf, 2, 2) if layers else []
    if specs and not options.strips and on_top is None:
        raise WrongUsage(
            "--layer was given with a photo, but not which strip is on top",
            "the first --layer is the lower strip, the second the upper one",
            "add --on-top upright or --on-top across",
        )
    mixes = (specs[0].mix, specs[1].mix) if specs else (None, None)
    seen = read_photo(photo, options)
    place = (seen.sheet, seen.correction, seen.view.card)
    strips = [s.strip for s in seen.strips]
    cross = cross_by_hand(strips) if options.strips else find_cross(*place)
    read = read_cross(cross, *place, seen.photo.jpeg_quality)
    one, other = cross.names
    ways = [(one, other)] if options.strips else [(one, other), (other, one)]
    if on_top:
        ways = [way for way in ways if way[1] == on_top]
    orders = [predict(seen, read, used.shelf, *way, mixes, wet) for way in ways]
    orders.sort(key=lambda order: order.distance)
    warned = ink_cautions(inks_of(specs, used.shelf))
    return CrossingAnswer(seen, read, orders, warned, bool(specs))
