"""A look in the story of its batch, in a process: what the book gives to it, and how it goes in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from calibration.errors import sentence
from calibration.naming import named
from drawdown.book import Book, open_book
from drawdown.book.batches import batch_called, last_entry, newest_change, story_of
from drawdown.book.columns import Entry
from drawdown.book.memory.from_book import FromBook, from_book, of_photo
from drawdown.book.memory.story import log_match
from drawdown.book.opening import is_there
from drawdown.page.looks import Asked, Look
from drawdown.page.studio import Studio
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import Judgement


def of_book(studio: Studio, look: Look, asked: Asked, options: Options) -> FromBook | None:
    """What the book knows of the look's batch and its kept original; None where neither was named.
    Raises ``WrongUsage`` and ``BadFile``."""
    follows = "" if studio.read_only else asked.follows
    if not follows and not asked.kept:
        return None
    shown = False if options.original is not None else None
    return from_book(
        studio.book, asked.kept or None, follows or None, photo=look.photos()[0],
        said=asked.said, added=None, grams=options.batch_grams, apart=asked.apart or shown,
        batch_number=options.batch, shelf=studio.shelf,
    )  # fmt: skip


def in_story(book: Book, name: str, photo: Path) -> list[Entry]:
    """The photo's readings in the story of the batch called so."""
    batch = batch_called(book, name)
    return [] if batch is None else of_photo(book, story_of(book, batch.id), photo)


def take_back(studio: Studio, look: Look, follows: str) -> None:
    """Take the look's photo out of the batch's story, where that was the last change of the book:
    it goes in anew once it is judged anew."""
    if studio.read_only or not is_there(studio.book):
        return
    with open_book(studio.book, write=True) as book:
        batch = batch_called(book, follows)
        if batch is None:
            return
        story = story_of(book, batch.id)
        mine = of_photo(book, story, look.photos()[0])
        newest = newest_change(book, batch.id)
        last = bool(mine) and mine[-1].id == last_entry(story)
        if last and newest is not None and newest[1] == ("read",):
            book.undo(only=newest[0])


def put_in(
    studio: Studio, look: Look, seen: Judgement, source: FromBook, document: dict[str, Any]
) -> dict[str, Any]:
    """Put a judged look into its batch's story: the number of its entry, and what is worth a word.
    Raises ``BadFile``."""
    assert source.batch_name is not None
    photo = _of_batch(look, seen)
    if seen.earlier is not None and seen.earlier.photo is not None:
        other = replace(seen.earlier.photo, path=str(look.photos()[0]))
        seen = replace(seen, earlier=replace(seen.earlier, photo=other))
    words = document["comparison"]["words"]
    with open_book(studio.book, write=True) as book:
        told = log_match(book, source, photo, seen, words, document["advice"])
        mine = in_story(book, source.batch_name, photo)
    return {
        "entry": mine[-1].id if mine else None,
        "told": [sentence(named(text)) for text in (*source.told, *told)],
    }


def _of_batch(look: Look, seen: Judgement) -> Path:
    """The photo that shows the batch: the second where each shows one strip."""
    return look.photos()[0 if seen.earlier is None else 1]
