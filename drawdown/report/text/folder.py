"""The readings of a folder of photos, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drawdown.flags import kind_of
from drawdown.report.json.match import dump
from drawdown.report.text.terminal import Screen, wrap

if TYPE_CHECKING:
    from drawdown.pipeline.folder import FolderReading


MEANING = (
    "± is half the width of the interval that holds the strip's own colour with 95 % "
    "probability. What a remark means is told by drawdown read with that photo alone."
)


def folder_screen(readings: Sequence[FolderReading], screen: Screen) -> str:
    """Each photo with a line for each of its strips; what could not be read, and why."""
    read = [r for r in readings if r.data is not None]
    lines = [f"{len(read)} of {len(readings)} photos read"]
    refused = sum(r.exit_code != 0 for r in read)
    if refused:
        lines[0] += f"; in {refused} of them something cannot be judged (marked ×)"
    for reading in readings:
        lines += ["", reading.path.name]
        if reading.data is None:
            lines += wrap(reading.error or "", screen.columns, "   ")
            continue
        for strip in reading.data["strips"]:
            lab = "  ".join(
                f"{axis}* {value:6.1f} ± {u:<4.1f}"
                for axis, value, u in zip("Lab", strip["lab_d50"], strip["lab_u95"], strict=True)
            )
            mark = "×" if _stopped(strip["flags"]) else " "
            line = f"{mark}{strip['number']:>2}   {lab}".rstrip()
            fits = len(line) <= screen.columns
            lines += [line] if fits else wrap(line[1:], screen.columns, f"{mark} ", "      ")
            lines += _remarks("", strip["flags"], screen)
        lines += _remarks("photo", reading.data["photo"]["flags"], screen)
    if read:
        lines += ["", *wrap(MEANING, screen.columns)]
    return "\n".join(lines)


def _stopped(codes: Sequence[str]) -> list[str]:
    """Those flags that stop a verdict."""
    return [code for code in codes if (kind := kind_of(code)) and kind.hard]


def _remarks(about: str, codes: Sequence[str], screen: Screen) -> list[str]:
    """Flags by code: first those for which nothing can be judged."""
    hard = _stopped(codes)
    soft = [code for code in codes if code not in hard]
    lines = []
    if hard:
        start = f"×     {about} cannot be judged: " if about else "cannot be judged: "
        lines += wrap(start + ", ".join(hard), screen.columns, "" if about else "      ", "      ")
    if soft:
        lines += wrap(f"{about or 'remarks'}: " + ", ".join(soft), screen.columns, "      ")
    return lines


def folder_text(folder: Path, readings: Sequence[FolderReading]) -> str:
    """JSON, schema "drawdown.folder/1": for each photo its drawdown.read/1, or the error."""
    data = {
        "schema": "drawdown.folder/1",
        "folder": str(folder),
        "photos": [
            {"path": str(r.path), "reading": r.data, "error": r.error, "exit_code": r.exit_code}
            for r in readings
        ],
    }
    return dump(data)
