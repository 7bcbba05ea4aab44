"""``drawdown overprint``: what colour any layer has over any other; a crossing in a photo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import code_of, read_photo, save_drawn, tell, unfit_in_json

MOST_LAYERS = 12


def overprint(
    photo: Annotated[
        Path | None,
        typer.Argument(
            metavar="PHOTO",
            help="Photo of one strip laid across another, and card: the prediction is compared "
            "with the reading.",
        ),
    ] = None,
    layer: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help='One layer, as "sky: white=80 PB15:3=5 base=15" with film=0.8 if its film is '
            "not an ordinary one; repeat for each layer. With a photo: the lower strip, then the "
            "upper one.",
        ),
    ] = None,
    on_top: Annotated[
        str | None,
        typer.Option(
            metavar="WHICH",
            help="The strip on top in the photo: upright, or across (with the card upright).",
        ),
    ] = None,
    strip: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y,W,H",
            help="Place a strip of the photo by hand, as in match; twice, the lower one first.",
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(metavar="X,Y,W,H", help="Where they cross, if their places do not say so."),
    ] = None,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    paper: opt.PaperLab = None,
    wet: opt.WetOnWet = False,
    shelf: opt.ShelfInUse = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Also save the grid as a picture.")
    ] = None,
    json: opt.AsJson = False,
) -> int:
    """Predict the colour of any layer printed over any other."""
    if picture is not None:
        opt.check_picture(picture, photo)
    places = _check_places(photo, on_top, strip or [], at, card, card_corners, paper)
    if photo is not None:
        corners = opt.check_corners_of_one(card_corners)
        return _crossing(
            photo, layer or [], on_top, places, card, corners, wet, shelf, picture, json
        )

    from drawdown.printing import layer_order as room
    from drawdown.printing.layer_notation import cautions, read_layers, read_paper
    from drawdown.printing.overprint import layers_from_mixes, sheet
    from drawdown.report.text import layers as layers_text
    from drawdown.studio.shelf_file import shelf_in_use

    paper_lab = read_paper(paper)
    used = shelf_in_use(shelf)
    specs = read_layers(layer or [], used.shelf, 2, MOST_LAYERS)
    films = layers_from_mixes(used.shelf, [(s.name, s.mix, s.film) for s in specs])
    on = sheet(paper_lab, wet=wet)
    answer = layers_text.Answer(
        specs,
        room.pairs_only(films, on),
        on,
        films,
        wet,
        cautions(specs, used.shelf),
        used.origin == "starter",
    )
    from drawdown.report.json.layers import overprint_json

    tell(
        json,
        lambda: overprint_json(answer),
        lambda screen: layers_text.overprint_text(answer, screen),
    )
    if picture is not None:
        from drawdown.report.pictures.overprint import draw_overprint

        save_drawn(picture, draw_overprint(answer))
    return 0


def _check_places(photo, on_top, strips, at, card, card_corners, paper) -> tuple[str, ...]:
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
        return ()
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
        return ()
    if len(strips) != 2 or on_top is not None:
        raise WrongUsage(
            f"--strip was given {len(strips)} time{'s' * (len(strips) > 1)}"
            + (" together with --on-top" if on_top else ""),
            "by hand, two strips are placed, and their order says which is on top",
            "give --strip twice, first the lower strip, then the upper one",
        )
    return opt.check_strips([*strips, *([at] if at else [])])


def _crossing(photo: Path, layer, on_top, places, card, corners, wet, shelf, picture, json) -> int:
    """Read a crossing, predict it from the two strips alone, and compare."""
    from drawdown.pipeline import crossing as room
    from drawdown.printing.layer_notation import cautions, read_layers
    from drawdown.reading.crossing import cross_by_hand, find_cross, read_cross
    from drawdown.report.text import crossing as report
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(shelf)
    specs = read_layers(layer, used.shelf, 2, 2) if layer else []
    if specs and not places and on_top is None:
        raise WrongUsage(
            "--layer was given with a photo, but not which strip is on top",
            "the first --layer is the lower strip, the second the upper one",
            "add --on-top upright or --on-top across",
        )
    mixes = (specs[0].mix, specs[1].mix) if specs else (None, None)
    with unfit_in_json("overprint", photo, json):
        seen = read_photo(photo, card, corners, places, crossing=True)
        strips = [s.strip for s in seen.strips]
        place = (seen.sheet, seen.correction, seen.view.card)
        cross = cross_by_hand(strips) if places else find_cross(*place)
        read = read_cross(cross, *place, seen.photo.jpeg_quality)
        one, other = cross.names
        ways = [(one, other), (other, one)]
        if places:
            ways = ways[:1]
        elif on_top:
            ways = [way for way in ways if way[1] == on_top]
        orders = [room.predict(seen, read, used.shelf, *way, mixes, wet) for way in ways]
    answer = report.Crossed(
        seen,
        read,
        sorted(orders, key=lambda order: order.distance),
        cautions(specs, used.shelf),
        bool(specs),
    )
    tell(
        json,
        lambda: report.crossing_json(answer),
        lambda screen: report.crossing_text(answer, screen),
    )
    if picture is not None:
        from drawdown.report.pictures.crossing import draw_crossing

        save_drawn(picture, draw_crossing(answer))
    return code_of(answer.flags)
