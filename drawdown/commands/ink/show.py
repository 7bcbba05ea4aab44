"""``drawdown ink show``: one ink, its figures, how it looks in use and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver


def show(
    name: opt.InkName,
    picture: Annotated[
        Path | None, opt.option("OUT.png", "Also save its tints and let-downs as a picture.")
    ] = None,
    replace: opt.Replace = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Show one ink: where its figures come from, how it looks, how sure that is."""
    opt.check_picture(picture, replace)
    import numpy as np

    from drawdown.ink.forward import PAPER_LAB
    from drawdown.ink.prior import ink_rows
    from drawdown.pipeline.ladder_findings import ink_bands, ink_uses
    from drawdown.report.json.ink import ink_json
    from drawdown.report.pictures.ink import draw_ink
    from drawdown.report.text.ink import ink_screen
    from drawdown.studio.shelf_file import partner, shelf_in_use

    used = shelf_in_use(shelf)
    ink = used.shelf.find(name)
    white, base = partner(used.shelf, "white"), partner(used.shelf, "base")
    bands = ink_bands(ink.k, ink.s, ink_rows(ink))
    uses = ink_uses(ink, white, base, np.array(PAPER_LAB))

    return deliver(
        json, (ink, bands, uses), ink_json, ink_screen,
        picture, lambda ink, *_: draw_ink(ink, white, base),
    )  # fmt: skip
