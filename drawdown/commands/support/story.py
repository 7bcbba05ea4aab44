"""A judged photo goes into the story of its batch, and what the book has to say to it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.report.text import terminal

if TYPE_CHECKING:
    from drawdown.book.memory.from_book import FromBook
    from drawdown.pipeline.read import Judgement


def tell(remarks: Iterable[str]) -> None:
    """Each as an aside, with its options as a person types them."""
    for remark in remarks:
        terminal.write_aside(named(remark))


def put_in_story(folder: Path, source: FromBook, photo: Path, judgement: Judgement) -> None:
    """Into the story of the batch in the book. Raises ``BadFile``."""
    from drawdown.book import open_book
    from drawdown.book.memory.from_book import with_photo
    from drawdown.book.memory.story import log_match, recipe_offer
    from drawdown.report.json.match import match_data
    from drawdown.report.text.book import UNDO

    said = match_data(judgement)
    with open_book(folder, write=True) as book:
        source = with_photo(book, source, photo)
        words = said["comparison"]["words"]
        tell(log_match(book, source, photo, judgement, words, said["advice"]))
        tell(recipe_offer(book, source))
    if not source.again:
        terminal.write_aside(UNDO)
