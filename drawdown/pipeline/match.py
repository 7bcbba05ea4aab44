"""From a photo of original and batch to the verdict and what to add."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from calibration.photo.open import Photo
from drawdown import flags as fl
from drawdown.ink.shelf import Shelf
from drawdown.matching.advise import Advice, advise
from drawdown.matching.amounts import Weighing
from drawdown.matching.batch_history import Step, reading_of
from drawdown.matching.compare import Comparison, compare
from drawdown.matching.drying import settle
from drawdown.matching.film_or_ink import ALIKE_SD, Pulls
from drawdown.matching.kept_original import Kept, kept_differs
from drawdown.pipeline.options import (
    Options,
    Progress,
    WhichStrips,
    refuse_assumed,
    refuse_itself,
    same_photo,
)
from drawdown.pipeline.read import Judgement, read_strips
from drawdown.reading.colour import Colour, StripReading
from drawdown.studio import batch_memory
from drawdown.studio.batch_memory import Memory, Opened, knowledge_for, read_memory
from drawdown.studio.drying_file import learned
from drawdown.studio.shelf_file import ShelfInUse, shelf_in_use


def match_photo(photo: Path | Photo, options: Options, progress: Progress) -> Judgement:
    """The whole way: strips, comparison of original and batch, advice."""
    which = options.strips_to_compare()
    if options.original_photo is not None:
        refuse_itself(photo, options.original_photo, which)
        if same_photo(photo, options.original_photo):  # both strips share one light after all
            options = replace(options, original_photo=None, card_corners=options.card_corners[:1])
    bench = _bench(photo, options)
    earlier = None
    if options.original_photo is not None:
        alone = Options(card=options.card, card_corners=options.card_corners[1:])
        earlier = read_strips(options.original_photo, alone, progress)
    seen = read_strips(photo, options, progress)
    pair = _pair(seen, earlier, options, which)
    progress("comparing", 0.92)
    pair = _dried(pair, options)
    comparison = _compare(pair, options, bench)
    advice, step = _advise(pair, comparison, options, bench)
    progress("done", 1.0)
    untold = bench.lamps if advice is None or not advice.lamps else ()
    return replace(
        pair.seen,
        comparison=comparison,
        advice=advice,
        flags=(
            *seen.flags,
            *pair.flags,
            *bench.flags,
            *((fl.LAMP_UNTOLD(" and ".join(untold)),) if untold else ()),
        ),
        earlier=pair.earlier,
        kept=pair.kept,
        opened=bench.opened,
        step=step,
    )


@dataclass(frozen=True)
class _Bench:
    """What lies ready before the photo is read: ``used`` the shelf in use, ``shelf`` its inks that
    may be advised, the noted ``mix``, what earlier batches taught (``memory``, with ``flags`` about
    it), the followed batch as this photo finds it (``opened``), and the ``lamps`` that were asked
    for (name -> weights)."""

    used: ShelfInUse
    shelf: Shelf
    mix: dict[str, float] | None
    memory: Memory
    opened: Opened | None
    flags: tuple[fl.Flag, ...]
    lamps: dict[str, np.ndarray]


def _bench(photo: Path | Photo, options: Options) -> _Bench:
    used = shelf_in_use(options.shelf)
    shelf = used.shelf
    mix = shelf.named_mix(options.mix) if options.mix else None
    memory, spoiled = _memory(batch_memory.memory_path(used), options.slab)
    opened = None
    if options.slab is not None:
        opened = batch_memory.open_slab(
            memory, shelf, options.slab, mix, options.added, options.batch_grams,
            batch_memory.photo_mark(Path(getattr(photo, "path", photo))),
        )  # fmt: skip
        mix = opened.slab.mix
    if used.origin == "starter":
        named = set(mix or {}) | set(opened.all_inks if opened else ())
        # Nobody is sent for a toxic pigment that they did not name.
        keep = tuple(ink for ink in shelf if not ink.caution or ink.name in named)
        shelf = Shelf(keep, shelf.title)
    lamps = {}
    if options.lamps:  # only then: it loads a large library
        from calibration.colour.spectral_files import lamp

        lamps = dict(lamp(said) for said in options.lamps)
    return _Bench(used, shelf, mix, memory, opened, spoiled, lamps)


def _memory(path: Path, slab: str | None) -> tuple[Memory, tuple[fl.Flag, ...]]:
    """What earlier batches taught. Where no batch is followed, a spoiled file costs no more
    than what it held, and a flag says so. Raises ``BadFile``."""
    try:
        return read_memory(path), ()
    except BadFile:
        if slab is not None:
            raise
        return Memory(), (fl.LEARNT_UNREADABLE(path.name),)


@dataclass(frozen=True, eq=False)
class _Pair:
    """The two strips that are compared, the readings they come from, and what was found on the
    way (``flags``). ``guessed_dry``: one was wet, and nothing is known of how it dries."""

    seen: Judgement
    earlier: Judgement | None
    original: Colour
    batch: StripReading
    kept: Kept | None
    nominal: bool
    shaded: bool
    flags: tuple[fl.Flag, ...] = ()
    guessed_dry: bool = False

    @property
    def from_book(self) -> bool:
        """Whether the book's reading of the original is compared, not a strip of a photo."""
        return self.kept is not None and bool(self.kept.apart)

    @property
    def where(self) -> Judgement:
        """The photo that shows the original, if one does."""
        return self.seen if self.earlier is None else self.earlier


def _pair(
    seen: Judgement, earlier: Judgement | None, options: Options, which: WhichStrips
) -> _Pair:
    where = seen if earlier is None else earlier
    kept = options.kept
    if kept is not None:
        kept = kept.settled(len(seen.strips), elsewhere=earlier is not None)
    nominal = seen.correction.nominal or where.correction.nominal
    shaded = seen.correction.shaded or where.correction.shaded
    if kept is not None and kept.apart:
        batch = _pick(seen, kept.batch or 1, "batch", other=True)
        nominal, shaded = nominal or kept.nominal, shaded or kept.shaded
        return _Pair(seen, earlier, kept.colour, batch, kept, nominal, shaded)
    refuse_assumed(which.assumed, len(seen.strips))
    original = _pick(where, which.original, "original", other=earlier is not None)
    batch = _pick(seen, which.batch, "batch", other=earlier is not None)
    flags: list[fl.Flag] = []
    if kept is not None:
        flags = kept_differs(kept, original, nominal=nominal, shaded=shaded)
    return _Pair(seen, earlier, original, batch, kept, nominal, shaded, tuple(flags))


def _dried(pair: _Pair, options: Options) -> _Pair:
    """Wet or dry noted on both strips, and a wet one beside a dry one as it should dry."""
    wet = set(options.wet)
    if pair.kept is not None and pair.from_book and pair.kept.state == "wet":
        wet.add("original")
    original = replace(pair.original, state="wet" if "original" in wet else "dry")
    batch = replace(pair.batch, state="wet" if "batch" in wet else "dry")
    seen, earlier = _with_states(pair.seen, pair.earlier, original, batch)
    pair = replace(pair, seen=seen, earlier=earlier, original=original, batch=batch)
    if not wet:
        return pair
    settled = settle(pair.original, pair.batch, learned())
    return replace(
        pair,
        original=settled.original,
        batch=settled.batch,
        flags=(*pair.flags, *settled.flags),
        guessed_dry=settled.guessed,
    )


def _compare(pair: _Pair, options: Options, bench: _Bench) -> Comparison:
    paper = pair.seen.correction.paper_lab_d50
    mix = None if bench.mix is None else bench.used.shelf.mix(bench.mix)
    pulls = None if paper is None else Pulls(paper, mix, options.pulled_alike)
    return compare(
        pair.original,
        pair.batch,
        tolerance=options.tolerance,
        other_inks=options.other_inks,
        nominal_card=pair.nominal,
        shaded_card=pair.shaded,
        across_photos=pair.earlier is not None or pair.from_book,
        hard=any(f.hard for f in (*pair.seen.flags, *pair.where.flags)),
        wet_with_dry=pair.guessed_dry,
        pulls=pulls,
    )


def _advise(
    pair: _Pair, comparison: Comparison, options: Options, bench: _Bench
) -> tuple[Advice | None, Step | None]:
    """What to add, and both strips as the advice took them; None where no verdict was given or
    one strip is still wet. Where a thinner film alone explains it, no ink is advised."""
    if comparison.verdict is None or pair.guessed_dry:
        return None, None
    opened = bench.opened
    read_as = reading_of(pair.original, pair.batch, comparison.d_lab_cov)
    step = Step(read_as, opened.added if opened else {})
    alike = replace(step, film_ratio=1.0, film_log_sd=ALIKE_SD)
    # Pulled alike, both films are known; the comparison's own ratio rests on these very colours
    # and must not count twice.
    step = alike if options.pulled_alike else step
    if comparison.film_alone:
        return None, step
    # Where film may explain it, what to add is for the case that the difference stays when both
    # are pulled alike.
    now = alike if comparison.film_first else step
    advice = advise(
        (*(opened.slab.steps if opened else ()), now),
        bench.shelf,
        bench.mix,
        tolerance=options.tolerance,
        paper_lab=pair.seen.correction.paper_lab_d50,
        weighing=Weighing(opened.grams if opened else options.batch_grams, options.scale_step_g),
        verdict=comparison.verdict,
        knowledge=knowledge_for(bench.memory, bench.used.shelf, bench.shelf, opened),
        film_effect=comparison.film.effect_de00 if comparison.film else None,
        lamps=bench.lamps,
    )
    return advice, step


def _with_states(
    seen: Judgement, earlier: Judgement | None, original: Colour, batch: Colour
) -> tuple[Judgement, Judgement | None]:
    """The readings with wet or dry noted on the two strips that are compared."""

    def noted(reading: Judgement, *colours: Colour) -> Judgement:
        new = {id(c.strip): c for c in colours if hasattr(c, "strip")}
        return replace(reading, strips=tuple(new.get(id(s.strip), s) for s in reading.strips))

    seen = noted(seen, original, batch)
    return seen, None if earlier is None else noted(earlier, original)


def _lost_to_glare(seen: Judgement) -> PhotoUnfit | None:
    """The refusal where a lamp shines in what was found, and so perhaps in what was not."""
    shining = (fl.STRIP_SHINES, fl.STRIP_GLARE)
    for strip in seen.strips:
        for flag in (*strip.strip.flags, *strip.flags):
            if flag.kind in shining:
                return PhotoUnfit(
                    f"glare: a lamp is mirrored in {flag.detail} % of the strip that was found, "
                    "and no second strip shows",
                    "where the lamp is mirrored, the photo shows the lamp and not the ink",
                    "turn the sheet or move the lamp until nothing shines in the ink, and shoot "
                    "again",
                )
    return None


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
        unfit = _lost_to_glare(seen) or PhotoUnfit(
            f"only {strips} found, and a match needs two",
            "the kept original and the batch are compared in one photo",
            "show both side by side, or give their places with `strips`",
        )
        unfit.found = seen
        raise unfit
    raise WrongUsage(
        what,
        "strips are numbered from left to right with the card upright",
        f"choose `{role}` between 1 and {count}" if count > 1 else f"leave `{role}` out, or say 1",
    )
