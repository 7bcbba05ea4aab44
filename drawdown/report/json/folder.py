"""The readings of a folder of photos as JSON "drawdown.folder/1"."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from drawdown.pipeline.folder import FolderReading
from drawdown.report.json.document import document
from drawdown.report.json.match import read_data


def folder_json(folder: Path, readings: Sequence[FolderReading]) -> str:
    """JSON text of ``drawdown read`` with a folder: for each photo its drawdown.read/1, or why
    it has none."""
    photos = [
        {
            "path": str(r.path),
            "reading": None if r.seen is None else read_data(r.seen),
            "error": None if r.problem is None else r.problem.paragraph(),
            "exit_code": r.exit_code,
        }
        for r in readings
    ]
    return document("folder", {"folder": str(folder), "photos": photos})
