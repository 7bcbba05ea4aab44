"""``drawdown overprint``: what colour any layer has over any other; a crossing in a photo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.card_corners import check_card_corners
from drawdown.commands.match import check_picture, check_strips

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
    paper: Annotated[
        str | None,
        typer.Option(metavar="L,A,B", help="The paper's colour; without it, an ordinary white."),
    ] = None,
    wet: Annotated[
        bool, typer.Option("--wet", help="Layers are printed on layers that are still wet.")
    ] = False,
    shelf: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The inks you own; without it, the studio's shelf."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Also save the grid as a picture.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """Predict the colour of any layer printed over any other."""
    if picture is not None:
        check_picture(picture, photo)
    places = _check_places(photo, on_top, strip or [], at, card, card_corners, paper)
    if photo is not None:
        corners = (check_card_corners(card_corners),) if card_corners is not None else ()
        return _crossing(
            photo, layer or [], on_top, places, card, corners, wet, shelf, picture, json
        )

    import sys

    from drawdown import layers as room
    from drawdown.layer_text import cautions, read_layers, read_paper
    from drawdown.overprint import layers_from_mixes, sheet
    from drawdown.report import layers_text, terminal
    from drawdown.shelf_files import shelf_in_use

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
    if json:
        from drawdown.report.layers_json import overprint_json

        terminal.write_result(overprint_json(answer))
    else:
        terminal.write_result(layers_text.overprint_text(answer, terminal.screen(sys.stdout)))
    if picture is not None:
        from calibration.files import write_atomically
        from drawdown.report.overprint_picture import draw_overprint
        from drawdown.report.picture import png_bytes

        write_atomically(picture, png_bytes(draw_overprint(answer)))
        if terminal.is_tty(sys.stderr):
            terminal.write_aside(f"Picture saved: {picture}")
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
    return check_strips([*strips, *([at] if at else [])], 1, 2)


def _crossing(photo: Path, layer, on_top, places, card, corners, wet, shelf, picture, json) -> int:
    """Read a crossing, predict it from the two strips alone, and compare."""
    import sys

    from drawdown import crossing as room
    from drawdown.judge import Options, read_strips
    from drawdown.layer_text import cautions, read_layers
    from drawdown.progress import ProgressLine
    from drawdown.report import crossing as report
    from drawdown.report import terminal
    from drawdown.shelf_files import shelf_in_use

    used = shelf_in_use(shelf)
    specs = read_layers(layer, used.shelf, 2, 2) if layer else []
    if specs and not places and on_top is None:
        raise WrongUsage(
            "--layer was given with a photo, but not which strip is on top",
            "the first --layer is the lower strip, the second the upper one",
            "add --on-top upright or --on-top across",
        )
    mixes = (specs[0].mix, specs[1].mix) if specs else (None, None)
    try:
        with ProgressLine() as progress:
            options = Options(card_path=card, strips_by_hand=places, card_corners=corners)
            seen = read_strips(photo, options, progress)
            strips = [s.strip for s in seen.strips]
            cross = room.cross_by_hand(strips) if places else room.find_cross(seen)
            read = room.read_cross(seen, cross)
            one, other = cross.names
            ways = [(one, other), (other, one)]
            if places:
                ways = ways[:1]
            elif on_top:
                ways = [way for way in ways if way[1] == on_top]
            orders = [room.predict(seen, read, used.shelf, *way, mixes, wet) for way in ways]
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text

            terminal.write_result(unfit_text("overprint", photo, unfit))
        raise
    answer = report.Crossed(
        seen,
        read,
        sorted(orders, key=lambda order: order.distance),
        cautions(specs, used.shelf),
        bool(specs),
    )
    if json:
        terminal.write_result(report.crossing_json(answer))
    else:
        terminal.write_result(report.crossing_text(answer, terminal.screen(sys.stdout)))
    if picture is not None:
        from calibration.files import write_atomically
        from drawdown.report.crossing_picture import draw_crossing
        from drawdown.report.picture import png_bytes

        write_atomically(picture, png_bytes(draw_crossing(answer)))
        if terminal.is_tty(sys.stderr):
            terminal.write_aside(f"Picture saved: {picture}")
    return 5 if any(flag.hard for flag in answer.flags) else 0
