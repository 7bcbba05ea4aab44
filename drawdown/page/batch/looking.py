"""Batches to look at: all of them, one with its story, and the one that a look follows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from drawdown.book import Book
from drawdown.book.batches import (
    batch_by_id,
    batch_called,
    is_taken,
    last_entry,
    mix_with_added,
    newest_change,
    story_of,
)
from drawdown.book.columns import Batch, Entry, Original
from drawdown.book.memory.story import better_mix
from drawdown.book.originals import newest_names, original_by_id
from drawdown.defaults import SCALE_STEP_G
from drawdown.page import inks
from drawdown.page.answer import hex_rgb
from drawdown.page.book.access import MOST_ID, NotThere, asked, in_book
from drawdown.page.looks import Asked, Look
from drawdown.page.rooms import house_of, page
from drawdown.page.studio import Studio
from drawdown.report.html.book import story_svg
from drawdown.report.text.book import in_it_now, story_steps
from drawdown.studio.scale import scale_step
from drawdown.studio.shelf_file import shelf_in_use
from drawdown.wording.book import mix_words

MOST_LISTED, MOST_NAMED = 60, 300


def batch_of(book: Book, number: int) -> Batch:
    """Raises ``NotThere``."""
    found = batch_by_id(book, number) if number <= MOST_ID else None
    if found is None or found.removed:
        raise NotThere
    return found


def told(book: Book, batch: Batch, entry: int | None = None) -> dict[str, Any]:
    """A batch's story for a page; ``entry`` is the photo it is looked at from, the last if none."""
    story = story_of(book, batch.id)
    inside = mix_with_added(batch, story)
    steps = story_steps(batch, story)
    reads = [e for e in story if e.kind == "read"]
    known = {e.id for e in reads}
    here = entry if entry in known else None if entry else max(known, default=None)
    since = [e for e in story if e.id > (here or 0)]
    words = dict(zip((e.id for e in story), (step[3] for step in steps[1:]), strict=True))
    steps[1:] = [(_here(e.at), *step[1:]) for e, step in zip(story, steps[1:], strict=True)]
    newest = newest_change(book, batch.id)
    original = original_by_id(book, batch.original) if batch.original else None
    return {
        "id": batch.id,
        "name": batch.name,
        "towards": None if original is None else {"id": original.id, "name": original.name},
        "now": in_it_now(inside) if inside else "",
        "inks": [part.ink for part in (inside[0] if inside else batch.mix)],
        "weighed": batch.grams is not None,
        "better": better_mix(book, batch) is not None,
        "swatches": _pair(original, reads),
        "plot": story_svg(story),
        "steps": steps,
        "last": last_entry(story),
        "noted": here is not None,
        "added": [words[e.id] for e in since if e.kind == "added" and not is_taken(e)],
        "went_on": any(e.kind == "read" for e in since),
        "newest": None if newest is None else {"change": newest[0], "kind": newest[1][-1]},
    }


def _here(moment: str) -> str:
    """A moment of the book, by the clock of this computer."""
    return f"{datetime.fromisoformat(moment).astimezone():%Y-%m-%d %H:%M}"


def _pair(original: Original | None, reads: Sequence[Entry]) -> list[dict[str, str]]:
    """Original and batch as their last photo shows them."""
    last = reads[-1] if reads else None
    of_original = (last and last.original_reading) or (original and original.reading)
    pair = (("original", of_original), ("batch", last and last.reading))
    return [{"name": name, "rgb": hex_rgb(r.lab_d50)} for name, r in pair if r]


def of_look(studio: Studio, asked_of: Asked, answer: dict[str, Any]) -> dict[str, Any]:
    """What a look's page says of its batch. ``name`` is the batch's, or what a new one may be
    called; ``story`` None while it is in none."""
    story = None
    if asked_of.follows:

        def look(book: Book) -> dict[str, Any] | None:
            batch = batch_called(book, asked_of.follows)
            return None if batch is None else told(book, batch, answer.get("entry") or -1)

        story = in_book(studio, look)
    advice = (answer["document"] or {}).get("advice")
    return {
        "story": story,
        "name": asked_of.follows or new_name(asked_of),
        "advised": _advised(advice) if advice else {},
        "mix_known": bool(asked_of.mix or asked_of.kept or asked_of.follows),
        "wait": bool(advice and advice["wait"]),
        "aside": bool(advice and advice["portion"] < 1),
    }


def _advised(advice: dict[str, Any]) -> dict[str, str]:
    """Each ink that was advised first, and how much of it."""
    if advice["grams_first"]:
        return {row["ink"]: f"{row['grams']:g}" for row in advice["grams_first"]}
    return {row["ink"]: f"{row['parts_per_100']:g}" for row in advice["add_first"]}


def mixes_of(studio: Studio, look: Look) -> dict[int, str]:
    """What each strip of a look was pulled from, as far as it is known: the batch as it was when
    the photo was taken, and the original."""
    asked_of, answer = look.asked, look.answer or {}

    def in_it(book: Book) -> str:
        batch = batch_called(book, asked_of.follows)
        if batch is None:
            return ""
        then = tuple(e for e in story_of(book, batch.id) if e.id <= (answer.get("entry") or 0))
        inside = mix_with_added(batch, then)
        return mix_words(inside[0]) if inside else ""

    of_batch = (asked_of.follows and in_book(studio, in_it)) or asked_of.mix
    mixes = {"original": asked_of.original_mix, "batch": of_batch}
    strips = answer.get("strips", [])
    return {strip["number"]: mixes[strip["role"]] for strip in strips if strip["role"]}


def new_name(asked_of: Asked) -> str:
    """What a batch may be called that nobody named."""
    return f"{asked_of.kept or 'Batch'}, {datetime.fromtimestamp(asked_of.when):%d %b %H:%M}"


def to_choose(studio: Studio, mix: str = "") -> dict[str, Any]:
    """What can be chosen from: the originals and batches that the book knows, name and number, and
    the inks of the shelf; and a ``mix`` as their fields say it."""

    def look(book: Book) -> dict[str, dict[str, int]]:
        return {
            "originals": newest_names(book, "original", MOST_NAMED),
            "batches": newest_names(book, "batch", MOST_NAMED),
        }

    named = in_book(studio, look) or {"originals": {}, "batches": {}}
    shelf = shelf_in_use(studio.shelf).shelf
    amounts, typed = inks.in_fields(mix, shelf)
    step = scale_step() or SCALE_STEP_G
    return {**named, "inks": inks.shown(shelf), "amounts": amounts, "typed": typed, "step_g": step}


# Pages -----------------------------------------------------------------------------------


async def batches(request: Request) -> Response:
    """The newest batches."""
    found = await asked(request, _listed) or []
    return page(request, "batches.html", batches=found, most=MOST_LISTED)


def _listed(book: Book) -> list[dict[str, Any]]:
    rows = []
    for number in newest_names(book, "batch", MOST_LISTED).values():
        batch = batch_of(book, number)
        reads = [e for e in story_of(book, batch.id) if e.kind == "read"]
        original = original_by_id(book, batch.original) if batch.original else None
        rows.append({
            "id": batch.id,
            "name": batch.name,
            "date": batch.date,
            "towards": original.name if original else "",
            "verdict": reads[-1].verdict or "no verdict" if reads else "no photo yet",
            "swatches": _pair(original, reads),
        })  # fmt: skip
    return rows


async def batch(request: Request) -> Response:
    """One batch with its story."""
    number = request.path_params["id"]
    shown = await asked(request, lambda book: told(book, batch_of(book, number)))
    if shown is None:
        raise NotThere
    known = await run_in_threadpool(to_choose, house_of(request).studio)
    return page(request, "batch.html", story=shown, asked=Asked(follows=shown["name"]), known=known)
