"""What the commands of the book do alike: open it, read a strip and note it, tell what came of
it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.book import Book, Change, open_book
from drawdown.book.columns import Mix, MixPart, Original, Packet, Recipe
from drawdown.book.photos import Stored
from drawdown.book.shapes import clean_name
from drawdown.commands.book.options import folder_of
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import deliver, photo_options, read_photo
from drawdown.commands.support.parse import read_mix
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
    from drawdown.ink.shelf import Ink
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading


Aside = str | Callable[[], str]  # a remark; what takes time to find out is asked when told


def opened(book: Path | None, *, write: bool = False, create: bool = False) -> Book:
    """The book that was meant, open; use it in a ``with``."""
    return open_book(folder_of(book), write=write, create=create)


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
    """One strip of a photo, with the photo and the strip's crop already stored: they lie in
    the book before the change that names them begins."""

    seen: Judgement
    colour: StripReading
    stored: Stored
    crop: Stored

    def note(self, change: Change) -> int:
        """Put its reading into a change; returns the id."""
        from drawdown.book.readings import insert_reading

        return insert_reading(change, self.seen, self.colour, self.stored, self.crop)


def strip_to_keep(
    book: Book, photo: Path, number: int, card: Path | None, card_corners: str | None,
    strips: tuple[str, ...] = (),
) -> Strip:  # fmt: skip
    """Read a strip that the book is to keep, and store its photo; raises as ``read_strip``."""
    seen, colour = read_strip(photo, number, card, card_corners, keep=True, strips=strips)
    return Strip(seen, colour, *store(book, photo, seen, colour))


def read_strip(
    photo: Path,
    number: int,
    card: Path | None,
    card_corners: str | None,
    *,
    keep: bool,
    strips: tuple[str, ...] = (),
) -> tuple[Judgement, StripReading]:
    """The strip of that number and the photo it is in; ``strips`` are placed by hand. With
    ``keep``, a strip that no verdict could rest on is refused. Raises ``WrongUsage``,
    ``PhotoUnfit`` and ``BadFile``."""
    shared.check_strip_numbers(strip_number=number)
    seen = read_photo(photo, photo_options(card, card_corners, strips))
    return seen, strip_of(seen, number, photo, keep=keep)


def strip_of(seen: Judgement, number: int, photo: Path, *, keep: bool) -> StripReading:
    """One more strip of a photo that was read; raises as ``read_strip``."""
    by_number = {s.strip.number: s for s in seen.strips}
    if number not in by_number:
        count = len(by_number)
        raise WrongUsage(
            f"strip {number} was asked for, but {count or 'no'} "
            f"strip{' was' if count == 1 else 's were'} found in {photo}",
            "strips are numbered from left to right with the card upright",
            "see them all with: drawdown read",
        )
    colour = by_number[number]
    hard = [f for f in (*seen.flags, *colour.flags) if f.hard]
    if keep and hard:
        raise PhotoUnfit(
            hard[0].seen,
            f"{hard[0].kind.why}; a colour that is kept must be one to trust",
            hard[0].kind.todo,
        )
    return colour


def store(book: Book, photo: Path, seen: Judgement, colour: StripReading) -> tuple[Stored, Stored]:
    """Keep a photo and the strip's crop, before the change that names them begins. Raises
    ``BadFile``."""
    from PIL import Image

    from drawdown.book.readings import crop_of
    from drawdown.report.pictures.answer import png_bytes

    crop = png_bytes(Image.fromarray(crop_of(seen, colour)))
    return book.photos.add_file(photo), book.photos.add_bytes(crop, ".png")


# Inks and mixes --------------------------------------------------------------------------


def read_parts(pairs: list[str] | None, tins: list[str] | None, shelf: Path | None = None) -> Mix:
    """``--mix`` and ``--tin`` as a mix. An ink that the shelf knows under another name keeps
    the shelf's name; one that it does not know is kept as it was said."""
    parts = read_mix(pairs or []) or {}
    marks: dict[str, str] = {}
    for pair in tins or []:
        ink, sign, mark = pair.partition("=")
        if not sign or not ink.strip() or not mark.strip():
            raise WrongUsage(
                f"--tin {pair} is not an ink, an equals sign and the mark on its tin",
                "the mark says from which of the maker's batches the ink came",
                "write for example: --tin phthalo-blue=L2041",
            )
        marks[ink.strip()] = clean_name(mark, "--tin")
    known = shelf_names(list({**parts, **marks}), shelf)
    stray = [ink for ink in marks if known[ink] not in {known[name] for name in parts}]
    if marks and not parts:
        raise WrongUsage(
            "--tin is given without --mix",
            "a mark belongs to an ink of the mix, and would be lost",
            "give the whole mix with --mix as well",
        )
    if stray:
        raise WrongUsage(
            f"--tin names {stray[0]}, which is not in the mix",
            "a mark belongs to an ink of the mix",
            "give the same name with --mix",
        )
    by_name = {known[ink]: mark for ink, mark in marks.items()}
    return tuple(
        MixPart(clean_name(ink, "--mix"), amount, by_name.get(ink, ""))
        for ink, amount in by_shelf(parts, shelf).items()
    )


def on_shelf(inks: Iterable[str], shelf: Path | None) -> dict[str, Ink | None]:
    """Each ink as the shelf in use knows it, or None."""
    inks = list(inks)
    if not inks:
        return {}
    from drawdown.studio.shelf_file import shelf_in_use

    known = shelf_in_use(shelf).shelf
    found: dict[str, Ink | None] = dict.fromkeys(inks)
    for ink in found:
        with contextlib.suppress(WrongUsage):
            found[ink] = known.find(ink)
    return found


def strange(inks: Iterable[str], shelf: Path | None) -> str:
    """Which inks the shelf in use does not know, as a remark: a name may be mistyped."""
    names = [ink for ink, known in on_shelf(inks, shelf).items() if known is None]
    if not names:
        return ""
    return (
        f"Not on the shelf in use: {', '.join(names)}. It is noted as you said it, but "
        "advice can only guess with such inks; put them on the shelf with drawdown ink add."
    )


def shelf_names(inks: Iterable[str], shelf: Path | None) -> dict[str, str]:
    """Each ink under the shelf's name for it, or as it was said."""
    return {
        ink: " ".join(ink.split()) if known is None else known.name
        for ink, known in on_shelf(inks, shelf).items()
    }


def by_shelf(amounts: dict[str, float], shelf: Path | None) -> dict[str, float]:
    """The amounts under the shelf's names; those of one ink under two names are added up."""
    names = shelf_names(list(amounts), shelf)
    total: dict[str, float] = {}
    for ink, amount in amounts.items():
        total[names[ink]] = total.get(names[ink], 0.0) + amount
    return total
