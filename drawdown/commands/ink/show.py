"""``drawdown ink show``: one ink, its figures, how it looks in use and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver

if TYPE_CHECKING:
    from PIL import Image


def show(
    name: opt.InkName,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also save its tints and let-downs as a picture."),
    ] = None,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Show one ink: where its figures come from, how it looks, how sure that is."""
    opt.check_picture(picture)
    import numpy as np

    from drawdown.ink.forward import PAPER_LAB
    from drawdown.ink.ladder_fit import ink_rows
    from drawdown.pipeline.ladder_findings import ink_bands, ink_uses
    from drawdown.report.json.ink import ink_json
    from drawdown.report.text.ink import ink_screen
    from drawdown.studio.shelf_file import partner, shelf_in_use

    used = shelf_in_use(shelf)
    ink = used.shelf.find(name)
    white, base = partner(used.shelf, "white"), partner(used.shelf, "base")
    bands = ink_bands(ink.k, ink.s, ink_rows(ink))
    uses = ink_uses(ink, white, base, np.array(PAPER_LAB))

    def draw() -> Image.Image:
        from drawdown.report.pictures.ink import draw_ink

        return draw_ink(ink, white, base)

    return deliver(
        json,
        lambda: ink_json(ink, bands, uses),
        lambda screen: ink_screen(ink, bands, uses, screen),
        picture,
        draw,
    )
