"""``drawdown layers``: in which order to print, and what every overlap will look like."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drawdown.printing.layer_notation import LayerSpec
    from drawdown.printing.layer_order import Plan
    from drawdown.printing.overprint import Layer, Sheet
    from drawdown.wording.layers import LayersAnswer


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
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> int:
    """Propose the order of printing; show every overlap, what is lost and what shows through."""
    opt.check_picture(picture)
    from drawdown.printing.layer_notation import read_order
    from drawdown.printing.layer_order import MOST_PLANNED, plan
    from drawdown.report.json.layers import layers_json
    from drawdown.report.pictures.layers import draw_layers
    from drawdown.report.text.layers import layers_screen

    def planned(specs: list[LayerSpec], films: Sequence[Layer], on: Sheet) -> Plan:
        return plan(films, on, None if order is None else read_order(order, specs))

    answer = plan_layers(layer or [], MOST_PLANNED, paper, shelf, wet, planned)
    return deliver(json, (answer,), layers_json, layers_screen, picture, draw_layers)


def plan_layers(
    texts: list[str],
    most: int,
    paper: str | None,
    shelf: Path | None,
    wet: bool,
    plan: Callable[[list[LayerSpec], Sequence[Layer], Sheet], Plan],
) -> LayersAnswer:
    """Layers as they were typed, 2 to ``most`` of them, planned on their paper. Raises
    ``WrongUsage`` and ``BadFile``."""
    from drawdown.printing.layer_notation import cautions, read_layers, read_paper
    from drawdown.printing.overprint import layers_from_mixes, sheet
    from drawdown.studio.shelf_file import shelf_in_use
    from drawdown.wording.layers import LayersAnswer

    paper_lab = read_paper(paper)
    used = shelf_in_use(shelf)
    specs = read_layers(texts, used.shelf, 2, most)
    on = sheet(paper_lab, wet=wet)
    films = layers_from_mixes(used.shelf, [(s.name, s.mix, s.film) for s in specs])
    stand_ins = used.origin == "starter"
    found = plan(specs, films, on)
    return LayersAnswer(specs, found, on, films, wet, cautions(specs, used.shelf), stand_ins)
