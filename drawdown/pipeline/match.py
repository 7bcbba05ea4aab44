"""From a photo of original and batch to the verdict and what to add."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from calibration import flags as fl
from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.pipeline.options import Options, Progress
from drawdown.pipeline.read import Judgement, read_strips
from drawdown.pipeline.roles import refuse_assumed

if TYPE_CHECKING:
    import numpy as np

    from drawdown.matching.kept_original import Kept
    from drawdown.reading.colour import StripReading
    from drawdown.studio.batch_memory import Memory


def match_photo(photo_path: Path, options: Options, progress: Progress) -> Judgement:
    """The whole way: strips, comparison of original and batch, advice."""
    from drawdown.ink.shelf import Shelf
    from drawdown.studio import batch_memory as slab_files
    from drawdown.studio.shelf_file import shelf_in_use

    used = shelf_in_use(options.shelf_path)
    shelf = used.shelf
    mix = shelf.named_mix(options.mix) if options.mix else None
    memory, spoiled = _memory(slab_files.memory_path(used), options.slab)
    opened = None
    if options.slab is not None:
        opened = slab_files.open_slab(
            memory, shelf, options.slab, mix, options.added, options.batch_grams,
            slab_files.photo_mark(photo_path),
        )  # fmt: skip
        mix = opened.slab.mix
    if used.origin == "starter":
        named = set(mix or {}) | set(opened.all_inks if opened else ())
        # Nobody is sent for a toxic pigment that they did not name.
        keep = tuple(ink for ink in shelf if not ink.caution or ink.name in named)
        shelf = Shelf(keep, shelf.title)
    earlier = None
    if options.original_photo is not None:
        alone = replace(options, strips_by_hand=(), card_corners=options.card_corners[1:])
        earlier = read_strips(options.original_photo, alone, progress)
    seen = read_strips(photo_path, options, progress)
    from drawdown.matching.advise import advise
    from drawdown.matching.batch_history import Step, reading
    from drawdown.matching.compare import compare
    from drawdown.matching.film_family import figures_of
    from drawdown.matching.film_or_ink import ALIKE_SD
    from drawdown.wording.film import film_alone, film_first

    where = seen if earlier is None else earlier
    book = options.kept
    if book is not None:
        book = book.settled(len(seen.strips), elsewhere=earlier is not None)
    nominal = seen.correction.nominal or where.correction.nominal
    shaded = seen.correction.shaded or where.correction.shaded
    differs: list[fl.Flag] = []
    if book is not None and book.apart:
        original = book.colour
        batch = _pick(seen, book.batch or 1, "batch", other=True)
        nominal, shaded = nominal or book.nominal, shaded or book.shaded
    else:
        refuse_assumed(options.assumed, len(seen.strips))
        original = _pick(where, options.original, "original", other=earlier is not None)
        batch = _pick(seen, options.batch, "batch", other=earlier is not None)
        if book is not None:
            from drawdown.matching.kept_original import kept_differs

            differs = kept_differs(book, original, nominal=nominal, shaded=shaded)
    progress("comparing", 0.92)
    wet = options.wet | {"original"} if book is not None and _kept_wet(book) else options.wet
    original = replace(original, state="wet" if "original" in wet else "dry")
    batch = replace(batch, state="wet" if "batch" in wet else "dry")
    seen, earlier = _with_states(seen, earlier, original, batch)
    wet_with_dry = False
    if wet:
        from drawdown.matching.drying import settle
        from drawdown.studio.drying_file import learned

        settled = settle(original, batch, learned())
        original, batch, wet_with_dry = settled.original, settled.batch, settled.guessed
        differs += settled.flags
    comparison = compare(
        original,
        batch,
        tolerance=options.tolerance,
        other_inks=options.other_inks,
        nominal_card=nominal,
        shaded_card=shaded,
        across_photos=earlier is not None or (book is not None and bool(book.apart)),
        hard=any(f.hard for f in (*seen.flags, *where.flags)),
        paper_lab=seen.correction.paper_lab_d50,
        mix=figures_of(mix, used.shelf),
        pulled_alike=options.pulled_alike,
        wet_with_dry=wet_with_dry,
    )
    advice = step = None
    # Pulled alike, both films are known; the comparison's own ratio rests on these very colours
    # and must not count twice.
    films = {"film_ratio": 1.0, "film_log_sd": ALIKE_SD} if options.pulled_alike else {}
    if comparison.verdict is not None and not wet_with_dry:
        read_as = reading(
            original.lab_d50, batch.lab_d50, difference_cov=comparison.d_lab_cov,
            common_sd=_common_sd(original, batch),
        )  # fmt: skip
        step = Step(read_as, opened.added if opened else {}, **films)
    # Where a thinner film alone explains it, or one is still wet, no ink is advised.
    waits = film_alone(comparison) or wet_with_dry
    if film_first(comparison):  # told for the case that the difference stays when pulled alike
        films = {"film_ratio": 1.0, "film_log_sd": ALIKE_SD}
    if comparison.verdict is not None and not waits:
        advice = advise(
            original.lab_d50,
            batch.lab_d50,
            lab_samples_original=original.lab_samples,
            lab_samples_batch=batch.lab_samples,
            shelf=shelf,
            mix=mix,
            batch_grams=opened.grams if opened else options.batch_grams,
            tolerance=options.tolerance,
            paper_lab=seen.correction.paper_lab_d50,
            **films,
            settled=comparison.verdict != "too close to call",
            matched=comparison.verdict == "match",
            scale_step=options.scale_step,
            difference_cov=comparison.d_lab_cov,
            common_sd=_common_sd(original, batch),
            story=opened.slab.steps if opened else (),
            added=opened.added if opened else None,
            knowledge=slab_files.knowledge_for(memory, used.shelf, shelf, opened),
            film_effect=comparison.film.effect_de00 if comparison.film else None,
        )
    progress("done", 1.0)
    return Judgement(
        seen.photo,
        seen.view,
        seen.sheet,
        seen.correction,
        seen.strips,
        comparison,
        advice,
        (*seen.flags, *differs, *spoiled),
        earlier,
        book,
        opened,
        step,
    )


def _memory(path: Path, slab: str | None) -> tuple[Memory, tuple[fl.Flag, ...]]:
    """What earlier batches taught. Where no batch is followed, a spoiled file costs no more
    than what it held, and that is told. Raises ``BadFile``."""
    from calibration.errors import BadFile
    from drawdown.studio.batch_memory import Memory, read_memory

    try:
        return read_memory(path), ()
    except BadFile:
        if slab is not None:
            raise
        return Memory(), (fl.LEARNT_UNREADABLE(path.name),)


def _kept_wet(book: Kept) -> bool:
    """Whether the original that is compared is the book's reading of a wet strip."""
    return bool(book.apart) and book.state == "wet"


def _with_states(
    seen: Judgement, earlier: Judgement | None, original: StripReading, batch: StripReading
) -> tuple[Judgement, Judgement | None]:
    """The readings with wet or dry noted on the two strips that are compared."""

    def noted(reading: Judgement, *strips: StripReading) -> Judgement:
        new = {id(s.strip): s for s in strips}
        return replace(reading, strips=tuple(new.get(id(s.strip), s) for s in reading.strips))

    seen = noted(seen, original, batch)
    return seen, None if earlier is None else noted(earlier, original)


def _common_sd(original: StripReading, batch: StripReading) -> np.ndarray:
    """(3,) standard uncertainty of either colour that both strips share."""
    return (original.lab_u95 + batch.lab_u95) / (2 * 1.96)


def _pick(seen: Judgement, number: int, role: str, *, other: bool) -> StripReading:
    """The strip of that number; ``other`` says that original and batch are in two photos."""
    by_number = {s.strip.number: s for s in seen.strips}
    if number in by_number:
        return by_number[number]
    count = len(by_number)
    strips = "one strip was" if count == 1 else f"{count} strips were"
    where = f" in {seen.photo.path}" if other else ""
    what = f"strip {number} was asked for as the {role}, but {strips} found{where}"
    if number <= 2 and count < 2 and not other:
        raise PhotoUnfit(
            what,
            "a match needs two strips in one photo",
            "show the kept original and the batch side by side, or give their places with --strip",
        )
    raise WrongUsage(
        what,
        "strips are numbered from left to right with the card upright",
        f"choose --{role} between 1 and {count}" if count > 1 else f"leave --{role} out, or say 1",
    )
