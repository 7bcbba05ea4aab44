"""What the book's pages do with photos, in a process that may fail: strips are kept, and looked for
in the book; reports are made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import BadFile, PhotoUnfit
from drawdown.book import open_book
from drawdown.book.batches import batch_called, story_of
from drawdown.book.columns import MixPart
from drawdown.book.edition import known_spelling, note_pull, run_of
from drawdown.book.opening import is_there
from drawdown.book.originals import check_free, keep_original, original_by_id, recipes_of
from drawdown.book.readings import insert_reading, look_up, nearest, store_photo
from drawdown.book.shapes import clean_date, clean_name
from drawdown.book.store import list_changes
from drawdown.defaults import TOLERANCE_DE00
from drawdown.ink.mix_notation import read_amounts
from drawdown.page.answer import hex_rgb
from drawdown.page.judging import Bench, judgement
from drawdown.page.looks import Look
from drawdown.pipeline.read import Judgement, strip_of, strip_to_trust
from drawdown.pipeline.rough import RoughLook
from drawdown.report.html.book import kept_photo, story_parts
from drawdown.report.html.book import original_report as kept_report
from drawdown.report.html.match import match_report, refusal_report, rough_report
from drawdown.report.html.sheet import Part
from drawdown.studio.shelf_file import by_shelf
from drawdown.wording.book import (
    found_interval,
    found_meaning,
    found_words,
    name_of,
    usable,
    use_first,
)
from drawdown.wording.doubts import how_known, well_known
from drawdown.wording.figures import lab_text, number

MOST_NEAR = 6


@dataclass(frozen=True)
class Noted:
    """What a person notes of a strip that is kept."""

    name: str
    mix: str
    paper: str
    edition: str
    note: str
    wet: bool


def _seen(bench: Bench, look: Look) -> Judgement:
    """The look's strips, also where there are not two to compare. Raises ``PhotoUnfit``."""
    try:
        seen = judgement(bench, look, look.asked)
    except PhotoUnfit as unfit:
        if isinstance(unfit.found, Judgement) and unfit.found.strips:
            return unfit.found
        raise
    if isinstance(seen, RoughLook):
        raise PhotoUnfit(
            "this photo has no card",
            "by bare paper alone a colour is too unsure to be kept, or to be looked for",
            "put the printed card in the shot",
        )
    return seen


def strips(bench: Bench, folder: Path) -> list[dict[str, Any]]:
    """Every strip by its number, with its colour."""
    seen = _seen(bench, Look(folder))
    return [
        {
            "number": strip.number,
            "rgb": hex_rgb(strip.lab_d50),
            "colour": lab_text(strip.lab_d50, strip.lab_u95)
            if well_known(seen, strip)
            else how_known(seen),
        }
        for strip in seen.strips
    ]


def keep(bench: Bench, folder: Path, strip: int, noted: Noted) -> tuple[int, int]:
    """The strip as a kept original; its number in the book, and the change's. Raises
    ``WrongUsage``, ``PhotoUnfit``
    and ``BadFile``."""
    look = Look(folder)
    said = read_amounts(noted.mix, "mix") if noted.mix.strip() else None
    parts = {} if said is None else by_shelf(said.amounts, bench.studio.shelf)
    mix = tuple(MixPart(clean_name(ink, "`mix`"), amount) for ink, amount in parts.items())
    with open_book(bench.studio.book, create=True) as book:
        check_free(book, "original", noted.name)  # before the measuring, not after
        seen = _seen(bench, look)
        colour = strip_to_trust(seen, strip)
        photo, crop = store_photo(book, look.photos()[0], seen, colour)
        with book.change(f'kept "{noted.name}"') as change:
            kept = keep_original(
                book, change, name=noted.name, date=clean_date(None), paper=noted.paper,
                state="wet" if noted.wet else "dry", edition=noted.edition, note=noted.note,
                reading=insert_reading(change, seen, colour, photo, crop), mix=mix,
                grams=None if said is None else said.grams,
            )  # fmt: skip
        return kept, list_changes(book, limit=1)[0].id


def pull(bench: Bench, folder: Path, strip: int, edition: str, good: bool) -> tuple[str, int]:
    """The strip as the next pull of an edition; the edition as the book spells it, and the change's
    number. The first one noted is what the run is held to."""
    look = Look(folder)
    seen = _seen(bench, look)
    colour = strip_to_trust(seen, strip)
    with open_book(bench.studio.book, create=True) as book:
        edition = known_spelling(book, edition)
        here = [p for p in run_of(book, edition) if not p.spot]
        note_pull(
            book, seen, colour, look.photos()[0], edition=edition,
            number=max((p.number for p in here), default=0) + 1, date=clean_date(None),
            good=good or not any(p.good for p in here),
        )  # fmt: skip
        return edition, list_changes(book, limit=1)[0].id


def nearest_to(bench: Bench, folder: Path, strip: int) -> dict[str, Any]:
    """The originals and packets nearest to a strip, and the packet to use up first."""
    seen = _seen(bench, Look(folder))
    colour = strip_of(seen, strip)
    found: tuple[Any, ...] = ()
    if is_there(bench.studio.book):
        with open_book(bench.studio.book) as book:
            near = nearest(book, colour.lab_d50, MOST_NEAR)
            found = look_up(
                book, near, colour, nominal=seen.nominal, shaded=seen.shaded,
                tolerance=TOLERANCE_DE00,
            )  # fmt: skip
    first = next((one for one in found if usable(one)), None)
    rows = []
    for one in found:
        what = one.original or one.packet
        assert what is not None
        rows.append({
            "name": name_of(one), "kind": one.near.kind, "id": one.near.id,
            "rgb": hex_rgb(what.reading.lab_d50), "de00": number(one.near.de00, 2),
            "interval": found_interval(one), "words": found_words(one),
        })  # fmt: skip
    return {
        "rgb": hex_rgb(colour.lab_d50),
        "found": rows,
        "first": "" if first is None else use_first(first),
        "meaning": found_meaning(TOLERANCE_DE00),
        "doubt": next((f.text for f in (*seen.flags, *colour.flags) if f.hard), ""),
    }


def original_report(bench: Bench, original: int) -> str:
    """An original with the photo that the book keeps of it."""
    with open_book(bench.studio.book) as book:
        found = original_by_id(book, original)
        if found is None:
            raise BadFile("this original is not in the book", "it may have been removed", "look")
        return kept_report(found, recipes_of(book, original), kept_photo(book, found)).html()


def _story(bench: Bench, look: Look) -> Sequence[Part]:
    """The story of the look's batch, if it is in one."""
    follows = look.asked.follows
    if not follows or not is_there(bench.studio.book):
        return ()
    with open_book(bench.studio.book) as book:
        batch = batch_called(book, follows)
        return () if batch is None else story_parts(batch, story_of(book, batch.id))


def look_report(bench: Bench, folder: Path) -> str:
    """The answer of a look; of a photo that can't be judged, why."""
    look = Look(folder)
    try:
        seen = judgement(bench, look, look.asked)
        if isinstance(seen, RoughLook):
            return rough_report(seen).html()
        return match_report(seen, _story(bench, look)).html()
    except PhotoUnfit as unfit:
        return refusal_report(unfit, look.photos()[0]).html()
