"""What the commands do around their measuring: read a photo, tell the answer, save the picture."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import PhotoUnfit
from drawdown.report.text import terminal

if TYPE_CHECKING:
    from PIL import Image

    from calibration.flags import Flag
    from drawdown.commands.support.parse import Corners
    from drawdown.pipeline.read import Judgement
    from drawdown.report.text.terminal import Screen

UNFIT = PhotoUnfit.exit_code


def read_photo(
    photo: Path,
    card: Path | None = None,
    corners: tuple[Corners, ...] = (),
    strips: tuple[str, ...] = (),
    *,
    crossing: bool = False,
) -> Judgement:
    """Every strip in the photo, with progress on stderr. ``strips`` are placed by hand;
    ``crossing`` says that one lies across the other."""
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    with ProgressLine() as progress:
        options = Options(card=card, card_corners=corners, strips=strips, crossing=crossing)
        return read_strips(photo, options, progress)


@contextmanager
def unfit_in_json(
    command: str,
    photo: Path,
    as_json: bool,
    text: Callable[[Path, PhotoUnfit], str] | None = None,
) -> Iterator[None]:
    """Who asked for JSON gets it of a photo that cannot be judged, too: ``text``, or what is
    usual for ``command``."""
    try:
        yield
    except PhotoUnfit as unfit:
        if as_json:
            if text is None:
                from drawdown.report.json.match import unfit_text

                terminal.write_result(unfit_text(command, photo, unfit))
            else:
                terminal.write_result(text(photo, unfit))
        raise


def tell(as_json: bool, json_text: Callable[[], str], screen: Callable[[Screen], str]) -> None:
    """Print the answer as JSON or for the terminal."""
    terminal.write_result(json_text() if as_json else screen(terminal.screen(sys.stdout)))


def save_drawn(path: Path, picture: Image.Image) -> None:
    """Save what was drawn, whole or not at all. Raises ``BadFile``: call it after the answer is
    told, so that a picture which cannot be saved never costs it."""
    from calibration.files import write_atomically
    from drawdown.report.pictures.answer import png_bytes

    write_atomically(path, png_bytes(picture))
    say_saved(path)


def say_saved(picture: Path) -> None:
    if terminal.is_tty(sys.stderr):
        terminal.write_aside(f"Picture saved: {picture}")


def code_of(flags: Iterable[Flag]) -> int:
    """0, or that of a photo that cannot be judged when a flag stops the verdict."""
    return UNFIT if any(flag.hard for flag in flags) else 0
