"""``match --kept`` and ``--log``: the original and its mix out of the book, the answer into it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import WrongUsage
from drawdown.book import Book, Change
from drawdown.book.batches import (
    GRAMS,
    PER_100,
    batch_by_id,
    batch_called,
    begin_batch,
    log_added,
    log_reading,
    log_taken,
    mix_with_added,
    story_of,
)
from drawdown.book.columns import Batch, Mix, MixPart, Original
from drawdown.book.originals import add_recipe, find_original, original_by_id
from drawdown.book.photos import Stored
from drawdown.book.shapes import clean_date, clean_name
from drawdown.book.store import FILE
from drawdown.commands.book import frame
from drawdown.commands.support.book_options import folder_of
from drawdown.report.text.book import UNDO
from drawdown.report.text.terminal import write_aside
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.matching.kept_original import Kept
    from drawdown.pipeline.read import Judgement

SAME_WEIGHT_G, SAME_WEIGHT_SHARE = 0.1, 0.005  # less is what a scale leaves open
TOLD_APART_DE = 0.005  # the lower end of the interval, as two decimals show it
SAME_PARTS = 0.05  # parts per 100: less is no other recipe


@dataclass(frozen=True)
class FromBook:
    """What the book gives to a match: the original, the batch if it is in the book already,
    the batch's mix and weight as far as they are known; ``added`` is what the command said
    went in since (grams, or parts per 100 of a batch whose weight is not known), and
    ``mix_said`` that the mix is the command's, not the book's, and ``weighed`` what it said
    the batch weighs now."""

    book: Path | None
    original: Original
    kept: Kept
    batch: Batch | None
    batch_name: str | None
    mix: Mix
    grams: float | None
    added: dict[str, float]
    mix_said: bool
    weighed: float | None

    def parts(self, shelf_path: Path | None) -> dict[str, float] | None:
        """The mix for the advice; None when an ink of it is not on the shelf (told on
        stderr) or there is none."""
        strange = frame.not_on_shelf([part.ink for part in self.mix], shelf_path)
        if strange:
            write_aside(
                f"The mix in the book names {strange[0]}, which is not on the shelf in use; "
                "the advice guesses the mix from the colour."
            )
            return None
        parts: dict[str, float] = {}
        for part in self.mix:
            parts[part.ink] = parts.get(part.ink, 0.0) + part.parts
        return parts or None


def from_book(
    kept: str | None,
    log: str | None,
    book: Path | None,
    *,
    said: dict[str, float] | None,
    grams: float | None,
    apart: bool | None,
    batch_number: int | None,
    added: dict[str, float] | None = None,
    shelf: Path | None = None,
) -> FromBook | None:
    """Look up what ``--kept`` and ``--log`` name; inks go by the shelf's names, so that the
    same ink under two names counts as one. Raises ``WrongUsage`` and ``BadFile``."""
    from drawdown.matching.kept_original import Kept

    name = None if log is None else clean_name(log, "--batch")
    if kept is None and not (folder_of(book) / FILE).exists():
        return None
    with frame.opened(book, write=log is not None) as opened:
        batch = batch_called(opened, name) if name else None
        if kept is None and batch is None:
            return None
        original = _original(opened, kept, log, batch)
        inside = batch and mix_with_added(batch, story_of(opened, batch.id))
    r = original.reading
    if r is None:
        raise WrongUsage(
            f'the colour of "{original.name}" is not in the book',
            "there is nothing to compare with",
            "keep it again from a photo",
        )
    mix = inside[0] if inside else original.recipe.mix if original.recipe else ()
    if said:
        mix = tuple(MixPart(ink, amount) for ink, amount in frame.by_shelf(said, shelf).items())
    if original.state == "wet":
        write_aside(
            f'"{original.name}" was read wet, and a wet strip is darker: pull the batch and look '
            "at it as wet, or read the original again with drawdown book edit --photo."
        )
    return FromBook(
        book=book,
        original=original,
        kept=Kept(
            original.name, r.colour(), r.card != "measured", r.shaded, apart, batch_number,
            original.state,
        ),
        batch=batch,
        batch_name=name,
        mix=mix,
        grams=grams if grams is not None else inside[1] if inside else None,
        added=frame.by_shelf(added or {}, shelf),
        mix_said=bool(said),
        weighed=grams,
    )  # fmt: skip


def _original(opened: Book, kept: str | None, log: str | None, batch: Batch | None) -> Original:
    """The kept original that is named, or the one that the batch is mixed towards."""
    original = None if kept is None else find_original(opened, clean_name(kept, "--kept"))
    if original is None and batch is not None and batch.original:
        original = original_by_id(opened, batch.original)
    if original is None:
        raise WrongUsage(
            f'--batch "{log}" names a batch that is not in the book yet',
            "it is not clear which kept original it is mixed towards",
            "say so with --kept NAME",
        )
    if batch is not None and batch.original not in (None, original.id):
        towards = original_by_id(opened, batch.original)
        raise WrongUsage(
            f'the batch "{batch.name}" is mixed towards "{towards.name if towards else "?"}"',
            "one batch has one original, or its story would make no sense",
            "give this batch another name with --batch",
        )
    return original


def log_match(source: FromBook, photo: Path, judgement: Judgement) -> None:
    """Put the match into the batch's story; told on stderr. Raises ``BadFile``."""
    c = judgement.comparison
    assert c is not None
    assert source.batch_name is not None
    batch_strip = next(s for s in judgement.strips if s.strip.number == c.batch)
    with frame.opened(source.book, write=True) as opened:
        stored, crop = frame.store(opened, photo, judgement, batch_strip)
        earlier = judgement.earlier
        other = None if earlier is None else opened.photos.add_file(Path(earlier.photo.path))
        with opened.change(f'logged a photo of batch "{source.batch_name}"') as change:
            told = _write(opened, change, source, judgement, (stored, other, crop))
    for text in told:
        write_aside(text)
    write_aside(UNDO)


def _write(
    opened: Book,
    change: Change,
    source: FromBook,
    judgement: Judgement,
    photos: tuple[Stored, Stored | None, Stored],
) -> list[str]:
    from drawdown.book.readings import insert_reading
    from drawdown.report.json.match import match_data

    told = []
    stored, other, crop = photos
    c = judgement.comparison
    assert c is not None
    assert source.batch_name is not None
    assert source.original.reading is not None
    batch_strip = next(s for s in judgement.strips if s.strip.number == c.batch)
    batch = batch_called(opened, source.batch_name)  # as it is now that nobody else writes
    if batch is None:
        row = begin_batch(
            opened, change, name=source.batch_name, original=source.original.id,
            date=clean_date(None), mix=source.mix, grams=source.grams,
        )  # fmt: skip
        told.append(f'Logged to the new batch "{source.batch_name}".')
        if source.mix and not source.mix_said:
            told.append(
                f'It is noted as mixed like "{source.original.name}": if it was not, undo and '
                "give --mix."
            )
    else:
        row = batch.id
        told.append(f'Logged to batch "{batch.name}".')
    # What the batch's own memory does not take is said again with the next photo: noted here
    # as well, it would count twice.
    if judgement.step is not None:
        added = {} if _is_logged(opened, row, stored) else source.added
        if batch is not None and source.weighed is not None:
            told += _weighed_again(opened, change, batch, source.weighed - sum(added.values()))
        if added:
            told += _log_added(opened, change, row, added)
    reading = insert_reading(change, judgement, batch_strip, stored, crop)
    apart = bool(judgement.kept and judgement.kept.apart)
    original_reading = source.original.reading.id
    where = judgement.earlier or judgement
    if not apart:
        strip = next((s for s in where.strips if s.strip.number == c.original), None)
        if strip is not None:
            original_reading = insert_reading(change, where, strip, other or stored, None)
    data = match_data(judgement)
    log_reading(
        change, row, reading=reading, original_reading=original_reading,
        across_photos=apart or judgement.earlier is not None, comparison=c,
        words=data["comparison"]["words"], advised=data["advice"],
    )  # fmt: skip
    if c.verdict == "match":
        told += _better_recipe(opened, change, source, row, float(c.de00_low95))
    return told


def _is_logged(opened: Book, row: int, stored: Stored) -> bool:
    """Whether what was added before this very photo is in the book already: since it went
    in, nothing but this photo was logged to the batch."""
    newest_first = opened.rows(
        "SELECT e.kind, e.added, p.sha256 FROM entry e LEFT JOIN reading r ON r.id = e.reading "
        "LEFT JOIN photo p ON p.id = r.photo WHERE e.batch = ? ORDER BY e.id DESC",
        (row,),
    )
    seen = False
    for entry in newest_first:
        if entry["kind"] == "added":
            if all(amount <= 0 for _, amount in json.loads(entry["added"] or "[]")):
                continue  # a portion taken out
            return seen
        if entry["sha256"] != stored.sha256:
            return False
        seen = True
    return False


def _weighed_again(opened: Book, change: Change, batch: Batch, grams: float) -> list[str]:
    """The batch weighed ``grams`` before what is added now: less than the book knows of means
    that a portion was taken out."""
    inside = mix_with_added(batch, story_of(opened, batch.id))
    known = None if inside is None else inside[1]
    if known is None or abs(known - grams) <= max(SAME_WEIGHT_G, SAME_WEIGHT_SHARE * known):
        return []
    if grams > known:
        return [
            f"The book knows of {noted_grams(known)} in it, not {noted_grams(grams)}: note what "
            "went in with drawdown book batch --added."
        ]
    log_taken(opened, change, batch, known - grams, "as weighed since")
    return [f"{noted_grams(known - grams)} less than in the book: noted as taken out."]


def _log_added(opened: Book, change: Change, row: int, added: dict[str, float]) -> list[str]:
    batch = batch_by_id(opened, row)
    assert batch is not None
    unit = GRAMS if batch.grams is not None else PER_100
    log_added(change, row, tuple(added.items()), unit)
    return [f"What was added went into the batch's story, in {unit}."]


def _better_recipe(
    opened: Book, change: Change, source: FromBook, row: int, de00_low95: float
) -> list[str]:
    """A batch that looks like the original shows what the recipe really is. One that
    is only within tolerance does not: a batch that began light on purpose would make every
    remake after it lighter still."""

    batch = batch_by_id(opened, row)
    original = original_by_id(opened, source.original.id)
    assert batch is not None
    assert original is not None
    inside = mix_with_added(batch, story_of(opened, row))
    if inside is None or _same(inside[0], original.recipe.mix if original.recipe else ()):
        return []
    if original.recipe is not None and de00_low95 >= TOLD_APART_DE:
        return [
            f'It matches, but it differs measurably from "{original.name}", so the recipe stays. '
            f'To take over what is in this batch: drawdown book edit "{original.name}" --batch '
            f'"{batch.name}".'
        ]
    add_recipe(change, original.id, inside[0], inside[1], f'batch "{batch.name}" matched')
    return [f'It matches, so the recipe of "{original.name}" is now what is in this batch.']


def _same(one: Mix, other: Mix) -> bool:
    def shares(mix: Mix) -> dict[str, float]:
        whole = sum(part.parts for part in mix) or 1.0
        parts: dict[str, float] = {}
        for part in mix:
            parts[part.ink] = parts.get(part.ink, 0.0) + 100 * part.parts / whole
        return parts

    a, b = shares(one), shares(other)
    return all(abs(a.get(ink, 0.0) - b.get(ink, 0.0)) <= SAME_PARTS for ink in {*a, *b})
