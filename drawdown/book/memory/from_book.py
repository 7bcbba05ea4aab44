"""What the book gives to a match: the kept original, and the batch with its story so far."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import DrawdownError, WrongUsage
from drawdown.book.batches import batch_called, mix_with_added, same_mix, story_of
from drawdown.book.columns import MOST_PHOTO_BYTES, Batch, Entry, Mix, MixPart, Original
from drawdown.book.opening import open_book
from drawdown.book.originals import find_original, original_by_id
from drawdown.book.shapes import clean_name
from drawdown.book.store import Book

if TYPE_CHECKING:
    import numpy as np

    from drawdown.ink.mix_notation import Amounts
    from drawdown.ink.prior import Knowledge
    from drawdown.ink.shelf import Shelf
    from drawdown.matching.batch_history import Followed
    from drawdown.matching.kept_original import Kept
    from drawdown.pipeline.options import Options


@dataclass(frozen=True)
class FromBook:
    """The kept original, the batch if it is in the book already, its mix and weight as far as
    they are known, the batch as its photos tell it (``followed``) and what the others taught.
    ``parts`` and ``original_parts`` are the batch's mix and the original's for the advice, None
    where there is none or an ink of it is not on the shelf.
    ``added`` is what was said to have gone in since, in grams or (``in_parts``) to 100
    parts of the batch; ``mix_said`` that the mix was said now, ``weighed`` what the batch was
    said to weigh, ``again`` that the photo is in its story already. ``told`` is worth a word."""

    original: Original | None
    kept: Kept | None
    batch: Batch | None
    batch_name: str | None
    mix: Mix
    parts: dict[str, float] | None
    original_parts: dict[str, float] | None
    grams: float | None
    followed: Followed | None
    knowledge: Knowledge | None
    shelf: Shelf
    added: dict[str, float]
    in_parts: bool
    mix_said: bool
    weighed: float | None
    again: bool
    told: tuple[str, ...]

    def asked(self, options: Options) -> Options:
        """The ``options`` with what the book knows; what was said goes before."""
        return replace(
            options, kept=self.kept, followed=self.followed, knowledge=self.knowledge,
            mix=options.mix or self.parts, batch_grams=self.grams,
            original_mix=options.original_mix or self.original_parts,
        )  # fmt: skip


# Wide: each parameter is something that a person can say.
def from_book(
    folder: Path,
    kept: str | None,
    batch: str | None,
    *,
    photo: Path,
    said: Amounts | None,
    added: Amounts | None,
    grams: float | None,
    apart: bool | None,
    batch_number: int | None,
    shelf: Path | None = None,
) -> FromBook:
    """Look up the ``kept`` original and the ``batch``; inks go by the shelf's names, so that the
    same ink under two names counts as one. Raises ``WrongUsage`` and ``BadFile``."""
    from drawdown.book.memory import knowledge_at, learning
    from drawdown.book.readings import spectrum_of
    from drawdown.studio.shelf_file import shelf_in_use

    name = None if batch is None else clean_name(batch, "`batch`")
    used = shelf_in_use(shelf)
    mix_said = {} if said is None else used.shelf.named_mix(said.amounts)
    went_in = {} if added is None else used.shelf.by_name(added.amounts)
    told = [earlier] if (earlier := knowledge_at(folder, used)[2]) else []
    with open_book(folder, write=name is not None, create=name is not None) as book:
        row = batch_called(book, name) if name else None
        original = _original(book, kept, row)
        spectrum = None if original is None else spectrum_of(book, original.reading)
        entries = story_of(book, row.id) if row else ()
        again = None if row is None else _again(book, entries, photo)
        others = [s for b, s in learning.stories(book, used.shelf) if row is None or b.id != row.id]
        knowledge = learning.learnt(others, used.shelf, book.folder)
    inside = row and mix_with_added(row, entries)
    if name is not None:
        _check_batch(name, row, original, mix_said, went_in)
    recipe = original.recipe.mix if original and original.recipe else ()
    mix = inside[0] if inside else recipe
    if mix_said:
        mix = tuple(MixPart(ink, amount) for ink, amount in mix_said.items())
    parts, strange = _parts(mix, used.shelf)
    original_parts, _ = _parts(recipe, used.shelf)
    if strange:
        told.append(
            f"The mix in the book names {strange}, which is not on the shelf in use; the advice "
            "guesses the mix from the colour."
        )
    if original is not None and original.state == "wet":
        told.append(
            f'"{original.name}" was read wet, and a wet strip is darker: pull the batch and look '
            "at it as wet, or read the original again with `read_original_again`."
        )
    known_g = inside[1] if inside else None
    in_parts = added is not None and (
        added.unit in ("parts", "%") or (not added.unit and known_g is None and grams is None)
    )
    source = FromBook(
        original, _kept(original, spectrum, apart, batch_number) if original else None, row, name,
        mix, parts, original_parts, grams if grams is not None else known_g, None, knowledge,
        used.shelf, went_in, in_parts, bool(mix_said), grams, again is not None, tuple(told),
    )  # fmt: skip
    followed = None if name is None else _followed(source, entries, again, known_g)
    return replace(source, followed=followed)


def _parts(mix: Mix, shelf: Shelf) -> tuple[dict[str, float] | None, str]:
    """The mix for the advice, and an ink of it that the shelf does not know."""
    parts: dict[str, float] = {}
    for part in mix:
        if shelf.known(part.ink) is None:
            return None, part.ink
        parts[part.ink] = parts.get(part.ink, 0.0) + part.parts
    return parts or None, ""


def _kept(
    original: Original, spectrum: np.ndarray | None, apart: bool | None, batch_number: int | None
) -> Kept:
    from drawdown.matching.kept_original import Kept

    r = original.reading
    if r is None:
        raise WrongUsage(
            f'the colour of "{original.name}" is not in the book',
            "there is nothing to compare with",
            "keep it again from a photo",
        )
    return Kept(
        original.name, replace(r.colour(), spectrum=spectrum), r.card != "measured", r.shaded,
        apart, batch_number, original.state,
    )  # fmt: skip


def _original(book: Book, kept: str | None, batch: Batch | None) -> Original | None:
    """The kept original that is named, or the one that the batch is mixed towards, if any."""
    original = None if kept is None else find_original(book, clean_name(kept, "`kept`"))
    if original is None and batch is not None and batch.original:
        return original_by_id(book, batch.original)
    if original and batch is not None and batch.original not in (None, original.id):
        towards = original_by_id(book, batch.original or 0)
        raise WrongUsage(
            f'the batch "{batch.name}" is mixed towards "{towards.name if towards else "?"}"',
            "one batch has one original, or its story would make no sense",
            "give this batch another name with `batch`",
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
            f'the batch "{name}" begins with this photo, and `added` is given',
            "an addition is known by the photo before it",
            "leave `added` out, and give with `mix` all that is in the batch",
        )
    if batch is None and not mix and original is None:
        raise WrongUsage(
            f'there is no batch "{name}" in the book yet',
            "a new one begins with its mix",
            f'begin it: `batch` "{name}" `mix` "white 97, PB15:3 3"; or say with `kept` which '
            "original it is mixed towards",
        )
    if batch is not None and batch.mix and mix:
        then = tuple(MixPart(ink, parts) for ink, parts in mix.items())
        if not same_mix(then, batch.mix):
            raise WrongUsage(
                f'the batch "{batch.name}" began with another mix',
                "its photos so far rest on that one",
                "leave `mix` out to go on with it, or begin a batch of another name",
            )


def _again(book: Book, entries: tuple[Entry, ...], photo: Path) -> Entry | None:
    """The entry of this very photo that teaches already, if there is one."""
    return next((e for e in of_photo(book, entries, photo) if e.taught), None)


def with_photo(book: Book, source: FromBook, photo: Path) -> FromBook:
    """``source``, with ``again`` as it is for the photo that goes into the story: of two photos of
    one pair that is the first, and only what they show tells a pair."""
    entries = story_of(book, source.batch.id) if source.batch else ()
    return replace(source, again=source.again or _again(book, entries, photo) is not None)


def of_photo(book: Book, entries: tuple[Entry, ...], photo: Path) -> list[Entry]:
    """The entries that are readings of this very photo, or of a copy of it."""
    from calibration.colour.tables import is_table
    from calibration.files import read_bytes
    from calibration.photo.privacy import kept_copy

    try:
        data = read_bytes(photo, "a photo", MOST_PHOTO_BYTES)
        if not is_table(photo):
            data, _ = kept_copy(data, str(photo))
    except DrawdownError:  # told when it is opened
        return []
    found = book.rows(
        "SELECT r.id FROM reading r JOIN photo p ON p.id = r.photo WHERE p.sha256 = ?",
        (hashlib.sha256(data).hexdigest(),),
    )
    ids = {row["id"] for row in found}
    return [e for e in entries if e.reading and e.reading.id in ids]


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
    if not source.parts:
        return None
    parts, whole = dict(source.parts), sum(source.parts.values())
    for ink, share in shares.items():
        parts[ink] = parts.get(ink, 0.0) + share * whole
    return Followed(BatchStory(source.batch_name, source.shelf.named_mix(parts)), {}, now)


def _shares(source: FromBook, known_g: float | None) -> tuple[dict[str, float], float | None]:
    """What was said to have gone in as shares of the batch before, and its weight now."""
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
            "`added` is in grams, and what the batch weighs is not known",
            "grams say something only beside the weight of the whole",
            "add what it weighs now, additions included, as in `batch_grams` 250; or give parts "
            'to 100 parts of the batch, as in `added` "PB15:3 0.5 parts"',
        )
    if before <= 0:
        raise WrongUsage(
            f"`added` comes to {total:g} g, and the batch weighs {source.weighed:g} g with it",
            "what is added cannot be all of the batch",
            "give with `batch_grams` what the batch weighs now, additions included",
        )
    return {ink: amount / before for ink, amount in source.added.items()}, before + total
