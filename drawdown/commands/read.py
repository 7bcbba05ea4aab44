"""``drawdown read``: every strip in the photo, as colours with their uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import PhotoUnfit


def read(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo of strips and card.")],
    card: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Definition of the card in the photo, if not ours."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")] = False,
) -> int:
    """Measure every strip in the photo, without a verdict."""
    import sys

    from drawdown.judge import Options, read_strips
    from drawdown.progress import ProgressLine
    from drawdown.report import terminal

    try:
        with ProgressLine() as progress:
            judgement = read_strips(photo, Options(card_path=card), progress)
    except PhotoUnfit as unfit:
        if json:
            from drawdown.report.json import unfit_text

            terminal.write_result(unfit_text("read", photo, unfit))
        raise
    if json:
        from drawdown.report.json import read_text

        terminal.write_result(read_text(judgement))
    else:
        from drawdown.report.text import read_screen

        terminal.write_result(read_screen(judgement, terminal.screen(sys.stdout)))
    return 5 if any(flag.hard for flag in judgement.flags) else 0
