"""What the batches in the book teach of the inks: their stories as the advice takes them, out of
the same rows that are listed.

A photo teaches where it gave a sure verdict on dry strips, and while the inks of its batch still
have the figures that the shelf had then.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.errors import BadFile
from calibration.files import write_atomically
from drawdown.book.batches import (
    GRAMS,
    list_batches,
    story_of,
)
from drawdown.book.columns import TAUGHT, Batch, Entry
from drawdown.book.store import Book
from drawdown.ink.forward import paper_ground
from drawdown.ink.prior import FORM, Knowledge
from drawdown.ink.shelf import Ink, Shelf
from drawdown.matching.batch_history import BatchPhoto, BatchStory, Reading, Step
from drawdown.matching.learn import Lesson, gather, learn

if TYPE_CHECKING:
    pass

CACHE = "learnt.json"


def figures_mark(ink: Ink) -> str:
    """A short mark that changes when an ink's figures do."""
    parts = [ink.k, ink.s, [ink.k_sd, ink.s_sd]]
    parts += [] if ink.doubt is None else [np.ravel(ink.doubt)]
    data = b"".join(np.asarray(p, dtype=np.float32).tobytes() for p in parts)
    return hashlib.blake2b(data, digest_size=6).hexdigest()


# Into the book ---------------------------------------------------------------------------


def taught_row(step: Step, inks: Collection[str], shelf: Shelf) -> dict[str, str | None]:
    """What an entry of the story holds of a photo that teaches: its columns ``taught`` and
    ``figures``."""
    reading = step.reading
    ratio = None if step.film_ratio is None else float(step.film_ratio)
    numbers = [
        *map(float, (*reading.lab_original, *reading.lab_batch, *reading.covariance.ravel())),
        ratio, float(step.film_log_sd),
    ]  # fmt: skip
    marks = [[ink.name, figures_mark(ink)] for ink in shelf if ink.name in inks]
    return {"taught": json.dumps(numbers), "figures": json.dumps(marks)}


def _step(numbers: Sequence[float | None], added: dict[str, float]) -> Step | None:
    """The inverse; None for what cannot be read colours (a file that someone changed)."""
    values = np.array([np.nan if v is None else v for v in numbers[: TAUGHT - 2]], dtype=float)
    covariance = values[6:].reshape(6, 6)
    if not np.isfinite(values).all() or np.linalg.eigvalsh(covariance).min() <= 0:
        return None
    ratio, log_sd = numbers[-2:]
    if log_sd is None or not log_sd > 0 or (ratio is not None and not ratio > 0):
        return None
    return Step(Reading(values[:3], values[3:6], covariance), added, ratio, log_sd)


# Out of it -------------------------------------------------------------------------------


def stories(book: Book, shelf: Shelf) -> list[tuple[Batch, BatchStory]]:
    """The batches that teach of this shelf's inks, that of the newest photo last."""
    found = []
    for batch in list_batches(book):
        entries = story_of(book, batch.id)
        last = max((e.id for e in entries if e.taught), default=None)
        if last is not None and (story := story_from(batch, entries, shelf)[0]) is not None:
            found.append((last, batch, story))
    return [(batch, story) for _, batch, story in sorted(found, key=lambda one: one[0])]


def story_from(
    batch: Batch, entries: Sequence[Entry], shelf: Shelf
) -> tuple[BatchStory | None, dict[str, float]]:
    """A batch as its photos tell it, and what went in since the last of them (share of the batch
    then). None where no photo teaches, an ink is not on the shelf or has other figures than it
    had then, or what is in the batch is not known."""
    marks = {ink.name: figures_mark(ink) for ink in shelf}
    known = batch.grams is not None
    scale = (batch.grams or 100.0) / (sum(part.parts for part in batch.mix) or 1.0)
    inside: dict[str, float] = {}
    for part in batch.mix:
        name = getattr(shelf.known(part.ink), "name", part.ink)
        inside[name] = inside.get(name, 0.0) + part.parts * scale
    since: dict[str, float] = {}
    before, mix, photos = sum(inside.values()), dict[str, float](), []
    for entry in entries:
        whole = sum(inside.values())
        for ink, amount in entry.added if entry.kind == "added" else ():
            if entry.added_unit == GRAMS and not known:
                return None, {}
            more = amount if entry.added_unit == GRAMS else amount * whole / 100
            name = getattr(shelf.known(ink), "name", ink)
            if more < 0:  # a portion taken out: what is left is the same ink
                share = 1 + more / inside[name] if inside.get(name) else 1.0
                since = {n: v * share if n == name else v for n, v in since.items()}
            else:
                since[name] = since.get(name, 0.0) + more
            inside[name] = inside.get(name, 0.0) + more
        if entry.kind == "added" and all(amount < 0 for _, amount in entry.added) and whole > 0:
            before *= sum(inside.values()) / whole
        if not entry.taught:
            continue
        if any(marks.get(ink) != mark for ink, mark in entry.figures or ()):
            return None, {}
        if not mix:
            mix = {name: 100 * v / sum(inside.values()) for name, v in inside.items()}
            since = {}
        step = _step(entry.taught, {n: v / before for n, v in since.items() if v > 0})
        if step is None:
            return None, {}
        before, since = sum(inside.values()), {}
        paper = entry.reading.paper_lab_d50 if entry.reading else None
        grams = before if known else None
        path = str((entry.reading and entry.reading.photo) or entry.note)
        photos.append(BatchPhoto(step, entry.at, grams, tuple(paper) if paper else None, path))
    story = BatchStory(batch.name, mix, tuple(photos))
    whole = bool(photos) and set(story.inks) <= set(marks)
    return story if whole else None, {n: v / before for n, v in since.items() if v > 0}


def lesson_of(story: BatchStory, shelf: Shelf, knowledge: Knowledge | None) -> Lesson:
    """What one batch teaches beside what is known."""
    return learn(shelf, knowledge, story.mix, story.steps, paper_ground(story.photos[-1].paper_lab))


def learnt(
    taught: Sequence[BatchStory], shelf: Shelf, folder: Path | None = None
) -> Knowledge | None:
    """What batches have taught, one after another. All but the newest are kept beside the book in
    ``folder``, so that they are not worked out again for each photo."""
    if not taught:
        return None
    used = {name for story in taught for name in story.inks}
    few = Shelf(tuple(ink for ink in shelf if ink.name in used))
    mark = _mark(taught[:-1], few)
    knowledge = _kept(folder, mark)
    if knowledge is None:
        for story in taught[:-1]:
            knowledge = lesson_of(story, few, knowledge).knowledge
        _keep(folder, mark, knowledge)
    knowledge = lesson_of(taught[-1], few, knowledge).knowledge
    return gather(shelf, {ink.name: i for i, ink in enumerate(few)}, knowledge)


def _mark(taught: Sequence[BatchStory], shelf: Shelf) -> str:
    """Changes with whatever the learning rests on."""
    told: list[Any] = [FORM, [(ink.name, figures_mark(ink)) for ink in shelf]]
    for story in taught:
        told += [story.mix, [taught_row(s, (), shelf) | s.added for s in story.steps]]
        told.append(story.photos[-1].paper_lab)
    return hashlib.blake2b(json.dumps(told).encode(), digest_size=16).hexdigest()


def _kept(folder: Path | None, mark: str) -> Knowledge | None:
    if folder is None:
        return None
    try:
        data = json.loads((folder / CACHE).read_text(encoding="utf-8"))
        if data["mark"] != mark:
            return None
        mean, root = (
            np.frombuffer(base64.b64decode(data[key]), dtype="<f8") for key in ("mean", "root")
        )
        return Knowledge(mean, root.reshape(mean.size, mean.size))
    except (OSError, ValueError, KeyError, TypeError):  # worked out again
        return None


def _keep(folder: Path | None, mark: str, knowledge: Knowledge | None) -> None:
    if folder is None or knowledge is None:
        return
    data = {"mark": mark} | {
        key: base64.b64encode(np.ascontiguousarray(v, dtype="<f8").tobytes()).decode()
        for key, v in (("mean", knowledge.mean), ("root", knowledge.root))
    }
    try:
        write_atomically(folder / CACHE, json.dumps(data).encode(), 0o600)
    except BadFile:
        return  # it only saves time
