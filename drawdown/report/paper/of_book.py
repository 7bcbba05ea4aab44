"""What the book holds as labels and recipe sheets."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.errors import BadFile
from drawdown.book.columns import Original, Packet, Reading
from drawdown.book.originals import recipes_of
from drawdown.book.store import Book
from drawdown.defaults import SCALE_STEP_G
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.hazards import pigment_caution
from drawdown.report.json.book import photo_path
from drawdown.report.paper.labels import Label
from drawdown.report.paper.pages import Item, Rgb, pdf_of
from drawdown.report.paper.recipe_sheet import InkSwatch, Sheet
from drawdown.report.text.book import lab_words
from drawdown.report.text.terminal import swatch_rgb
from drawdown.studio.scale import on_scale, scale_step
from drawdown.wording.book import parts_text
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink, Shelf

_PIGMENT = re.compile(r"\bP(?:BK|Br|[BGMORVWY])\d{1,3}(?::\d)?\b", re.IGNORECASE)


def label_of(one: Packet | Original, shelf: Shelf) -> Label:
    """Colour, name, mix, weight, cautions."""
    if isinstance(one, Packet):
        mix = one.mix
        facts = (noted_grams(on_scale(one.grams, scale_step())), one.date, one.place, one.note)
    else:
        mix = one.recipe.mix if one.recipe else ()
        facts = (f"{one.date}, {one.state}", one.paper, one.edition, one.note)
    return Label(
        one.name,
        _rgb(one.reading),
        tuple(f"{part.ink} {parts_text(part.parts)}" for part in mix),
        facts,
        lab_words(one.reading),
        tuple(c for part in mix for c in cautions_of(part.ink, shelf)),
    )


def _rgb(reading: Reading | None) -> Rgb | None:
    return None if reading is None else swatch_rgb(reading.lab_d50)


def cautions_of(name: str, shelf: Shelf) -> list[tuple[str, str]]:
    """(long, short) cautions of an ink: what the shelf notes, or else what is known of a
    pigment that its name holds."""
    ink = shelf.known(name)
    found = {ink.caution} if ink is not None and ink.caution else set()
    codes = _PIGMENT.findall(name)
    if not found:
        found = {text for text in map(pigment_caution, codes) if text}
    cautions = []
    for text in sorted(found):
        long = text.split(";")[0].rstrip(". ")
        cautions.append((f"{name}: {long}", f"{name}: {long.split(':')[0]}"))
    return cautions


def sheet_of(book: Book, original: Original, shelf: Shelf) -> Sheet:
    """An original's recipes, its inks' swatches and cautions, and the strip itself."""
    recipes = recipes_of(book, original.id)
    inks = {}
    for part in recipes[-1].mix if recipes else ():
        ink = shelf.known(part.ink)
        said = cautions_of(part.ink, shelf)
        caution = said[0][0].partition(": ")[2] if said else ""
        if caution:
            caution += "; wear gloves, raise no dust, follow its safety data sheet"
        title = ink.title if ink is not None else part.ink
        inks[part.ink] = InkSwatch(title, None if ink is None else _ink_rgb(ink), caution)
    crop = None
    path = photo_path(book, original.reading.crop) if original.reading else None
    if path is not None:
        try:
            crop = Path(path).read_bytes()
        except OSError:
            crop = None  # the book's check tells of it; the sheet says that there is none
    step = scale_step() or SCALE_STEP_G
    return Sheet(original, recipes, _rgb(original.reading), inks, crop, step)


def _ink_rgb(ink: Ink) -> Rgb:
    """The ink alone, an ordinary film of it on white paper."""
    lab = lab_of_film(ink.k[None], ink.s[None], np.ones((1, 1)), paper_ground(None))
    return swatch_rgb(lab[0])


def pdf(pages: Sequence[Sequence[Item]], size_mm: tuple[float, float], title: str) -> bytes:
    """Raises ``BadFile`` for a picture in the book that is none."""
    try:
        return pdf_of(pages, size_mm, title)
    except OSError as error:
        raise BadFile(f"the pages could not be drawn ({str(error)[:100]})", "nothing was written",
                      "run: `check_book`") from error  # fmt: skip
