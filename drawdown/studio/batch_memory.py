"""Batches on the slab: their photos and what was added, kept beside the shelf that they teach.

One JSON file for each shelf (``shelf.learnt.json`` beside ``shelf.toml``) holds the batches,
newest last, and what all but the newest have taught of the inks; the newest is learnt anew
each time, so that it can go on. A change locks the file and replaces the file whole.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from calibration.errors import BadFile, WrongUsage
from calibration.files import locked, read_bytes, write_atomically
from drawdown.ink.forward import paper_ground
from drawdown.ink.prior import FORM, ROWS, Knowledge
from drawdown.ink.shelf import Ink, Shelf
from drawdown.ink.tables import plain
from drawdown.matching.batch_history import Reading, Step
from drawdown.matching.learn import Lesson, gather, learn
from drawdown.studio.locations import own_shelf
from drawdown.studio.shelf_file import ShelfInUse

FORMAT = "drawdown.learnt/1"
MEMORY_LOCK = (
    "what was learnt of inks,",
    "choose a folder of your own for shelf and batches, with `shelf`",
)


@dataclass(frozen=True, eq=False)
class SlabPhoto:
    """One photo of a batch: ``step`` as the advice takes it, ``grams`` the batch's weight with
    what was added (None when not known), ``mark`` tells the photo's file from others."""

    path: str
    mark: str
    when: str
    step: Step
    grams: float | None
    paper_lab: tuple[float, ...] | None


@dataclass(frozen=True, eq=False)
class Slab:
    """A batch in the making: ``mix`` (names of the shelf -> parts per 100) as it was at the
    first photo, and its photos, oldest first."""

    name: str
    mix: dict[str, float]
    photos: tuple[SlabPhoto, ...] = ()

    @property
    def steps(self) -> tuple[Step, ...]:
        return tuple(photo.step for photo in self.photos)


@dataclass(frozen=True, eq=False)
class Memory:
    """All of a shelf's batches, newest last; ``settled`` is what all but the newest have
    taught about ``inks`` (name -> mark of its figures then), None when nothing, or when it is
    ``stale``: kept by a version with another prior, and to be learnt anew."""

    slabs: tuple[Slab, ...] = ()
    inks: dict[str, str] = field(default_factory=dict)
    settled: Knowledge | None = None
    stale: bool = False


@dataclass(frozen=True, eq=False)
class Opened:
    """A batch as a new photo finds it: its earlier photos, what went in since the last of
    them (share of the batch by ink), its weight now, and what was learnt from other batches."""

    slab: Slab
    added: dict[str, float]
    grams: float | None
    mark: str
    knowledge: Knowledge | None

    @property
    def all_inks(self) -> tuple[str, ...]:
        """Every ink that went in so far."""
        later = [name for step in self.slab.steps for name in step.added]
        return tuple(dict.fromkeys((*self.slab.mix, *later, *self.added)))


# Reading and writing ---------------------------------------------------------------------


def memory_path(used: ShelfInUse) -> Path:
    """Where the batches of a shelf are kept."""
    if used.path is None:
        return own_shelf().with_name("starter.learnt.json")
    return Path(used.path).with_name(f"{Path(used.path).stem}.learnt.json")


def figures_mark(ink: Ink) -> str:
    """A short mark that changes when an ink's figures do."""
    parts = [ink.k, ink.s, [ink.k_sd, ink.s_sd]]
    parts += [] if ink.doubt is None else [np.ravel(ink.doubt)]
    data = b"".join(np.asarray(p, dtype=np.float32).tobytes() for p in parts)
    return hashlib.blake2b(data, digest_size=6).hexdigest()


def photo_mark(path: Path) -> str:
    """A short mark of a photo's file, so that the same photo is not learnt twice."""
    data = read_bytes(path, "a photo", 1_000_000_000)
    return hashlib.blake2b(data, digest_size=8).hexdigest()


def read_memory(path: Path) -> Memory:
    """The batches of a shelf; none when there is no file. Raises ``BadFile``."""
    if not path.exists():
        return Memory()
    try:
        data = json.loads(read_bytes(path, "what was learnt of inks", 50_000_000).decode("utf-8"))
        if data["format"] != FORMAT:
            raise ValueError(f"its format is {data['format']}")
        settled = data["settled"]
        if settled is not None:
            mean = _numbers(settled["mean"])
            covariance = _numbers(settled["covariance"]).reshape(mean.size, mean.size)
            if mean.size != ROWS * len(data["inks"]):
                raise ValueError("its numbers do not belong to its inks")
            eye = np.eye(mean.size)
            settled = Knowledge(mean, np.linalg.cholesky(covariance + 1e-6 * eye))
        stale = settled is not None and data.get("prior") != FORM
        slabs = tuple(_slab(row) for row in data["slabs"])
        return Memory(slabs, dict(data["inks"]), None if stale else settled, stale)
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError,
            np.linalg.LinAlgError) as problem:  # fmt: skip
        raise BadFile(
            f"{path} is not what drawdown wrote there ({problem})",
            "what it learnt of your inks cannot be trusted then",
            "restore a copy, or move the file away to start over",
        ) from problem


def _numbers(text: str) -> np.ndarray:
    values = np.frombuffer(base64.b64decode(text, validate=True), dtype="<f4").astype(float)
    if not np.isfinite(values).all():
        raise ValueError("a number is not finite")
    return values


def _slab(row: dict) -> Slab:
    return Slab(str(row["name"]), _amounts(row["mix"]), tuple(_photo(p) for p in row["photos"]))


def _amounts(row: dict) -> dict[str, float]:
    amounts = {str(name): float(value) for name, value in row.items()}
    if not all(np.isfinite(v) and v >= 0 for v in amounts.values()):
        raise ValueError("an amount is not a number from 0 up")
    return amounts


def _photo(row: dict) -> SlabPhoto:
    original, batch = np.array(row["lab_original"], float), np.array(row["lab_batch"], float)
    covariance = np.array(row["covariance"], float)
    if original.shape != (3,) or batch.shape != (3,) or covariance.shape != (6, 6):
        raise ValueError("a colour does not have three numbers")
    if not (np.isfinite(covariance).all() and np.linalg.eigvalsh(covariance).min() > 0):
        raise ValueError("an uncertainty is not above 0")
    step = Step(
        Reading(original, batch, covariance), _amounts(row["added"]),
        row["film_ratio"], float(row["film_log_sd"]),
    )  # fmt: skip
    paper = row["paper_lab"]
    return SlabPhoto(
        str(row["photo"]), str(row["mark"]), str(row["when"]), step, row["grams"],
        None if paper is None else tuple(float(v) for v in paper),
    )  # fmt: skip


def _write(path: Path, memory: Memory) -> None:
    def packed(values: np.ndarray) -> str:
        return base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode()

    def listed(values: np.ndarray) -> list:
        return np.round(values, 5).tolist()

    settled = memory.settled
    data = {
        "format": FORMAT,
        "slabs": [
            {
                "name": slab.name,
                "mix": slab.mix,
                "photos": [
                    {
                        "photo": photo.path,
                        "mark": photo.mark,
                        "when": photo.when,
                        "lab_original": listed(photo.step.reading.lab_original),
                        "lab_batch": listed(photo.step.reading.lab_batch),
                        "covariance": photo.step.reading.covariance.tolist(),
                        "added": photo.step.added,
                        "film_ratio": photo.step.film_ratio,
                        "film_log_sd": photo.step.film_log_sd,
                        "grams": photo.grams,
                        "paper_lab": photo.paper_lab,
                    }
                    for photo in slab.photos
                ],
            }
            for slab in memory.slabs
        ],
        "prior": FORM,
        "inks": memory.inks,
        "settled": None
        if settled is None
        else {"mean": packed(settled.mean), "covariance": packed(settled.covariance)},
    }
    write_atomically(path, (json.dumps(data, indent=1) + "\n").encode())


# What is known ---------------------------------------------------------------------------


def _settled_for(memory: Memory, shelf: Shelf) -> Knowledge | None:
    """What the earlier batches taught of the inks that still have the figures they had."""
    if memory.stale:
        changed = {i.name for i in shelf if memory.inks.get(i.name) not in (None, figures_mark(i))}
        memory = _settle(
            shelf, tuple(slab for slab in memory.slabs if not changed & _inks_in(slab))
        )
    places = {name: i for i, name in enumerate(memory.inks)}
    known = {
        ink.name: places[ink.name]
        for ink in shelf
        if memory.inks.get(ink.name) == figures_mark(ink)
    }
    return gather(shelf, known, memory.settled)


def _inks_in(slab: Slab) -> set[str]:
    return set(slab.mix) | {name for step in slab.steps for name in step.added}


def _lesson(shelf: Shelf, knowledge: Knowledge | None, slab: Slab) -> Lesson | None:
    """What a batch teaches; None when an ink of it is no longer on the shelf."""
    if not slab.photos or not _inks_in(slab) <= set(shelf.names):
        return None
    return learn(shelf, knowledge, slab.mix, slab.steps, paper_ground(slab.photos[-1].paper_lab))


def knowledge_of(memory: Memory, shelf: Shelf) -> Knowledge | None:
    """What all batches together have taught of the inks on the shelf."""
    knowledge = _settled_for(memory, shelf)
    lesson = _lesson(shelf, knowledge, memory.slabs[-1]) if memory.slabs else None
    return knowledge if lesson is None else lesson.knowledge


def knowledge_for(
    memory: Memory, whole: Shelf, part: Shelf, opened: Opened | None
) -> Knowledge | None:
    """What is known of the inks of ``part``, a choice from the ``whole`` shelf: from other
    batches for one that is ``opened``, else from all."""
    knowledge = knowledge_of(memory, whole) if opened is None else opened.knowledge
    places = {name: i for i, name in enumerate(whole.names)}
    return gather(part, {name: places[name] for name in part.names}, knowledge)


def _settle(shelf: Shelf, slabs: tuple[Slab, ...]) -> Memory:
    """Learn all but the newest batch from the beginning."""
    knowledge = None
    for slab in slabs[:-1]:
        lesson = _lesson(shelf, knowledge, slab)
        knowledge = knowledge if lesson is None else lesson.knowledge
    touched = set().union(*(_inks_in(slab) for slab in slabs[:-1]))
    here = [i for i, ink in enumerate(shelf) if ink.name in touched]
    if knowledge is None or not here:
        return Memory(slabs)
    few = Shelf(tuple(shelf.inks[i] for i in here))
    only = gather(few, {shelf.inks[i].name: i for i in here}, knowledge)
    return Memory(slabs, {ink.name: figures_mark(ink) for ink in few}, only)


# A batch goes on -------------------------------------------------------------------------


def find_slab(memory: Memory, name: str) -> Slab | None:
    """The batch of that name; case, spaces and hyphens do not count."""
    return next((s for s in memory.slabs if plain(s.name) == plain(name)), None)


def open_slab(
    memory: Memory, shelf: Shelf, name: str, mix: dict[str, float] | None,
    added: dict[str, float], grams: float | None, mark: str,
) -> Opened:  # fmt: skip
    """A batch as the photo with ``mark`` finds it. ``mix`` in parts (any names) begins one;
    ``added`` (any names) is in grams when the batch's weight is known, else in parts per 100
    of the batch as it was; ``grams`` is its weight now. Raises ``WrongUsage``."""
    slab = find_slab(memory, name)
    named = None if mix is None else shelf.named_mix(mix)
    if slab is None:
        return Opened(
            _begin(memory, name, named, added), {}, grams, mark, knowledge_of(memory, shelf)
        )
    if named is not None and not _same(named, slab.mix):
        raise WrongUsage(
            f'the batch "{slab.name}" began with another mix',
            "its photos so far go with that one",
            "leave `mix` out to go on with it, or begin a batch of another name",
        )
    again = slab.photos[-1] if slab.photos and slab.photos[-1].mark == mark else None
    if again is not None:  # the same photo once more takes the place of its first time
        slab = replace(slab, photos=slab.photos[:-1])
    before = slab.photos[-1].grams if slab.photos else None
    shares, now = _shares(shelf, added, before, grams)
    if again is not None and not added:
        shares, now = again.step.added, again.grams if grams is None else grams
    newest = find_slab(memory, name) is memory.slabs[-1]
    others = memory if newest else _settle(shelf, _last(memory.slabs, slab))
    return Opened(slab, shares, now, mark, _settled_for(others, shelf))


def _begin(memory: Memory, name: str, mix, added) -> Slab:
    if not name.strip() or not name.isprintable():
        raise WrongUsage(
            "`slab` has no name that can be printed",
            "the name is how you go on with this batch",
            'give it one, like `slab` "kingfisher green"',
        )
    if mix is not None and added:
        raise WrongUsage(
            f'the batch "{name}" begins with this photo, and `added` is given',
            "only a photo from before shows what an addition did",
            "leave `added` out, and give with `mix` all that is in the batch",
        )
    if mix is None:
        known = ", ".join(f'"{slab.name}"' for slab in memory.slabs[-5:])
        raise WrongUsage(
            f'there is no batch "{name}" yet',
            "a new one begins with its mix",
            "give the mix with `mix`" + (f", or go on with one of {known}" if known else ""),
        )
    return Slab(name, mix)


def _same(one: dict[str, float], two: dict[str, float]) -> bool:
    return set(one) == set(two) and all(abs(one[n] - two[n]) < 0.01 * two[n] + 1e-3 for n in two)


def _shares(shelf: Shelf, added: dict[str, float], before: float | None, now: float | None):
    """Shares of the batch as it was, and its weight now."""
    amounts: dict[str, float] = {}
    for text, value in added.items():
        name = shelf.find(text).name
        amounts[name] = amounts.get(name, 0.0) + value
    total = sum(amounts.values())
    if before is None and now is None:
        return {name: value / 100 for name, value in amounts.items()}, None
    if now is not None:
        before = now - total
    if not before > 0:
        raise WrongUsage(
            f"`added` comes to {total:g} g, and the batch weighs {now:g} g with it",
            "what is added cannot be all of the batch",
            "give with `batch_grams` what the batch weighs now, additions included",
        )
    return {name: value / before for name, value in amounts.items()}, before + total


def _last(slabs: tuple[Slab, ...], slab: Slab) -> tuple[Slab, ...]:
    """The batches with this one as the newest."""
    return (*(s for s in slabs if plain(s.name) != plain(slab.name)), slab)


def remember(path: Path, shelf: Shelf, opened: Opened, photo: SlabPhoto) -> Lesson | None:
    """Keep a photo of a batch. Returns what the batch teaches now. Raises ``BadFile``."""
    slab = replace(opened.slab, photos=(*opened.slab.photos, photo))
    with locked(path, *MEMORY_LOCK):
        memory = read_memory(path)
        newest = memory.slabs and plain(memory.slabs[-1].name) == plain(slab.name)
        slabs = _last(memory.slabs, slab)
        goes_on = newest and not memory.stale
        memory = replace(memory, slabs=slabs) if goes_on else _settle(shelf, slabs)
        _write(path, memory)
    return _lesson(shelf, _settled_for(memory, shelf), slab)


def forget_last(path: Path, shelf: Shelf) -> tuple[Slab, SlabPhoto]:
    """Take back the newest photo, and its batch when that was its only one. Raises
    ``WrongUsage`` when there is none, and ``BadFile``."""
    with locked(path, *MEMORY_LOCK):
        memory = read_memory(path)
        if not memory.slabs:
            raise WrongUsage(
                "nothing was learnt of this shelf yet",
                "there is no photo to take back",
                "photos are remembered by drawdown match with `slab` NAME and `mix`",
            )
        slab = memory.slabs[-1]
        left = replace(slab, photos=slab.photos[:-1])
        slabs = (*memory.slabs[:-1], left) if left.photos else memory.slabs[:-1]
        goes_on = left.photos and not memory.stale
        _write(path, replace(memory, slabs=slabs) if goes_on else _settle(shelf, slabs))
    return slab, slab.photos[-1]
