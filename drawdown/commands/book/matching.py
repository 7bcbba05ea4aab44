"""``match --kept`` and ``--batch``: the original and its mix out of the book, the answer into the
batch's story."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import DrawdownError, WrongUsage
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
from drawdown.book.columns import Batch, Entry, Mix, MixPart, Original
from drawdown.book.originals import find_original, original_by_id
from drawdown.book.photos import Stored
from drawdown.book.shapes import clean_date, clean_name
from drawdown.commands.book import frame
from drawdown.commands.support.book_options import folder_of
from drawdown.report.text.book import UNDO
from drawdown.report.text.terminal import write_aside
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.ink.mix_notation import Amounts
    from drawdown.ink.prior import Knowledge
    from drawdown.ink.shelf import Shelf
    from drawdown.matching.batch_history import Followed
    from drawdown.matching.kept_original import Kept
    from drawdown.pipeline.read import Judgement

SAME_WEIGHT_G, SAME_WEIGHT_SHARE = 0.1, 0.005  # less is what a scale leaves open
SAME_PARTS = 0.05  # parts per 100: less is no other recipe


@dataclass(frozen=True)
class FromBook:
    """What the book gives to a match: the kept original, the batch if it is in the book already,
    its mix and weight as far as they are known, the batch as its photos tell it (``followed``)
    and what the others taught. ``added`` is what the command said went in since, in grams or
    (``in_parts``) to 100 parts of the batch; ``mix_said`` that the mix is the command's,
    ``weighed`` what it said the batch weighs now, ``again`` that the photo is in the batch's
    story already."""

    book: Path | None
    original: Original | None
    kept: Kept | None
    batch: Batch | None
    batch_name: str | None
    mix: Mix
    grams: float | None
    followed: Followed | None
    knowledge: Knowledge | None
    shelf: Shelf
    added: dict[str, float]
    in_parts: bool
    mix_said: bool
    weighed: float | None
    again: bool

    @property
    def parts(self) -> dict[str, float] | None:
        """The mix for the advice; None when an ink of it is not on the shelf (told on
        stderr) or there is none."""
        strange = [part.ink for part in self.mix if not _known(part.ink, self.shelf)]
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


def _known(ink: str, shelf: Shelf) -> bool:
    try:
        shelf.find(ink)
    except WrongUsage:
        return False
    return True


# Reads what the options name, one after another.
def from_book(  # long: one thing after another
    kept: str | None,
    batch: str | None,
    book: Path | None,
    *,
    photo: Path,
    said: Amounts | None,
    added: Amounts | None,
    grams: float | None,
    apart: bool | None,
    batch_number: int | None,
    shelf: Path | None = None,
) -> FromBook:
    """Look up what ``--kept`` and ``--batch`` name; inks go by the shelf's names, so that the
    same ink under two names counts as one. Raises ``WrongUsage`` and ``BadFile``."""
    from drawdown.book.memory import knowledge_at, learning
    from drawdown.studio.shelf_file import shelf_in_use

    name = None if batch is None else clean_name(batch, "--batch")
    used = shelf_in_use(shelf)
    mix_said = {} if said is None else used.shelf.named_mix(said.amounts)
    went_in = {} if added is None else frame.by_shelf(added.amounts, shelf, unknown_inks=False)
    if earlier := knowledge_at(folder_of(book), used)[2]:
        write_aside(earlier)
    with frame.opened(book, write=name is not None, create=name is not None) as opened:
        row = batch_called(opened, name) if name else None
        original = _original(opened, kept, row)
        entries = story_of(opened, row.id) if row else ()
        again = None if row is None else _again(opened, entries, photo)
        others = [
            s for b, s in learning.stories(opened, used.shelf) if row is None or b.id != row.id
        ]
        knowledge = learning.learnt(others, used.shelf, opened.folder)
    inside = row and mix_with_added(row, entries)
    if name is not None:
        _check_batch(name, row, original, mix_said, went_in)
    mix = inside[0] if inside else original.recipe.mix if original and original.recipe else ()
    if mix_said:
        mix = tuple(MixPart(ink, amount) for ink, amount in mix_said.items())
    known_g = inside[1] if inside else None
    in_parts = added is not None and (
        added.unit in ("parts", "%") or (not added.unit and known_g is None and grams is None)
    )
    source = FromBook(
        book, original, _kept(original, apart, batch_number) if original else None, row, name,
        mix, grams if grams is not None else known_g, None, knowledge, used.shelf, went_in,
        in_parts, bool(mix_said), grams, again is not None,
    )  # fmt: skip
    if name is None:
        return source
    return replace(source, followed=_followed(source, entries, again, known_g))


def _kept(original: Original, apart: bool | None, batch_number: int | None) -> Kept:
    from drawdown.matching.kept_original import Kept

    r = original.reading
    if r is None:
        raise WrongUsage(
            f'the colour of "{original.name}" is not in the book',
            "there is nothing to compare with",
            "keep it again from a photo",
        )
    if original.state == "wet":
        write_aside(
            f'"{original.name}" was read wet, and a wet strip is darker: pull the batch and look '
            "at it as wet, or read the original again with drawdown book edit --photo."
        )
    return Kept(
        original.name, r.colour(), r.card != "measured", r.shaded, apart, batch_number,
        original.state,
    )  # fmt: skip


def _original(opened: Book, kept: str | None, batch: Batch | None) -> Original | None:
    """The kept original that is named, or the one that the batch is mixed towards, if any."""
    original = None if kept is None else find_original(opened, clean_name(kept, "--kept"))
    if original is None and batch is not None and batch.original:
        return original_by_id(opened, batch.original)
    if original and batch is not None and batch.original not in (None, original.id):
        towards = original_by_id(opened, batch.original or 0)
        raise WrongUsage(
            f'the batch "{batch.name}" is mixed towards "{towards.name if towards else "?"}"',
            "one batch has one original, or its story would make no sense",
            "give this batch another name with --batch",
        )
    return original


def _check_batch(
    name: str,
    batch: Batch | None,
    original: Original | None,
    mix: dict[str, float],
    added: dict[str, float],
) -> None:
    """Whether a batch can begin or go on so; raises ``WrongUsage``."""
    if batch is None and added:
        raise WrongUsage(
            f'the batch "{name}" begins with this photo, and --added is given',
            "an addition is known by the photo before it",
            "leave --added out, and give with --mix all that is in the batch",
        )
    if batch is None and not mix and original is None:
        raise WrongUsage(
            f'there is no batch "{name}" in the book yet',
            "a new one begins with its mix",
            f'begin it: --batch "{name}" --mix "white 97, PB15:3 3"; or say with --kept which '
            "original it is mixed towards",
        )
    if batch is not None and batch.mix and mix:
        then = tuple(MixPart(ink, parts) for ink, parts in mix.items())
        if not same_mix(then, batch.mix):
            raise WrongUsage(
                f'the batch "{batch.name}" began with another mix',
                "its photos so far rest on that one",
                "leave --mix out to go on with it, or begin a batch of another name",
            )


def _again(opened: Book, entries: tuple[Entry, ...], photo: Path) -> Entry | None:
    """The entry of this very photo that teaches already, if there is one."""
    from calibration.files import read_bytes
    from calibration.photo.privacy import kept_copy

    try:
        data, _ = kept_copy(read_bytes(photo, "a photo", 1_000_000_000), str(photo))
    except DrawdownError:  # told when it is opened
        return None
    found = opened.rows(
        "SELECT r.id FROM reading r JOIN photo p ON p.id = r.photo WHERE p.sha256 = ?",
        (hashlib.sha256(data).hexdigest(),),
    )
    ids = {row["id"] for row in found}
    return next((e for e in entries if e.taught and e.reading and e.reading.id in ids), None)


def _followed(
    source: FromBook, entries: tuple[Entry, ...], again: Entry | None, known_g: float | None
) -> Followed | None:
    """The batch as this photo finds it; None where nothing can be learnt from it."""
    from drawdown.book.memory import learning
    from drawdown.matching.batch_history import BatchStory, Followed

    assert source.batch_name is not None
    if source.batch is not None:
        upto = [e for e in entries if again is None or e.id <= again.id]
        story, pending = learning.story_from(source.batch, upto, source.shelf)
        if story is not None and again is not None:  # the photo takes the place of its first time
            last = story.photos[-1]
            return Followed(replace(story, photos=story.photos[:-1]), last.step.added, last.grams)
        shares, now = _shares(source, known_g)
        if story is not None:
            grown = 1 + sum(pending.values())
            for ink, share in shares.items():
                pending[ink] = pending.get(ink, 0.0) + share * grown
            return Followed(story, pending, now)
    else:
        shares, now = {}, source.grams
    parts = source.parts
    if not parts:
        return None
    whole = sum(parts.values())
    for ink, share in shares.items():
        parts[ink] = parts.get(ink, 0.0) + share * whole
    return Followed(BatchStory(source.batch_name, source.shelf.named_mix(parts)), {}, now)


def _shares(source: FromBook, known_g: float | None) -> tuple[dict[str, float], float | None]:
    """What the command says went in as shares of the batch before, and its weight now."""
    total = sum(source.added.values())
    if source.in_parts:
        shares = {ink: amount / 100 for ink, amount in source.added.items()}
        before = known_g if source.weighed is None else source.weighed / (1 + total / 100)
        return shares, None if before is None else before * (1 + total / 100)
    before = known_g if source.weighed is None else source.weighed - total
    if not source.added:
        return {}, before
    if before is None:
        raise WrongUsage(
            "--added is in grams, and what the batch weighs is not known",
            "grams say something only beside the weight of the whole",
            "add what it weighs now, additions included, as in --grams 250; or give parts to 100 "
            'parts of the batch, as in --added "PB15:3 0.5 parts"',
        )
    if before <= 0:
        raise WrongUsage(
            f"--added comes to {total:g} g, and the batch weighs {source.weighed:g} g with it",
            "what is added cannot be all of the batch",
            "give with --grams what the batch weighs now, additions included",
        )
    return {ink: amount / before for ink, amount in source.added.items()}, before + total


# Into the story --------------------------------------------------------------------------


def log_match(source: FromBook, photo: Path, judgement: Judgement) -> None:
    """Put the match into the batch's story; told on stderr. Raises ``BadFile``."""
    c = judgement.comparison
    assert c is not None
    if source.again:
        write_aside(
            f'This photo is in the story of "{source.batch_name}" already: it counts once, and '
            "nothing was noted. To note it otherwise, take it back first: drawdown undo"
        )
        return
    batch_strip = next(s for s in judgement.strips if s.strip.number == c.batch)
    with frame.opened(source.book, write=True) as opened:
        stored, crop = frame.store(opened, photo, judgement, batch_strip)
        earlier = judgement.earlier
        other = None if earlier is None else opened.photos.add_file(Path(earlier.photo.path))
        with opened.change(f'logged a photo of batch "{source.batch_name}"') as change:
            told = _write(opened, change, source, judgement, (stored, other, crop))
    for text in (*told, UNDO):
        write_aside(text)


def _write(
    opened: Book,
    change: Change,
    source: FromBook,
    judgement: Judgement,
    photos: tuple[Stored, Stored | None, Stored],
) -> list[str]:
    from drawdown.book.memory.learning import taught_row
    from drawdown.book.readings import insert_reading
    from drawdown.report.json.match import match_data

    stored, other, crop = photos
    c = judgement.comparison
    assert c is not None
    batch_strip = next(s for s in judgement.strips if s.strip.number == c.batch)
    row, told = _row(opened, change, source)
    followed, step = source.followed, judgement.step
    if step is not None:
        told += _log_added(opened, change, source, row)
    elif source.added:
        told.append(
            "A photo without a sure verdict on dry strips teaches nothing, so what was added is "
            "not noted yet: say it again with the next photo."
        )
    reading = insert_reading(change, judgement, batch_strip, stored, crop)
    apart = bool(judgement.kept and judgement.kept.apart)
    original_reading = None
    if source.original is not None and source.original.reading is not None:
        original_reading = source.original.reading.id
    where = judgement.earlier or judgement
    if not apart:
        strip = next((s for s in where.strips if s.strip.number == c.original), None)
        if strip is not None:
            original_reading = insert_reading(change, where, strip, other or stored, None)
    data = match_data(judgement)
    taught = {}
    if step is not None and followed is not None:
        taught = taught_row(step, {*followed.story.inks, *followed.added}, source.shelf)
        told += _taught(source, judgement)
    log_reading(
        change, row, reading=reading, original_reading=original_reading,
        across_photos=apart or judgement.earlier is not None, comparison=c,
        words=data["comparison"]["words"], advised=data["advice"], taught=taught,
    )  # fmt: skip
    if c.verdict == "match" and source.original is not None:
        told += _offer_recipe(opened, source.original, row)
    return told


def _row(opened: Book, change: Change, source: FromBook) -> tuple[int, list[str]]:
    """The batch's row, begun if there is none yet."""
    assert source.batch_name is not None
    batch = batch_called(opened, source.batch_name)  # as it is now that nobody else writes
    if batch is not None:
        if not batch.mix and source.mix_said:
            from drawdown.book.columns import mix_text

            change.update("batch", batch.id, {"mix": mix_text(source.mix), "grams": source.grams})
        return batch.id, [f'Logged to batch "{batch.name}".']
    row = begin_batch(
        opened, change, name=source.batch_name, date=clean_date(None), mix=source.mix,
        original=source.original.id if source.original else None, grams=source.grams,
    )  # fmt: skip
    told = [f'Logged to the new batch "{source.batch_name}".']
    if source.mix and not source.mix_said and source.original is not None:
        told.append(
            f'It is noted as mixed like "{source.original.name}": if it was not, undo and '
            "give --mix."
        )
    return row, told


def _log_added(opened: Book, change: Change, source: FromBook, row: int) -> list[str]:
    """What the command says went in, and a portion that was taken out, as the weight shows."""
    told, added = [], source.added
    if source.batch is not None and source.weighed is not None:
        more = 0.0 if source.in_parts else sum(added.values())
        told += _weighed_again(opened, change, source.batch, source.weighed - more)
    if added:
        unit = PER_100 if source.in_parts else GRAMS
        log_added(change, row, tuple(added.items()), unit)
        told.append(f"What was added went into the batch's story, in {unit}.")
    return told


def _taught(source: FromBook, judgement: Judgement) -> list[str]:
    """A word where the photo contradicts the noted mix, and so teaches nothing."""
    from drawdown.book.memory.learning import lesson_of
    from drawdown.matching.batch_history import BatchPhoto

    followed, step = source.followed, judgement.step
    assert followed is not None
    assert step is not None
    paper = judgement.correction.paper_lab_d50
    seen = BatchPhoto(step, "", followed.grams, None if paper is None else tuple(map(float, paper)))
    story = replace(followed.story, photos=(*followed.story.photos, seen))
    if lesson_of(story, source.shelf, source.knowledge).taken:
        return []
    return [
        "Nothing was learnt of the inks: the colours contradict the noted mix. Check the mix and "
        "what was added."
    ]


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


def _offer_recipe(opened: Book, original: Original, row: int) -> list[str]:
    """A batch that matches may be the better recipe; whether it is, is for the person to say."""
    batch = batch_by_id(opened, row)
    assert batch is not None
    inside = mix_with_added(batch, story_of(opened, row))
    if inside is None or same_mix(inside[0], original.recipe.mix if original.recipe else ()):
        return []
    return [
        f'It matches. To save what is in this batch as the recipe of "{original.name}": drawdown '
        f'book edit "{original.name}" --batch "{batch.name}"'
    ]


def same_mix(one: Mix, other: Mix) -> bool:
    def shares(mix: Mix) -> dict[str, float]:
        whole = sum(part.parts for part in mix) or 1.0
        parts: dict[str, float] = {}
        for part in mix:
            parts[part.ink] = parts.get(part.ink, 0.0) + 100 * part.parts / whole
        return parts

    a, b = shares(one), shares(other)
    return all(abs(a.get(ink, 0.0) - b.get(ink, 0.0)) <= SAME_PARTS for ink in {*a, *b})
