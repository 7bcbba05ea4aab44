"""What a page changes of a batch: what went in is noted, and the last step is taken back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calibration.errors import WrongUsage
from drawdown.book import Book
from drawdown.book.batches import (
    StoryWentOn,
    add_to,
    batch_called,
    came_to_be,
    newest_change,
    story_of,
    unit_said,
)
from drawdown.book.columns import Batch
from drawdown.book.memory.story import better_mix
from drawdown.book.originals import add_recipe
from drawdown.book.shapes import clean_name
from drawdown.page.batch import work as working
from drawdown.page.batch.looking import batch_of
from drawdown.page.batch.work import WentIn
from drawdown.page.book.access import Form, NotThere, asked
from drawdown.page.inks import MOST_FIELDS, amounts_given
from drawdown.page.rooms import house_of, refuse_read_only, work
from drawdown.page.studio import Studio
from drawdown.studio.shelf_file import shelf_in_use


async def look_added(request: Request) -> Response:
    """What went in after a look's answer: what was advised, or what was said. A look that was in
    no batch begins one."""
    refuse_read_only(request)
    house = house_of(request)
    look = house.looks.find(request.path_params["name"])
    back = RedirectResponse(f"/look/{look.name}#batch", 303)
    given = await _form(request)
    answer, follows = look.answer, look.asked.follows
    if answer is None:
        return back
    said = None if given.get("as_advised") else _said(given, house.studio)
    advice = (answer["document"] or {}).get("advice") or {}

    def add(book: Book) -> bool:
        batch = batch_called(book, follows)
        if batch is None or answer.get("entry") not in {e.id for e in story_of(book, batch.id)}:
            return False
        went_in = said or _advised(advice, weighed=batch.grams is not None)
        add_to(
            book, batch, went_in.inks, unit_said(went_in.unit, batch), portion=went_in.portion,
            after=_after(given),
        )  # fmt: skip
        return True

    try:
        if not (follows and await asked(request, add, write=True)):
            name = clean_name(given.get("follows", "") or follows, "`batch`")
            went_in = said or _advised(advice)
            await work(request, look.name, working.begin, look.folder, name, went_in).outcome()
    except StoryWentOn:  # tapped twice
        pass
    return back


async def batch_added(request: Request) -> Response:
    """What went into a batch since its last photo."""
    refuse_read_only(request)
    number = request.path_params["id"]
    given = await _form(request)
    said = _said(given, house_of(request).studio)

    def add(book: Book) -> bool:
        batch = batch_of(book, number)
        add_to(book, batch, said.inks, unit_said(said.unit, batch), after=_after(given))
        return True

    await _changed(request, add)
    return RedirectResponse(f"/batch/{number}", 303)


async def recipe(request: Request) -> Response:
    """What is in a batch that matches becomes the recipe of its original."""
    refuse_read_only(request)
    number = request.path_params["id"]

    def save(book: Book) -> int:
        batch = batch_of(book, number)
        inside = better_mix(book, batch)
        if inside is None or batch.original is None:
            raise WrongUsage(
                "this batch is no better recipe",
                "its last photo says no match, or the recipe is the same already",
                "follow it until a photo says match",
            )
        with book.change(f'the recipe of batch "{batch.name}"') as change:
            add_recipe(change, batch.original, *inside, came_to_be(batch))
        return batch.original

    original = await asked(request, save, write=True)
    if original is None:
        raise NotThere
    return RedirectResponse(f"/book/kept/{original}?said=recipe", 303)


async def look_undone(request: Request) -> Response:
    refuse_read_only(request)
    look = house_of(request).looks.find(request.path_params["name"])
    await _undo(request, lambda book: batch_called(book, look.asked.follows))
    return RedirectResponse(f"/look/{look.name}#batch", 303)


async def batch_undone(request: Request) -> Response:
    refuse_read_only(request)
    number = request.path_params["id"]
    await _undo(request, lambda book: batch_of(book, number))
    return RedirectResponse(f"/batch/{number}", 303)


async def _undo(request: Request, which: Callable[[Book], Batch | None]) -> None:
    """Take back the batch's last step; not another change that came after it."""
    change = (await _form(request)).get("change", "")

    def back(book: Book) -> bool:
        batch = which(book)
        newest = newest_change(book, batch.id) if batch else None
        if newest is None or str(newest[0]) != change or book.undo(only=newest[0]) is None:
            raise WrongUsage(
                "something else was changed in the book since",
                "undo takes back the last change alone, and that one may be someone else's",
                "look at what there is now",
            )
        return True

    await _changed(request, back)


async def _changed(request: Request, what: Callable[[Book], bool]) -> None:
    try:
        if await asked(request, what, write=True) is None:
            raise NotThere
    except StoryWentOn:  # tapped twice
        pass


async def _form(request: Request) -> dict[str, str]:
    async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
        return {name: str(value) for name, value in form.items()}


def _after(given: Form) -> int:
    text = str(given.get("after", ""))
    return int(text) if text.isdecimal() and len(text) < 19 else 0


def _advised(advice: dict[str, Any], *, weighed: bool = True) -> WentIn:
    """What was advised first, as the answer says it; in parts where the batch is not ``weighed``,
    for grams would say nothing of it."""
    rows, key, unit = advice.get("grams_first"), "grams", "g"
    if not rows or not weighed:
        rows, key, unit = advice.get("add_first"), "parts_per_100", "parts"
    if not rows:
        raise WrongUsage(
            "nothing was advised", "there is nothing to note", "say what went in, ink by ink"
        )
    inks = tuple((row["ink"], row[key]) for row in rows)
    return WentIn(inks, unit, float(advice["portion"]))


def _said(given: Form, studio: Studio) -> WentIn:
    """What was said to have gone in."""
    said = amounts_given(given, "added", shelf_in_use(studio.shelf).shelf)
    if said is None:
        raise WrongUsage(
            "no ink was given", "there is nothing to note", "give how much of each ink went in"
        )
    return WentIn(tuple(said.amounts.items()), said.unit)
