"""What is known of the inks when a photo is read: from the batches in the book, with the memory of
earlier versions taken over once."""

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
from drawdown.book.memory.learning import learnt, stories, taught_row
from drawdown.book.opening import open_book
from drawdown.book.store import FILE, Book, Change, now
from drawdown.flags import LEARNT_UNREADABLE, Flag
from drawdown.ink.prior import Knowledge
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Reading, Step
from drawdown.studio.locations import own_shelf
from drawdown.studio.shelf_file import ShelfInUse


def knowledge_at(folder: Path, used: ShelfInUse) -> tuple[Knowledge | None, tuple[Flag, ...], str]:
    """What the batches of the book in ``folder``, if there is one, have taught of a shelf's inks;
    a remark where it cannot be read; and what was taken over of an earlier memory, in words."""
    earlier = earlier_memory(used)
    try:
        if earlier.exists():
            with open_book(folder, create=True) as book:
                count = take_over(book, earlier, used.shelf)
            told = f"What {count} batch{'es' if count != 1 else ''} taught is in the book now."
        elif not (folder / FILE).exists():
            return None, (), ""
        else:
            told = ""
        with open_book(folder) as book:
            found = [story for _, story in stories(book, used.shelf)]
        return learnt(found, used.shelf, folder), (), told
    except BadFile as problem:
        return None, (LEARNT_UNREADABLE(problem.seen),), ""


def earlier_memory(used: ShelfInUse) -> Path:
    """Where versions before kept the batches of a shelf."""
    if used.path is None:
        return own_shelf().with_name("starter.learnt.json")
    return Path(used.path).with_name(f"{Path(used.path).stem}.learnt.json")


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
