"""What the commands of the book do alike: open it, read a strip and note it, tell what came of
it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.errors import WrongUsage
from drawdown.book import Book, Change, open_book
from drawdown.book.columns import Mix, MixPart, Original, Packet, Recipe
from drawdown.book.originals import find_by_name
from drawdown.book.photos import Stored
from drawdown.book.shapes import clean_name, name_key
from drawdown.commands.support import parse
from drawdown.commands.support.book_options import folder_of
from drawdown.commands.support.output import deliver, photo_options, read_photo
from drawdown.report.json.book import (
    original_data,
    original_names,
    packet_data,
    photo_path,
)
from drawdown.report.json.document import document_as_typed
from drawdown.report.text.book import original_screen
from drawdown.report.text.terminal import Screen, write_aside

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading
    from drawdown.reading.instrument import InstrumentReading


Aside = str | Callable[[], str]  # a remark; what takes time to find out is asked when told


def opened(book: Path | None, *, write: bool = False, create: bool = False) -> Book:
    """The book that was meant, open; use it in a ``with``."""
    return open_book(folder_of(book), write=write, create=create)


def find_anything(
    book: Book, name: str, kind: str | None, tables: tuple[str, ...]
) -> tuple[str, int, str]:
    """What is called ``name`` in one of the tables: the table, its row and its whole name. Raises
    ``WrongUsage``, with near misses."""
    if kind is not None:
        tables = (parse.read_choice("--kind", kind, tables),)
    found: list[tuple[str, int, str]] = []
    missing: WrongUsage | None = None
    for table in tables:
        try:
            row = find_by_name(book, table, name)
        except WrongUsage as problem:
            missing = missing or problem
            continue
        found.append(
            (table, row, book.rows(f"SELECT name FROM {table} WHERE id = ?", (row,))[0][0])
        )
    exact = [one for one in found if name_key(one[2]) == name_key(name)]
    if len(exact or found) == 1:
        return (exact or found)[0]
    if not found and missing is not None:
        raise missing
    raise WrongUsage(
        f'"{name}" could be ' + " or ".join(f'the {table} "{full}"' for table, _, full in found),
        "only one of them is meant",
        f"say which, as in --kind {found[0][0]}",
    )


# Telling ---------------------------------------------------------------------------------


def tell(
    json: bool, schema: str, data: dict[str, Any], screen: Callable[[Screen], str], *asides: Aside
) -> int:
    """Print the answer as JSON, or for the terminal with what is worth a remark on stderr;
    returns the exit code."""
    deliver(json, (schema, data), document_as_typed, lambda *shown: screen(shown[-1]))
    for aside in () if json else asides:
        if text := aside if isinstance(aside, str) else aside():
            write_aside(text)
    return 0


def tell_original(
    json: bool, book: Book, original: Original, recipes: tuple[Recipe, ...], *asides: Aside
) -> int:
    """An original with its recipes."""
    path = photo_path(book, original.reading.photo) if original.reading else None
    data = original_data(original, book, recipes)
    return tell(json, "original", data, lambda s: original_screen(original, recipes, path, s),
                *asides)  # fmt: skip


def tell_packet(
    json: bool, book: Book, packet: Packet, screen: Callable[[Screen], str], *asides: Aside
) -> int:
    return tell(json, "packet", packet_data(packet, original_names(book), book), screen, *asides)


# A strip ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Strip:
    """One strip of a photo or a table, with the photo and the strip's crop already stored: they
    lie in the book before the change that names them begins."""

    seen: Judgement
    colour: StripReading | InstrumentReading
    stored: Stored
    crop: Stored | None

    def note(self, change: Change) -> int:
        """Put its reading into a change; returns the id."""
        from drawdown.book.readings import insert_reading

        return insert_reading(change, self.seen, self.colour, self.stored, self.crop)


def strip_to_keep(
    book: Book, photo: Path, strip: str, card: Path | None, card_corners: str | None,
    readings: Path | None = None, instrument: float | None = None,
) -> Strip:  # fmt: skip
    """Read a strip that the book is to keep, and store its photo or (``readings``) its table;
    raises as ``read_strip``."""
    seen, number = read_strip(photo, strip, card, card_corners, readings, instrument)
    from drawdown.pipeline.read import strip_to_trust

    return stored_strip(book, photo, seen, strip_to_trust(seen, number))


def stored_strip(
    book: Book, photo: Path, seen: Judgement, colour: StripReading | InstrumentReading
) -> Strip:
    """A strip whose photo and crop are kept, before the change that names them begins."""
    from drawdown.book.readings import store_photo

    return Strip(seen, colour, *store_photo(book, photo, seen, colour))


def read_strip(
    photo: Path, strip: str, card: Path | None, card_corners: str | None,
    readings: Path | None = None, instrument: float | None = None,
) -> tuple[Judgement, int]:  # fmt: skip
    """The photo or table that holds a strip, and the number of that strip in it. Raises
    ``WrongUsage``, ``PhotoUnfit`` and ``BadFile``."""
    numbers, places = parse.read_strips([strip])
    options = photo_options(card, card_corners, places, readings=readings, instrument=instrument)
    return read_photo(photo, options), numbers[0]


# Inks and mixes --------------------------------------------------------------------------


def read_mix(
    texts: list[str] | None, tins: list[str] | None, shelf: Path | None, unknown_inks: bool
) -> tuple[Mix, float | None]:
    """``--mix`` with the marks of ``--tin``, by the shelf's names, and what it weighs if grams
    were said. Raises ``WrongUsage``, also for inks that the shelf does not know, unless
    ``unknown_inks``: those are kept as they were said."""
    from drawdown.studio.shelf_file import by_shelf

    said = parse.read_mix(texts)
    parts = {} if said is None else by_shelf(said.amounts, shelf, unknown_inks)
    marks: dict[str, str] = {}
    for pair in tins or []:
        ink, sign, mark = pair.partition("=")
        if not sign or not ink.strip() or not mark.strip():
            raise WrongUsage(
                f"--tin {pair} is not an ink, an equals sign and the mark on its tin",
                "the mark says from which of the maker's batches the ink came",
                "write for example: --tin phthalo-blue=L2041",
            )
        (name,) = by_shelf({ink.strip(): 1.0}, shelf, unknown_inks)
        if name not in parts:
            raise WrongUsage(
                f"--tin names {ink.strip()}, which is not in the mix",
                "a mark belongs to an ink of the mix, and would be lost",
                "give the whole mix with --mix as well, with that ink in it",
            )
        marks[name] = clean_name(mark, "--tin")
    mix = tuple(
        MixPart(clean_name(ink, "--mix"), amount, marks.get(ink, ""))
        for ink, amount in parts.items()
    )
    return mix, None if said is None else said.grams
