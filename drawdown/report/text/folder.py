"""The readings of a folder of photos, as terminal text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from calibration.flags import Flag, codes
from drawdown.pipeline.folder import FolderReading
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording import flags as flagging
from drawdown.wording.doubts import well_known

_MEANING = (
    "± is half the width of the interval that holds the strip's own colour with 95 % "
    "probability. Read that photo alone to see what a remark means."
)


def folder_screen(folder: Path, readings: Sequence[FolderReading], screen: Screen) -> str:
    """Each photo of a folder with a line for each of its strips; what could not be read, why."""
    lines = Lines(screen, indent="")
    read = [r for r in readings if r.seen is not None]
    refused = sum(r.exit_code != 0 for r in read)
    some = f"; in {refused} of them something cannot be judged (marked ×)" if refused else ""
    lines.add(f"{len(read)} of {len(readings)} photos read{some}")
    for reading in readings:
        lines.add()
        lines.add(reading.path.name)
        if reading.problem is not None:
            lines.say(reading.problem.paragraph(), "   ")
        if reading.seen is None:
            continue
        for strip in reading.seen.strips:
            flags = flagging.strip_flags(strip)
            lab = "  ".join(
                f"{axis}* {value:6.1f} ± {u:<4.1f}"
                for axis, value, u in zip("Lab", strip.lab_d50, strip.widest_u95, strict=True)
            )
            if not (screen.full or well_known(reading.seen, strip)):
                lab = "L*a*b* not known well enough"
            mark = "×" if any(flag.hard for flag in flags) else " "
            line = f"{mark}{strip.number:>2}   {lab}"
            lines.row(line, line[1:], f"{mark} ", "      ")
            _remarks(lines, "", flags)
        _remarks(lines, "photo", flagging.general_flags(reading.seen))
    if read:
        lines.add()
        lines.notes((), (_MEANING,))
    return str(lines)


def _remarks(lines: Lines, about: str, flags: Iterable[Flag]) -> None:
    """Flags by code: first those for which nothing can be judged."""
    flags = tuple(flags)
    hard = codes(tuple(flag for flag in flags if flag.hard))
    soft = codes(tuple(flag for flag in flags if not flag.hard))
    if hard:
        start = f"×     {about} " if about else ""
        first = "" if about else "      "
        lines.say(f"{start}cannot be judged: {', '.join(hard)}", first, "      ")
    if soft:
        lines.say(f"{about or 'remarks'}: {', '.join(soft)}", "      ")
