"""The chain from one photo to one answer; no step reaches back.

Light to import: the photo is opened in a thread while the rooms that follow are loaded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from calibration import flags as fl
from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.pipeline.background import Ahead
from drawdown.pipeline.light_checks import light_flags, refuse_bad_exposure
from drawdown.pipeline.roles import refuse_assumed

if TYPE_CHECKING:
    import numpy as np

    from calibration.card.definition import CardDefinition
    from calibration.correction.correct import Correction
    from calibration.locate.find_card import CardView
    from calibration.locate.sheet import Sheet
    from calibration.photo.open import Photo
    from drawdown.matching.advise import Advice
    from drawdown.matching.batch_history import Step
    from drawdown.matching.compare import Comparison
    from drawdown.matching.kept_original import Kept
    from drawdown.reading.strip import StripColour
    from drawdown.studio.batch_memory import Memory, Opened

Progress = Callable[[str, float], None]
DEFAULT_TOLERANCE = 2.0


@dataclass(frozen=True)
class Options:
    """What the user asked for."""

    original: int = 1
    batch: int = 2
    card_path: Path | None = None
    shelf_path: Path | None = None
    mix: dict[str, float] | None = None
    batch_grams: float | None = None
    scale_step: float = 0.1
    slab: str | None = None  # the batch that goes on, or begins
    added: dict[str, float] = field(default_factory=dict)  # to it since its last photo
    tolerance: float = DEFAULT_TOLERANCE
    other_inks: bool = False
    pulled_alike: bool = False
    wet: frozenset[str] = frozenset()  # "original", "batch": strips that are still wet
    strips_by_hand: tuple[str, ...] = field(default=())
    crossing: bool = False  # one of them is laid across the other
    original_photo: Path | None = None
    # The card's corners in photo px, by hand: in the photo, and in the original's photo.
    card_corners: tuple[tuple[tuple[float, float], ...], ...] = field(default=())
    # The role whose number nobody gave: it is the other one of two strips, if there are two.
    assumed: str | None = None
    # A kept original out of the book.
    kept: Kept | None = None


@dataclass(frozen=True)
class Judgement:
    """Everything known at the end of the chain. ``comparison`` is None when only strips
    were read; ``advice`` is None when none was asked for or none can be given; ``earlier``
    is the reading of the photo that shows the kept original, when that is another one;
    ``kept`` the original out of the book, if one was named (``apart``: its reading in the
    book was compared, else a strip of the photo)."""

    photo: Photo
    view: CardView
    sheet: Sheet
    correction: Correction
    strips: tuple[StripColour, ...]
    comparison: Comparison | None
    advice: Advice | None
    flags: tuple[fl.Flag, ...]
    earlier: Judgement | None = None
    kept: Kept | None = None
    opened: Opened | None = None  # the batch of ``--slab`` as this photo found it
    step: Step | None = None  # both strips as the advice took them

    @property
    def all_flags(self) -> tuple[fl.Flag, ...]:
        """Every flag about photo, card and strips, hard ones first."""
        found = [*self.flags, *(f for s in self.strips for f in s.flags)]
        if self.comparison is not None:
            found += self.comparison.flags
        return tuple(sorted(dict.fromkeys(found), key=lambda f: not f.hard))


def _open(photo_path: Path) -> Photo:
    from calibration.photo.open import open_photo

    return open_photo(photo_path)


def _load_ciede2000() -> None:
    from skimage.color import delta_e  # noqa: F401


def read_strips(photo_path: Path, options: Options, progress: Progress) -> Judgement:
    """Open, locate, correct, find and measure every strip; no comparison."""
    progress("opening the photo", 0.05)
    # A bad definition is told before anything else starts.
    card = _read_card(options.card_path)
    with Ahead(_load_ciede2000) as loading:
        with Ahead(lambda: _open(photo_path)) as opening:
            from calibration.card.definition import builtin_cards
            from drawdown.strips import find as strips  # noqa: F401  (loaded while the photo opens)

            cards = builtin_cards() if card is None else (card,)
            photo = opening.result()
        return _read(photo, cards, options, progress, loading)


def _read_card(path: Path | None) -> CardDefinition | None:
    if path is None:
        return None
    from calibration.card.definition import read_card

    return read_card(path)


def _read(
    photo: Photo,
    cards: tuple[CardDefinition, ...],
    options: Options,
    progress: Progress,
    loading: Ahead[None],
) -> Judgement:
    """The chain from the opened photo on."""
    import numpy as np

    from calibration.correction.correct import correct
    from calibration.correction.lamp_field import fit_field, flatten, sample_light
    from calibration.correction.patches import read_patches
    from calibration.locate.find_card import locate
    from calibration.locate.sheet import rectify
    from drawdown.reading.strip import measure
    from drawdown.strips.find import find_strips, strips_by_hand

    progress("looking for the card", 0.25)
    if options.card_corners:
        from calibration.locate.by_hand import locate_by_hand

        view = locate_by_hand(photo, cards, options.card_corners[0])
    else:
        view = locate(photo, cards)
    progress("looking at the light", 0.4)
    sheet = rectify(photo, view)
    readings = read_patches(sheet, view.card, view.place_error_mm)
    refuse_bad_exposure(readings, view)
    samples = sample_light(sheet, view.card, readings)
    progress("looking for the strips", 0.5)
    flat = flatten(sheet, fit_field(samples, samples.rgb))
    if options.strips_by_hand:
        found = strips_by_hand(flat, view, list(options.strips_by_hand), crossing=options.crossing)
    else:
        found = find_strips(flat, view)
    progress("correcting the colours", 0.7)
    loading.result()
    correction = correct(readings, samples, view.card, photo.profile.to_xyz_d50)
    progress("measuring the strips", 0.85)
    ink = np.any([s.mask for s in found], axis=0)
    strips = tuple(measure(s, sheet, correction, view.card, ink, photo.jpeg_quality) for s in found)
    flags = (
        *photo.flags,
        *view.flags,
        *correction.flags,
        *light_flags(correction, strips, samples),
    )
    return Judgement(photo, view, sheet, correction, strips, None, None, flags)


def judge(photo_path: Path, options: Options, progress: Progress) -> Judgement:
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
    seen: Judgement, earlier: Judgement | None, original: StripColour, batch: StripColour
) -> tuple[Judgement, Judgement | None]:
    """The readings with wet or dry noted on the two strips that are compared."""

    def noted(reading: Judgement, *strips: StripColour) -> Judgement:
        new = {id(s.strip): s for s in strips}
        return replace(reading, strips=tuple(new.get(id(s.strip), s) for s in reading.strips))

    seen = noted(seen, original, batch)
    return seen, None if earlier is None else noted(earlier, original)


def _common_sd(original: StripColour, batch: StripColour) -> np.ndarray:
    """(3,) standard uncertainty of either colour that both strips share."""
    return (original.lab_u95 + batch.lab_u95) / (2 * 1.96)


def _pick(seen: Judgement, number: int, role: str, *, other: bool) -> StripColour:
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
