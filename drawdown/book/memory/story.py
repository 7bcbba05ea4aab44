"""A match goes into a batch's story: its reading, what was said to have gone in before it, what it
teaches; and what is worth a word to whoever logged it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drawdown.book.batches import (
    GRAMS,
    PER_100,
    batch_called,
    begin_batch,
    log_added,
    log_reading,
    log_taken,
    mix_with_added,
    same_mix,
    story_of,
)
from drawdown.book.columns import Batch, Mix, mix_text
from drawdown.book.memory.from_book import FromBook
from drawdown.book.memory.learning import lesson_of, taught_row
from drawdown.book.originals import original_by_id
from drawdown.book.readings import insert_reading, store_photo
from drawdown.book.shapes import clean_date
from drawdown.book.store import Book, Change
from drawdown.matching.batch_history import BatchPhoto

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading

SAME_WEIGHT_G, SAME_WEIGHT_SHARE = 0.1, 0.005  # less is what a scale leaves open


def log_match(
    book: Book, source: FromBook, photo: Path, judgement: Judgement, words: str,
    advised: dict[str, Any] | None,
) -> list[str]:  # fmt: skip
    """Put the match into the batch's story; ``words`` and ``advised`` are what was said of the
    difference and the advice, as in JSON. Returns remarks. Raises ``BadFile``."""
    c, earlier = judgement.comparison, judgement.earlier
    assert c is not None
    if source.again:
        return [
            f'This photo is in the story of "{source.batch_name}" already: it counts once, and '
            "nothing was noted. To note it otherwise, take it back first: `undo_change`"
        ]
    strip = next(s for s in judgement.strips if s.number == c.batch)
    stored, crop = store_photo(book, photo, judgement, strip)
    other = None if earlier is None else book.photos.add_file(Path(earlier.path))
    with book.change(f'logged a photo of batch "{source.batch_name}"') as change:
        row, told = _row(book, change, source)
        if judgement.step is not None:
            told += _log_added(book, change, source, row)
        elif source.added:
            told.append(
                "A photo without a sure verdict on dry strips teaches nothing, so what was added "
                "is not noted yet: say it again with the next photo."
            )
        reading = insert_reading(change, judgement, strip, stored, crop)
        of_original = source.original and source.original.reading and source.original.reading.id
        apart = bool(judgement.kept and judgement.kept.apart)
        shown = None if apart else _original_in(earlier or judgement, c.original)
        if shown is not None:
            of_original = insert_reading(change, earlier or judgement, shown, other or stored, None)
        taught, doubt = _taught(source, judgement)
        log_reading(
            change, row, reading=reading, original_reading=of_original,
            across_photos=apart or earlier is not None, comparison=c, words=words,
            advised=advised, taught=taught,
        )  # fmt: skip
        told += doubt
    return told


def _original_in(where: Judgement, number: int | None) -> StripReading | None:
    return next((s for s in where.strips if s.number == number), None)


def _row(book: Book, change: Change, source: FromBook) -> tuple[int, list[str]]:
    """The batch's row, begun if there is none yet."""
    assert source.batch_name is not None
    batch = batch_called(book, source.batch_name)  # as it is now that nobody else writes
    if batch is not None:
        if not batch.mix and source.mix_said:
            change.update("batch", batch.id, {"mix": mix_text(source.mix), "grams": source.grams})
        return batch.id, [f'Logged to batch "{batch.name}".']
    row = begin_batch(
        book, change, name=source.batch_name, date=clean_date(None), mix=source.mix,
        original=source.original.id if source.original else None, grams=source.grams,
    )  # fmt: skip
    told = [f'Logged to the new batch "{source.batch_name}".']
    if source.mix and not source.mix_said and source.original is not None:
        told.append(
            f'It is noted as mixed like "{source.original.name}": if it was not, undo and '
            "give `mix`."
        )
    return row, told


def _log_added(book: Book, change: Change, source: FromBook, row: int) -> list[str]:
    """What was said to have gone in, and a portion that was taken out, as the weight shows."""
    told, added = [], source.added
    if source.batch is not None and source.weighed is not None:
        more = 0.0 if source.in_parts else sum(added.values())
        told += _weighed_again(book, change, source.batch, source.weighed - more)
    if added:
        unit = PER_100 if source.in_parts else GRAMS
        log_added(change, row, tuple(added.items()), unit)
        told.append(f"What was added went into the batch's story, in {unit}.")
    return told


def _taught(source: FromBook, judgement: Judgement) -> tuple[dict[str, str | None], list[str]]:
    """What the photo teaches, and a word where it contradicts the noted mix and so teaches
    nothing."""
    followed, step = source.followed, judgement.step
    if step is None or followed is None:
        return {}, []
    taught = taught_row(step, {*followed.story.inks, *followed.added}, source.shelf)
    paper = judgement.paper_lab_d50
    seen = BatchPhoto(step, "", followed.grams, None if paper is None else tuple(map(float, paper)))
    story = replace(followed.story, photos=(*followed.story.photos, seen))
    if lesson_of(story, source.shelf, source.knowledge).taken:
        return taught, []
    return taught, [
        "Nothing was learnt of the inks: the colours contradict the noted mix. Check the mix and "
        "what was added."
    ]


def _weighed_again(book: Book, change: Change, batch: Batch, grams: float) -> list[str]:
    """The batch weighed ``grams`` before what is added now: less than the book knows of means
    that a portion was taken out."""
    inside = mix_with_added(batch, story_of(book, batch.id))
    known = None if inside is None else inside[1]
    if known is None or abs(known - grams) <= max(SAME_WEIGHT_G, SAME_WEIGHT_SHARE * known):
        return []
    if grams > known:
        return [
            f"The book knows of {round(known, 1):g} g in it, not {round(grams, 1):g} g: note what "
            "went in with `note_added`."
        ]
    log_taken(book, change, batch, known - grams, "as weighed since")
    return [f"{round(known - grams, 1):g} g less than in the book: noted as taken out."]


def better_mix(book: Book, batch: Batch) -> tuple[Mix, float | None] | None:
    """What is in a batch that matches its original, and the weight of it, where the original's
    recipe is another; whether it is the better one is for the person to say. None else."""
    original = original_by_id(book, batch.original) if batch.original else None
    story = story_of(book, batch.id)
    inside = mix_with_added(batch, story)
    verdict = next((e.verdict for e in reversed(story) if e.kind == "read"), None)
    if original is None or inside is None or verdict != "match":
        return None
    return None if same_mix(inside[0], original.recipe.mix if original.recipe else ()) else inside


def recipe_offer(book: Book, source: FromBook) -> list[str]:
    """How to save what is in a batch that matches as the recipe of its original."""
    batch = batch_called(book, source.batch_name or "")
    if batch is None or source.original is None or source.again or not better_mix(book, batch):
        return []
    return [
        f'It matches. To save what is in this batch as the recipe of "{source.original.name}": '
        f'`edit_in_book` "{source.original.name}" `batch` "{batch.name}"'
    ]
