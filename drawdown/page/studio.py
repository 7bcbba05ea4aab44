"""What the page works with, the folder it keeps photos in, and how it speaks of what can be set."""

from __future__ import annotations

import html
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path

from calibration.errors import DrawdownError
from calibration.files import private_folder, write_atomically
from drawdown.guide.pages import page_names, title

PAGE_FOLDER = "page"  # in the book's folder: nothing is written elsewhere

# What a sentence calls a parameter, by the words on the page's own buttons.
_SPOKEN = {
    "strips": "“Correct by touch”",
    "strip_number": "“Correct by touch”",
    "card_corners": "“Corners of the card”",
    "original_photo": "two photos",
    "inks": "“Inks in it”",
    "batch_grams": "“Weight”",
    "scale_step": "“Scale”",
    "add_ink": "drawdown ink add",
    "kept": "“Kept original”",
    "match_kept": "“Judge”",
    "edit_book": "drawdown book edit",
    "edit_in_book": "drawdown book edit",
    "read_original_again": "drawdown book edit",
    "original_mix": "“Original’s mix”",
    "added": "“What went in”",
    "note_added": "“Note what went in”",
    "undo_change": "“Undo”",
    "apart": "“Not in the photo”",
    "list_book": "“Book”",
    "fit_ink": "drawdown ink fit",
    "check_book": "drawdown book check",
    "repair_book": "drawdown book check",
}


@dataclass(frozen=True)
class Studio:
    """The studio's files, as the page was told of them: the book's folder; shelf and card, None for
    the usual ones; whether nothing of the book may be changed."""

    book: Path
    shelf: Path | None = None
    card: Path | None = None
    read_only: bool = False

    @property
    def folder(self) -> Path:
        """Where the page keeps photos that came in. Raises OSError."""
        private_folder(self.book)
        return private_folder(self.book / PAGE_FOLDER)

    def key(self, *, new: bool = False) -> str:
        """The secret of the link; kept, so that a phone goes on after the page was stopped."""
        file = self.folder / "key"
        if not new and file.is_file() and len(text := file.read_text(encoding="ascii")) >= 32:
            return text
        write_atomically(file, (made := secrets.token_urlsafe(24)).encode(), 0o600)
        os.chmod(file, 0o600)
        return made


class Busy(DrawdownError):
    """Too many wait."""


def spoken(parameter: str) -> str:
    """``pulled_alike`` -> “Pulled alike”."""
    plain = parameter.replace("_", " ")
    return _SPOKEN.get(parameter, f"“{plain[:1].upper()}{plain[1:]}”")


# Lines for a terminal, in a sentence: a page of the guide, the card, the studio's inks and book.
_LINES = re.compile(
    r"drawdown (?:guide(?: (?P<topic>[a-z][a-z-]*))?|(?P<card>card card\.pdf)|"
    r"(?P<room>ink|book) [a-z]+)"
)
_ROOM_PAGES = {"ink": "own-inks", "book": "book"}


def linked(text: str) -> str:
    """A sentence as HTML: where it names a line for a terminal, a link that a phone can follow."""

    def link(found: re.Match[str]) -> str:
        if found["card"]:
            return '<a href="/guide">print the card</a>'
        if found["room"]:
            place = _ROOM_PAGES[found["room"]]
            return f'<a href="/guide/{place}">{found[0]}</a> on the studio’s computer'
        topic = found["topic"] or ""
        own = page_names().get(topic)
        if own is None:
            rest = f" {topic}" if topic else ""
            return f'<a href="/guide">the guide</a>{rest}'
        return f'<a href="/guide/{topic}">{html.escape(title(own))}</a>'

    return _LINES.sub(link, html.escape(str(text)))
