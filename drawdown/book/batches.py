"""Batches and their stories: what was read, advised, added; and how one begins from a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from calibration.errors import WrongUsage
from drawdown.book.columns import (
    BATCH,
    ENTRY,
    Batch,
    Entry,
    Mix,
    MixPart,
    Original,
    Recipe,
    as_json,
    mix_text,
)
from drawdown.book.originals import SORTS, Wanted, called, check_free, find_by_name
from drawdown.book.shapes import clean_date, name_key
from drawdown.book.store import Book, Change, now
from drawdown.ink.recipe import Remake, remake

if TYPE_CHECKING:
    from drawdown.ink.shelf import Shelf
    from drawdown.matching.compare import Comparison

GRAMS, PER_100 = "grams", "parts per 100"
LEFT_SHARE = 0.999  # who takes out more than this takes all
SAME_PARTS = 0.05  # parts per 100: less is no other recipe


def begin_batch(
    book: Book,
    change: Change,
    *,
    name: str,
    original: int | None,
    date: str,
    mix: Mix = (),
    grams: float | None = None,
    note: str = "",
) -> int:
    """Add a batch. Raises ``WrongUsage`` when the name is taken. Returns its id."""
    check_free(book, "batch", name)
    return change.insert("batch", {
        **called(name), "original": original, "date": date, "mix": mix_text(mix), "grams": grams,
        "note": note,
    })  # fmt: skip


def log_reading(
    change: Change,
    batch: int,
    *,
    reading: int,
    original_reading: int | None,
    across_photos: bool,
    comparison: Comparison,
    words: str,
    advised: dict[str, Any] | None,
    taught: dict[str, str | None] | None = None,
) -> int:
    """One match in the batch's story, with what was said of the difference and what it teaches
    (``learning.taught_row``). Returns the entry's id."""
    c = comparison
    return change.insert("entry", {
        "batch": batch, "at": now(), "kind": "read", "reading": reading,
        "original_reading": original_reading, "across_photos": int(across_photos),
        "de00": float(c.de00), "de00_low95": float(c.de00_low95),
        "de00_high95": float(c.de00_high95), "tolerance": float(c.tolerance),
        "p_within": float(c.p_within), "verdict": c.verdict, "words": words,
        "advised": as_json(advised), **(taught or {}),
    })  # fmt: skip


def log_added(
    change: Change, batch: int, added: tuple[tuple[str, float], ...], unit: str, note: str = ""
) -> int:
    """What was worked into the batch: pairs of ink and amount, ``unit`` ``GRAMS`` or
    ``PER_100`` (parts to 100 parts of the batch). Returns the entry's id."""
    return change.insert("entry", {
        "batch": batch, "at": now(), "kind": "added", "added": as_json(added), "added_unit": unit,
        "note": note,
    })  # fmt: skip


def log_taken(book: Book, change: Change, batch: Batch, grams: float, note: str = "") -> int | None:
    """A portion of the batch was taken out: an entry of what is added, below nothing, each
    ink by its share. Returns the entry's id; None, and no entry, where the batch's weight is
    not known or no more than that."""
    inside = mix_with_added(batch, story_of(book, batch.id))
    if inside is None or inside[1] is None or grams >= LEFT_SHARE * inside[1]:
        return None
    taken = tuple((part.ink, round(-grams * part.parts / 100, 6)) for part in inside[0])
    return log_added(change, batch.id, taken, GRAMS, note)


class StoryWentOn(WrongUsage):
    """Something else came into a batch's story meanwhile."""


def add_to(
    book: Book, batch: Batch, added: tuple[tuple[str, float], ...], unit: str, *, note: str = "",
    portion: float = 1.0, after: int | None = None,
) -> None:  # fmt: skip
    """Note in a change of its own what went into a batch, as ``log_added`` takes it; where it went
    into a ``portion`` of it alone, that the rest was put aside first. ``after`` is the entry that
    the story ends with, as far as whoever notes it knows (0: none). Raises ``StoryWentOn``."""
    with book.change(f'added to batch "{batch.name}"') as change:
        if after is not None and after != last_entry(story_of(book, batch.id)):
            raise StoryWentOn(
                f'the story of "{batch.name}" went on meanwhile',
                "what is noted twice would count twice",
                "look at the story as it is now",
            )
        inside = mix_with_added(batch, story_of(book, batch.id)) if portion < 1 else None
        if inside is not None and inside[1] is not None:
            log_taken(book, change, batch, (1 - portion) * inside[1], "put aside, as advised")
        log_added(change, batch.id, added, unit, note)


def unit_said(unit: str, batch: Batch) -> str:
    """How amounts of what went in are meant: as ``unit`` says ("g", "parts", "%"), or where it
    says nothing in grams if the batch's weight is known."""
    known = unit == "g" or (not unit and batch.grams is not None)
    return GRAMS if known else PER_100


def came_to_be(batch: Batch) -> str:
    """Why what is in a batch is a recipe."""
    return f'as batch "{batch.name}" came to be'


def last_entry(story: Sequence[Entry]) -> int:
    """The id of the last entry of a story; 0 where there is none."""
    return story[-1].id if story else 0


def is_taken(entry: Entry) -> bool:
    """Whether an entry says that a portion was taken out."""
    return bool(entry.added) and all(amount <= 0 for _, amount in entry.added)


def batch_by_id(book: Book, batch: int) -> Batch | None:
    rows = book.rows("SELECT * FROM batch WHERE id = ?", (batch,))
    return BATCH.record(rows[0]) if rows else None


def find_batch(book: Book, name: str) -> Batch:
    """The batch of that name. Raises ``WrongUsage`` with near misses."""
    found = batch_by_id(book, find_by_name(book, "batch", name))
    assert found is not None
    return found


def batch_called(book: Book, name: str) -> Batch | None:
    """The batch of exactly that name, or None."""
    rows = book.rows(
        "SELECT * FROM batch WHERE name_key = ? AND removed IS NULL", (name_key(name),)
    )
    return BATCH.record(rows[0]) if rows else None


def newest_change(book: Book, batch: int) -> tuple[int, tuple[str, ...]] | None:
    """The last change of the book and the kinds of the entries that it made in this batch's story;
    None where it made none there. It is what ``book.undo`` would take back."""
    rows = book.rows(
        """SELECT c.id, e.kind FROM change_row r JOIN entry e ON e.id = r."row"
        JOIN change c ON c.id = r.change WHERE r.tab = 'entry' AND e.batch = ? AND c.id =
        (SELECT id FROM change WHERE state = 'done' ORDER BY id DESC LIMIT 1) ORDER BY e.id""",
        (batch,),
    )
    return (int(rows[0]["id"]), tuple(row["kind"] for row in rows)) if rows else None


def list_batches(
    book: Book, wanted: Wanted | None = None, sort: str = "date", reverse: bool = False
) -> list[Batch]:
    """The batches that are wanted, in order."""
    wanted = wanted or Wanted()
    rows = map(BATCH.record, wanted.rows(book, "SELECT * FROM batch t"))
    return sorted(filter(wanted.fits, rows), key=SORTS[sort], reverse=reverse)


def story_of(book: Book, batch: int) -> tuple[Entry, ...]:
    """The entries of a batch in the order they were made."""
    rows = book.rows(ENTRY.select() + "WHERE t.batch = ? ORDER BY t.id", (batch,))
    return tuple(map(ENTRY.record, rows))


def mix_with_added(batch: Batch, story: tuple[Entry, ...]) -> tuple[Mix, float | None] | None:
    """What is in the batch now: its mix in parts, and its weight in grams or None. None when
    it cannot be known: no mix to begin with, or grams were added to an unknown weight.

    Parts per 100 are parts to 100 parts of the batch as it was at that moment."""
    if not batch.mix:
        return None
    known = batch.grams is not None
    scale = (100 if batch.grams is None else batch.grams) / sum(part.parts for part in batch.mix)
    amounts = {part.ink: part.parts * scale for part in batch.mix}
    tins = {part.ink: part.ink_batch for part in batch.mix}
    for entry in story:
        if entry.kind != "added":
            continue
        if entry.added_unit == GRAMS and not known:
            return None
        total = sum(amounts.values())
        for ink, amount in entry.added:
            more = amount if entry.added_unit == GRAMS else amount * total / 100
            amounts[ink] = amounts.get(ink, 0.0) + more
    total = sum(amounts.values())
    if total <= 0 or min(amounts.values()) < 0:
        return None
    mix = tuple(
        MixPart(ink, round(100 * grams / total, 4), tins.get(ink, ""))
        for ink, grams in amounts.items()
    )
    return mix, total if known else None


def left_of(book: Book, source: Batch | None) -> tuple[Mix, int | None]:
    """What is in the batch as far as it is known, and its last reading."""
    if source is None:
        return (), None
    story = story_of(book, source.id)
    inside = mix_with_added(source, story)
    reads = [entry.reading.id for entry in story if entry.reading is not None]
    return inside[0] if inside else (), reads[-1] if reads else None


def same_mix(one: Mix, other: Mix) -> bool:
    """Whether two mixes are one recipe."""

    def shares(mix: Mix) -> dict[str, float]:
        whole = sum(part.parts for part in mix) or 1.0
        parts: dict[str, float] = {}
        for part in mix:
            parts[part.ink] = parts.get(part.ink, 0.0) + 100 * part.parts / whole
        return parts

    a, b = shares(one), shares(other)
    return all(abs(a.get(ink, 0.0) - b.get(ink, 0.0)) <= SAME_PARTS for ink in {*a, *b})


# A recipe weighed out again --------------------------------------------------------------

# An ink that is not on the shelf goes by its name, as people name their tins.
_GROUNDS = ("white", "base", "extender", "medium")


@dataclass(frozen=True)
class Again:
    """``tins`` are the marks of the tins it was mixed from, by ink; ``first_de00`` how far what is
    weighed first is from the whole recipe by the ink model, None where that is not known;
    ``step_g`` what the scale shows."""

    weighed: Remake
    first_de00: float | None
    step_g: float | None
    tins: dict[str, str] = field(default_factory=dict)


def weigh_again(
    recipe: Recipe, grams: float, shelf: Shelf, held_share: float, step_g: float | None
) -> Again:
    """Raises ``WrongUsage`` for amounts that make no sense."""
    # An ink may have been noted under two of its names: it is weighed once.
    parts: dict[str, float] = {}
    tins: dict[str, str] = {}
    for part in recipe.mix:
        ink = getattr(shelf.known(part.ink), "name", part.ink)
        parts[ink] = parts.get(ink, 0.0) + part.parts
        if part.ink_batch:
            tins[ink] = part.ink_batch
    ground = {ink for ink in parts if _is_ground(ink, shelf)}
    weighed = remake(parts, grams, ground, held_share, step_g)
    return Again(weighed, _first_de00(weighed, shelf), step_g, tins)


def begin_again(book: Book, change: Change, name: str, original: Original, again: Again) -> int:
    """The batch as it is on the slab: what was weighed first, not the whole recipe. Raises
    ``WrongUsage`` when the name is taken. Returns its id."""
    mix = tuple(
        MixPart(row.ink, round(row.first_g, 4), again.tins.get(row.ink, ""))
        for row in again.weighed.inks
    )
    return begin_batch(
        book, change, name=name, original=original.id, date=clean_date(None), mix=mix,
        grams=round(again.weighed.first_g, 4),
    )  # fmt: skip


def _is_ground(ink: str, shelf: Shelf) -> bool:
    """White or base."""
    if (known := shelf.known(ink)) is not None:
        return known.kind in ("white", "base")
    return any(word in ink.casefold() for word in _GROUNDS)


def _first_de00(weighed: Remake, shelf: Shelf) -> float | None:
    if not any(row.held_g for row in weighed.inks):
        return None
    import numpy as np

    from calibration.colour.difference import delta_e_2000
    from drawdown.ink.forward import lab_of_film, paper_ground

    inks = [ink for row in weighed.inks if (ink := shelf.known(row.ink))]
    if len(inks) < len(weighed.inks):
        return None
    k, s = np.array([ink.k for ink in inks]), np.array([ink.s for ink in inks])
    first = np.array([row.first_g for row in weighed.inks]) / weighed.first_g
    whole = np.array([row.first_g + row.held_g for row in weighed.inks]) / weighed.whole_g
    labs = lab_of_film(
        np.array([first, whole]) @ k, np.array([first, whole]) @ s, np.ones((2, 1)),
        paper_ground(None),
    )  # fmt: skip
    return float(delta_e_2000(labs[0], labs[1]))
