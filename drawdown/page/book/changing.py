"""What a page changes in the book, by its own changes: mixing again, storing, using, undoing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calibration.errors import WrongUsage
from drawdown.book import Book
from drawdown.book.batches import begin_again, find_batch, left_of
from drawdown.book.batches import log_taken as take_out
from drawdown.book.packets import put_by, take_from
from drawdown.book.shapes import clean_date, clean_name
from drawdown.book.store import list_changes
from drawdown.page.book.access import (
    Form,
    NotThere,
    asked,
    grams_of,
    original_of,
    packet_of,
    text_of,
    weighed,
)
from drawdown.page.rooms import house_of, refuse_read_only


async def _changed(
    request: Request, what: Callable[[Book, Form], Any], place: str, said: str
) -> Response:
    """What a form asks for, by the book's own changes; then the page again."""
    refuse_read_only(request)
    async with request.form(max_files=0, max_fields=20) as form:
        given = dict(form)

    def change(book: Book) -> int:
        what(book, given)
        return list_changes(book, limit=1)[0].id

    number = await asked(request, change, write=True)
    if number is None:
        raise NotThere
    return RedirectResponse(f"{place}?said={said}&change={number}", 303)


async def mix(request: Request) -> Response:
    """Mix again: a batch begins with what is weighed first."""
    number, studio = request.path_params["id"], house_of(request).studio

    def begin(book: Book, form: Form) -> None:
        o = original_of(book, number)
        name = clean_name(str(form.get("name", "")))
        again = weighed(o, str(form.get("grams", "")), studio)
        with book.change(f'began "{name}"') as change:
            begin_again(book, change, name, o, again)

    return await _changed(request, begin, f"/book/kept/{number}", "mix")


async def store(request: Request) -> Response:
    """Leftover ink of an original, perhaps of one of its batches, as a packet."""
    number = request.path_params["id"]

    def put(book: Book, form: Form) -> None:
        o = original_of(book, number)
        name, grams = clean_name(str(form.get("name", ""))), grams_of(str(form.get("grams", "")))
        source = find_batch(book, str(form["batch"])) if form.get("batch") else None
        inside, reading = left_of(book, source)
        of_original = o.recipe.mix if o.recipe else ()
        with book.change(f'stored "{name}"') as change:
            if source is not None:
                take_out(book, change, source, grams, f'stored as "{name}"')
            put_by(
                book, change, name=name, grams=grams, date=clean_date(None),
                place=text_of(form, "where"), mix=inside or of_original, original=o.id,
                batch=source.id if source else None, reading=reading,
            )  # fmt: skip

    return await _changed(request, put, f"/book/kept/{number}", "store")


async def use(request: Request) -> Response:
    """Ink is taken out of a packet; all of it where no weight is given."""
    number = request.path_params["id"]

    def take(book: Book, form: Form) -> None:
        said = str(form.get("grams", "")).strip()
        packet = packet_of(book, number)
        with book.change(f'took ink from "{packet.name}"') as change:
            now = packet_of(book, number)  # as it is, now that nobody else writes
            take_from(change, now, grams_of(said) if said else None)

    return await _changed(request, take, "/book/packets", "use")


async def undo(request: Request) -> Response:
    """The change that was just made; not another one that came after it."""

    def back(book: Book, form: Form) -> None:
        last = next((c for c in list_changes(book, limit=50) if c.state == "done"), None)
        if last is None or str(last.id) != str(form.get("change", "")):
            raise WrongUsage(
                "something else was changed in the book since",
                "undo takes back the last change alone, and that one may be someone else's",
                "look at what there is now",
            )
        book.undo()

    return await _changed(request, back, "/book", "undo")
