"""What the commands do around their measuring: read a photo, tell the answer, save the picture,
give the exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVarTuple

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands.support.parse import read_corners
from drawdown.pipeline.options import Options
from drawdown.report.text import terminal

if TYPE_CHECKING:
    from PIL import Image

    from calibration.flags import Flag
    from drawdown.pipeline.read import Judgement
    from drawdown.report.html.sheet import Report
    from drawdown.report.text.terminal import Screen

Answer = TypeVarTuple("Answer")


def photo_options(
    card: Path | None = None,
    card_corners: str | None = None,
    strips: Iterable[str] | None = None,
    *,
    crossing: bool = False,
    readings: Path | None = None,
    instrument: float | None = None,
) -> Options:
    """What is asked of one photo, as it was typed. Raises ``WrongUsage``."""
    corners = () if card_corners is None else (read_corners(card_corners),)
    return Options(
        card=card, card_corners=corners, strips=tuple(strips or ()), crossing=crossing,
        readings=readings, instrument_off_de=instrument,
    )  # fmt: skip


def read_photo(photo: Path, options: Options) -> Judgement:
    """Every strip in the photo, with progress on stderr."""
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.read import read_strips

    with ProgressLine() as progress:
        return read_strips(photo, options, progress)


def only_strips(seen: Judgement, numbers: tuple[int, ...]) -> Judgement:
    """The reading with no other strips than those named; all of them when none was."""
    if not numbers:
        return seen
    from drawdown.pipeline.read import strip_of

    return replace(seen, strips=tuple(strip_of(seen, number) for number in numbers))


@contextmanager
def unfit_in_json(
    command: str,
    photo: Path,
    as_json: bool,
    text: Callable[[Path, PhotoUnfit], str] | None = None,
    picture: Path | None = None,
    report: Path | None = None,
) -> Iterator[None]:
    """Who asked for JSON, a picture or a report gets it of a photo that can't be judged, too:
    ``text``, or what is usual for ``command``."""
    try:
        yield
    except PhotoUnfit as unfit:
        if picture is not None:
            from drawdown.report.pictures.answer import save_refusal

            save_refusal(unfit, photo, picture)
            say_saved(picture)
        if report is not None:
            from drawdown.report.html.match import refusal_report

            save_report(report, refusal_report(unfit, photo))
        if as_json and text is None:
            from drawdown.report.json.document import unfit_json

            terminal.write_result(unfit_json(command, photo, unfit))
        elif as_json and text is not None:
            terminal.write_result(text(photo, unfit))
        raise


def deliver(
    as_json: bool,
    answer: tuple[*Answer],
    json_text: Callable[[*Answer], str],
    screen_text: Callable[[*Answer, Screen], str],
    picture: Path | None = None,
    draw: Callable[[*Answer], Image.Image] | None = None,
    flags: Iterable[Flag] = (),
) -> int:
    """Print the answer as JSON or for the terminal, save its picture where one is wanted, and
    give the exit code: 0, or that of a photo that cannot be judged when a flag forbids it.

    In this order, so that a picture which cannot be saved never costs the answer. Raises
    ``BadFile``."""
    screen = terminal.screen(sys.stdout)
    terminal.write_result(json_text(*answer) if as_json else screen_text(*answer, screen))
    if picture is not None and draw is not None:
        from calibration.files import write_atomically
        from drawdown.report.pictures.answer import picture_bytes

        write_atomically(picture, picture_bytes(draw(*answer), picture))
        say_saved(picture)
    return PhotoUnfit.exit_code if any(flag.hard for flag in flags) else 0


def say_saved(picture: Path, what: str = "Picture") -> None:
    if terminal.is_tty(sys.stderr):
        terminal.write_aside(f"{what} saved: {picture}")


def save_report(path: Path, made: Report) -> None:
    """Whole or not at all. Raises ``BadFile``."""
    made.save(path)
    say_saved(path, "Report")


def agreed(question: str, yes: bool) -> bool:
    """Whether the person says yes, having said so before with ``--yes`` or asked now. Raises
    ``WrongUsage`` when nobody is there to be asked."""
    if yes:
        return True
    if not (terminal.is_tty(sys.stdin) and terminal.is_tty(sys.stderr)):
        raise WrongUsage(
            f"nobody is there to be asked: {question}",
            "nothing was changed",
            "say --yes if that is meant",
        )
    terminal.write(f"{question} [y/N] ", sys.stderr)
    if sys.stdin.readline().strip().casefold() in ("y", "yes"):
        return True
    terminal.write_aside("Left as it was.")
    return False
