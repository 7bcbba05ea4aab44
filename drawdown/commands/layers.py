"""``drawdown layers``: in which order to print, and what every overlap will look like."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import save_drawn, tell


def layers(
    layer: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help='One layer, as "sky: white=80 PB15:3=5 base=15" with film=0.8 if its film is '
            "not an ordinary one; repeat for each layer, in any order.",
        ),
    ] = None,
    order: Annotated[
        str | None,
        typer.Option(metavar="NAMES", help='Show this order instead of ours, as "reed, sky, key".'),
    ] = None,
    paper: opt.PaperLab = None,
    wet: opt.WetOnWet = False,
    shelf: opt.ShelfInUse = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Also save every overlap as a picture.")
    ] = None,
    json: opt.AsJson = False,
) -> int:
    """Propose the order of printing; show every overlap, what is lost and what shows through."""
    if picture is not None:
        opt.check_picture(picture)

    from drawdown.printing import layer_order as room
    from drawdown.printing.layer_notation import cautions, read_layers, read_order, read_paper
    from drawdown.printing.overprint import layers_from_mixes, sheet
    from drawdown.report.text import layers as layers_text
    from drawdown.studio.shelf_file import shelf_in_use

    paper_lab = read_paper(paper)
    used = shelf_in_use(shelf)
    specs = read_layers(layer or [], used.shelf, 2, room.MOST_LAYERS)
    wanted = None if order is None else read_order(order, specs)
    films = layers_from_mixes(used.shelf, [(s.name, s.mix, s.film) for s in specs])
    on = sheet(paper_lab, wet=wet)
    plan = room.plan(films, on, wanted)
    answer = layers_text.Answer(
        specs, plan, on, films, wet, cautions(specs, used.shelf), used.origin == "starter"
    )
    from drawdown.report.json.layers import layers_json

    tell(json, lambda: layers_json(answer), lambda screen: layers_text.screen_text(answer, screen))
    if picture is not None:
        from drawdown.report.pictures.layers import draw_plan

        save_drawn(picture, draw_plan(answer))
    return 0
