"""The readings of a folder of photos, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drawdown.report.json import dump
from drawdown.report.terminal import Screen, wrap

if TYPE_CHECKING:
    from drawdown.folder import FolderReading


def folder_screen(readings: Sequence[FolderReading], screen: Screen) -> str:
    """Each photo with a line for each of its strips; what could not be read, and why."""
    good = [r for r in readings if r.data is not None]
    lines = [f"{len(good)} of {len(readings)} photos read"]
    for reading in readings:
        lines += ["", reading.path.name]
        if reading.data is None:
            lines += wrap(reading.error or "", screen.columns, "   ")
            continue
        for strip in reading.data["strips"]:
            lab = "  ".join(
                f"{axis}* {value:6.1f} ± {u:.1f}"
                for axis, value, u in zip("Lab", strip["lab_d50"], strip["lab_u95"], strict=True)
            )
            line = f" {strip['number']:>2}   {lab}"
            fits = len(line) <= screen.columns
            lines += [line] if fits else wrap(line, screen.columns, "  ", "      ")
            if strip["flags"]:
                lines += wrap("remarks: " + ", ".join(strip["flags"]), screen.columns, "      ")
        flags = reading.data["photo"]["flags"]
        if flags:
            lines += wrap("photo: " + ", ".join(flags), screen.columns, "      ")
    return "\n".join(lines)


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
