"""The memory of earlier versions, taken over into the book once."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import BadFile
from calibration.files import read_bytes
from drawdown.book.batches import PER_100, batch_called, begin_batch, log_added
from drawdown.book.columns import MixPart
from drawdown.book.memory.learning import taught_row
from drawdown.book.store import Book, Change, now
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Reading, Step


def take_over(book: Book, path: Path, shelf: Shelf) -> int:
    """Put the batches of an earlier memory into the book, once; returns how many. The file stays,
    with ``.taken-over`` behind its name. Raises ``BadFile``."""
    try:
        data = json.loads(read_bytes(path, "what was learnt of inks", 50_000_000).decode("utf-8"))
        batches = [(str(row["name"]), row["mix"], row["photos"]) for row in data["slabs"]]
        with book.change(f"took over {len(batches)} batches of {path.name}") as change:
            for name, mix, photos in batches:
                _take_over_one(book, change, name, mix, photos, shelf)
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        raise BadFile(
            f"{path} is not what drawdown wrote there ({problem})",
            "what it learnt of your inks cannot be taken over",
            "put back a copy, or move the file away to begin again",
        ) from problem
    path.rename(path.with_name(f"{path.name}.taken-over"))
    return len(batches)


def _take_over_one(
    book: Book, change: Change, name: str, mix: dict[str, float], photos: list[dict[str, Any]],
    shelf: Shelf,
) -> None:  # fmt: skip
    called, k = name, 1
    while batch_called(book, called) is not None:
        k += 1
        called = f"{name} ({k})"
    grams = photos[0]["grams"] if photos else None
    row = begin_batch(
        book, change, name=called, original=None, date=photos[0]["when"][:10] if photos else
        now()[:10], mix=tuple(MixPart(ink, float(v)) for ink, v in mix.items()), grams=grams,
    )  # fmt: skip
    inks = set(mix)
    for photo in photos:
        added = {str(ink): 100 * float(share) for ink, share in photo["added"].items()}
        inks |= set(added)
        if added:
            log_added(change, row, tuple(added.items()), PER_100)
        step = Step(
            Reading(
                np.array(photo["lab_original"], float), np.array(photo["lab_batch"], float),
                np.array(photo["covariance"], float).reshape(6, 6),
            ),
            {}, photo["film_ratio"], float(photo["film_log_sd"]),
        )  # fmt: skip
        lab = {
            f"lab_{axis}": float(v) for axis, v in zip("lab", step.reading.lab_batch, strict=True)
        }
        paper = None if photo["paper_lab"] is None else json.dumps(photo["paper_lab"])
        reading = change.insert("reading", {**lab, "paper": paper, "read_at": now()})
        change.insert("entry", {
            "batch": row, "at": _utc(photo["when"]), "kind": "read", "reading": reading,
            "note": Path(str(photo["photo"])).name, **taught_row(step, inks, shelf),
        })  # fmt: skip


def _utc(when: str) -> str:
    """A moment of an earlier memory as the book notes it."""
    return datetime.fromisoformat(when).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
