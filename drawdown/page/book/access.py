"""How the pages reach the book, and what a person typed for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from calibration.errors import DrawdownError, WrongUsage
from drawdown.book import Book, open_book
from drawdown.book.batches import weigh_again
from drawdown.book.columns import Original, Packet
from drawdown.book.opening import is_there
from drawdown.book.originals import original_by_id
from drawdown.book.packets import packet_by_id
from drawdown.book.shapes import clean_grams, clean_text
from drawdown.defaults import HOLD_BACK_PERCENT
from drawdown.ink.mix_notation import number_of
from drawdown.page.rooms import house_of
from drawdown.page.studio import Studio
from drawdown.studio.scale import scale_step
from drawdown.studio.shelf_file import shelf_in_use
from drawdown.wording.book import NO_RECIPE

Form = Mapping[str, Any]
MOST_ID = 2**63 - 1  # of a row in the database


_SAID = {
    "kept": "Kept in the book.",
    "mix": "The batch is begun in the book with what is weighed first.",
    "store": "Stored.",
    "use": "Noted.",
    "pull": "Noted.",
    "recipe": "The recipe is saved.",
    "undo": "Taken back.",
}


class NotThere(DrawdownError):
    """What was asked for is not in the book."""

    def __init__(self) -> None:
        super().__init__(
            "this is not in the book, or no longer",
            "it may have been removed, or its adding taken back",
            "look for it in the list",
        )


def in_book(studio: Studio, what: Callable[[Book], Any], *, write: bool = False) -> Any:
    """What a function makes of the book; None where there is none yet."""
    if not is_there(studio.book):
        return None
    with open_book(studio.book, write=write) as book:
        return what(book)


async def asked(request: Request, what: Callable[[Book], Any], *, write: bool = False) -> Any:
    return await run_in_threadpool(in_book, house_of(request).studio, what, write=write)


def original_of(book: Book, number: int) -> Original:
    """Raises ``NotThere``."""
    found = original_by_id(book, number) if number <= MOST_ID else None
    if found is None or found.removed:
        raise NotThere
    return found


def packet_of(book: Book, number: int) -> Packet:
    """Raises ``NotThere``."""
    found = packet_by_id(book, number) if number <= MOST_ID else None
    if found is None or found.removed:
        raise NotThere
    return found


def done(request: Request) -> dict[str, str]:
    """What was just done, and the number of the change that can be undone."""
    said, change = (request.query_params.get(name, "") for name in ("said", "change"))
    may = change.isdecimal() and said != "undo"
    return {"said": _SAID.get(said, ""), "change": change if may else ""}


def weighed(o: Original, grams: str, studio: Studio) -> Any:
    if o.recipe is None:
        raise WrongUsage(*(text.format(name=o.name) for text in NO_RECIPE))
    shelf = shelf_in_use(studio.shelf).shelf
    step = scale_step()
    return weigh_again(o.recipe, grams_of(grams), shelf, HOLD_BACK_PERCENT / 100, step)


def grams_of(text: str) -> float:
    try:
        found = clean_grams(number_of(text))
    except ValueError:
        found = None
    if found is None:
        raise WrongUsage(
            f"“{text[:30]}” is no weight", "ink is weighed out against it", "type 60, or 12,5"
        )
    return found


def text_of(form: Form, name: str) -> str:
    return clean_text(str(form.get(name, "")), f"`{name}`")
