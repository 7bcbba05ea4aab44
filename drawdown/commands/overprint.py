"""``drawdown overprint``: what colour any layer has over any other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.match import check_picture

MOST_LAYERS = 12


def overprint(
    layer: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help='One layer, as "sky: white=80 PB15:3=5 base=15" with film=0.8 if its film is '
            "not an ordinary one; repeat for each layer.",
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
        check_picture(picture)

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
