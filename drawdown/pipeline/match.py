"""From a photo of original and batch to the verdict and what to add."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.colour.illuminants import UnderLamp, under_lamps
from calibration.errors import BadFile, PhotoUnfit
from calibration.uncertainty.kernels import root_of
from calibration.uncertainty.streams import stream
from drawdown import flags as fl
from drawdown.ink.shelf import Shelf
from drawdown.matching.advise import Advice, advise
from drawdown.matching.amounts import Weighing
from drawdown.matching.batch_history import Step, reading_of
from drawdown.matching.compare import Comparison, compare
from drawdown.matching.film_family import OverBars, over_bars
from drawdown.matching.film_or_ink import ALIKE_SD, Pulls
from drawdown.matching.learn import gather
from drawdown.matching.several import joined
from drawdown.pipeline.opacity import over_bar_of
from drawdown.pipeline.options import (
    Options,
    Progress,
    WhichStrips,
    refuse_itself,
    refuse_with_several,
    same_photo,
)
from drawdown.pipeline.pair import Pair, dried, pair_of
from drawdown.pipeline.read import Judgement, Source, put_down, read_strips
from drawdown.pipeline.several import read_several
from drawdown.reading.colour import StripReading
from drawdown.reading.wedge import read_wedge
from drawdown.studio.shelf_file import ShelfInUse, shelf_in_use

LAMP_DRAWS = 400
WEDGE_SD = 0.3  # of the log of the film that a wedge has where it was read, over the original's


def match_photo(
    photo: Source | Sequence[Source], options: Options, progress: Progress
) -> Judgement:
    """The whole way: strips, comparison of original and batch, advice. Several photos of one
    pair are one reading with one interval. Where the ``options`` name a table of readings, no photo
    is looked at."""
    photos = [photo] if isinstance(photo, Path) or not isinstance(photo, Sequence) else list(photo)
    if options.readings is not None:
        photos = [options.readings]
    first = None
    if len(photos) == 2 and options.original_photo is None:
        first = _alone(photos[0], options, progress)
        if first is not None and len(first.strips) == 1:  # each shows one of the two
            corners = options.card_corners
            options = replace(options, original_photo=photos[0], card_corners=corners[::-1])
            photos = photos[1:]
    which = options.strips_to_compare()
    if len(photos) > 1:
        refuse_with_several(options)
    if options.original_photo is not None:
        refuse_itself(photos[0], options.original_photo, which)
        if same_photo(photos[0], options.original_photo):  # one light after all
            options = replace(options, original_photo=None, card_corners=options.card_corners[:1])
    bench = _bench(options)
    earlier = None
    if options.original_photo is not None:
        alone = Options(card=options.card, card_corners=options.card_corners[1:])
        source = options.original_photo
        earlier = first or put_down(read_strips(source, alone, progress), source)
    if len(photos) == 1:
        seen = read_strips(photos[0], options, progress)
        pair = dried(_at_wedge(pair_of(seen, earlier, options, which), options), options)
    else:
        pair = _several(photos, first, options, which, progress)
        seen = pair.seen
    progress("comparing", 0.92)
    bars = _bars(pair, options)
    comparison = _compare(pair, options, bench, bars)
    advice, step = _advise(pair, comparison, options, bench)
    progress("done", 1.0)
    lamps = _by_spectra(pair, comparison, bench)
    untold = bench.lamps if not lamps and (advice is None or not advice.lamps) else ()
    return replace(
        pair.seen,
        comparison=comparison,
        advice=advice,
        flags=(
            *seen.flags,
            *pair.flags,
            *((fl.LAMP_UNTOLD(" and ".join(untold)),) if untold else ()),
        ),
        earlier=pair.earlier,
        kept=pair.kept,
        step=step,
        photos=pair.photos,
        lamps=lamps,
    )


def _at_wedge(pair: Pair, options: Options) -> Pair:
    """The pair with the batch's wedge read where it comes nearest the original."""
    if not options.wedge or not isinstance(pair.batch, StripReading):
        return pair
    seen = pair.seen
    found = read_wedge(
        pair.batch, pair.original, seen.sheet, seen.correction, seen.view.card,
        [s.strip for s in seen.strips], seen.photo.jpeg_quality,
    )  # fmt: skip
    flags = [fl.WEDGE_READ(fl.WEDGE_AT, mm=found.from_thick_mm)]
    if found.end is not None:
        flags = [fl.WEDGE_SHORT(found.end)]
    others = tuple(found.reading if s is pair.batch else s for s in seen.strips)
    seen = replace(seen, strips=others)
    return replace(pair, seen=seen, batch=found.reading, flags=(*pair.flags, *flags))


def _by_spectra(pair: Pair, comparison: Comparison, bench: _Bench) -> tuple[UnderLamp, ...]:
    """How the two look under each lamp, where both were measured as spectra."""
    one, two = pair.original.spectrum, pair.batch.spectrum
    if one is None or two is None or comparison.verdict is None or pair.guessed_dry:
        return ()
    noise = stream("spectra under lamps").standard_normal((LAMP_DRAWS, 3))
    left = -comparison.d_lab - np.vstack([np.zeros(3), noise @ root_of(comparison.d_lab_cov).T])
    spectra = (np.tile(spectrum, (len(left), 1)) for spectrum in (one, two))
    return under_lamps(*spectra, np.ones(LAMP_DRAWS), left, bench.lamps)


def _alone(photo: Source, options: Options, progress: Progress) -> Judgement | None:
    """The first of two photos, read before it is clear what they show; None where it cannot be."""
    try:
        alone = replace(options, card_corners=options.card_corners[:1])
        return put_down(read_strips(photo, alone, progress), photo)
    except (PhotoUnfit, BadFile):
        return None


def _several(
    photos: Sequence[Source], first_seen: Judgement | None, options: Options,
    which: WhichStrips, progress: Progress,
) -> Pair:  # fmt: skip
    """The pair as several photos show it together."""
    read = read_several(
        photos,
        options,
        progress,
        lambda seen: dried(_at_wedge(pair_of(seen, None, options, which), options), options),
        first_seen,
    )
    first = read.pairs[0]
    original, batch = joined([(p.original, p.batch) for p in read.pairs])
    return replace(
        first,
        original=original,
        batch=batch,
        nominal=any(p.nominal for p in read.pairs),
        shaded=any(p.shaded for p in read.pairs),
        flags=(*first.flags, *read.flags),
        again=tuple((p.original, p.batch) for p in read.pairs),
        photos=read.photos,
    )


@dataclass(frozen=True)
class _Bench:
    """What lies ready before the photo is read: ``used`` the shelf in use, ``shelf`` its inks that
    may be advised, the mixes as noted, or the ``inks`` that were named, and the ``lamps`` asked for
    (name -> weights)."""

    used: ShelfInUse
    shelf: Shelf
    mix: dict[str, float] | None
    original_mix: dict[str, float] | None
    inks: tuple[str, ...]
    lamps: dict[str, np.ndarray]


def _bench(options: Options) -> _Bench:
    used = shelf_in_use(options.shelf)
    shelf = used.shelf
    mix, original_mix = (
        shelf.named_mix(noted) if noted else None for noted in (options.mix, options.original_mix)
    )
    inks = tuple(shelf.find(ink).name for ink in options.inks)
    followed = options.followed
    if followed is not None:
        mix = followed.story.mix
    if used.origin == "starter":
        named = {
            *(mix or {}),
            *(original_mix or {}),
            *inks,
            *(followed.story.inks if followed else ()),
        }
        named |= set(followed.added if followed else ())
        # Nobody is sent for a toxic pigment that they did not name.
        keep = tuple(ink for ink in shelf if not ink.caution or ink.name in named)
        shelf = Shelf(keep, shelf.title)
    lamps = {}
    if options.lamps:  # only then: it loads a large library
        from calibration.colour.spectral_files import lamp

        lamps = dict(lamp(said) for said in options.lamps)
    return _Bench(used, shelf, mix, original_mix, inks, lamps)


def _bars(pair: Pair, options: Options) -> OverBars | None:
    """Both strips over a black bar, where one photo shows them so and both are dry."""
    if pair.earlier is not None or pair.from_book or options.wet or options.wedge:
        return None
    crossings = []
    for strip in (pair.original, pair.batch):
        there = over_bar_of(pair.seen, strip)
        if there is None or not there.shows_black:
            return None
        crossings.append(there)
    own = pair.again[0] if pair.again else (pair.original, pair.batch)
    bars = over_bars(own, (crossings[0], crossings[1]))
    # Of several photos the first shows the bar; beside it the film is as all of them say.
    moved = [c.lab_d50 - o.lab_d50 for c, o in zip((pair.original, pair.batch), own, strict=True)]
    return replace(bars, on_paper=bars.on_paper + moved)


def _compare(pair: Pair, options: Options, bench: _Bench, bars: OverBars | None) -> Comparison:
    paper = pair.seen.paper_lab_d50
    noted = bench.original_mix or bench.mix
    mix = None if noted is None else bench.used.shelf.mix(noted)
    pulls = None
    if paper is not None and not options.wedge:  # there the films are as alike as they can be
        pulls = Pulls(paper, mix, options.pulled_alike, bars)
    return compare(
        pair.original,
        pair.batch,
        tolerance=options.tolerance,
        other_inks=options.other_inks,
        nominal_card=pair.nominal,
        shaded_card=pair.shaded,
        across_photos=pair.earlier is not None or pair.from_book,
        hard=any(f.hard for f in (*pair.seen.flags, *pair.where.flags, *pair.flags)),
        wet_with_dry=pair.guessed_dry,
        pulls=pulls,
        again=pair.again,
    )


def _advise(
    pair: Pair, comparison: Comparison, options: Options, bench: _Bench
) -> tuple[Advice | None, Step | None]:
    """What to add, and both strips as the advice took them; None where no verdict was given or
    one strip is still wet. Where a thinner film alone explains it, no ink is advised."""
    if comparison.verdict is None or pair.guessed_dry:
        return None, None
    followed = options.followed
    read_as = reading_of(pair.original, pair.batch, comparison.d_lab_cov)
    step = Step(read_as, followed.added if followed else {})
    alike = replace(step, film_ratio=1.0, film_log_sd=ALIKE_SD)
    # Pulled alike, both films are known; the comparison's own ratio rests on these very colours
    # and must not count twice.
    step = alike if options.pulled_alike else step
    if options.wedge:  # it was read where the colours are nearest, in a film that nobody knows
        step = replace(step, film_ratio=1.0, film_log_sd=WEDGE_SD)
    if comparison.film_alone:
        return None, step
    # Where film may explain it, what to add is for the case that the difference stays when both
    # are pulled alike.
    now = alike if comparison.film_first else step
    places = {name: i for i, name in enumerate(bench.used.shelf.names)}
    advice = advise(
        (*(followed.story.steps if followed else ()), now),
        bench.shelf,
        bench.mix,
        original_mix=bench.original_mix,
        inks=bench.inks,
        tolerance=options.tolerance,
        paper_lab=pair.seen.paper_lab_d50,
        weighing=Weighing(
            followed.grams if followed else options.batch_grams, options.scale_step_g
        ),
        verdict=comparison.verdict,
        knowledge=gather(bench.shelf, places, options.knowledge),
        film_effect=comparison.film.effect_de00 if comparison.film else None,
        lamps=bench.lamps,
    )
    return advice, step
