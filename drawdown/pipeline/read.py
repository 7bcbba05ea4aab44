"""From a photo file to the colours of its strips; no step reaches back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from calibration.card.toml import builtin_cards, read_card
from calibration.colour.illuminants import UnderLamp
from calibration.colour.spaces import lab_to_xyz
from calibration.correction.correct import Correction, correct
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.lamp_field import fit_field, flatten, sample_light
from calibration.correction.patches import PatchReadings, read_patches
from calibration.errors import DrawdownError, PhotoUnfit, WrongUsage
from calibration.flags import NO_COLOURS, OVEREXPOSED, UNDEREXPOSED
from calibration.locate.by_hand import locate_by_hand
from calibration.locate.find_card import CardView, locate
from calibration.locate.sheet import Sheet, rectify
from calibration.photo.open import Photo, open_photo
from drawdown import flags as fl
from drawdown.matching.advise import Advice
from drawdown.matching.batch_history import Step
from drawdown.matching.compare import Comparison
from drawdown.matching.kept_original import Kept
from drawdown.pipeline.options import RIGHTMOST, Options, Progress
from drawdown.reading.colour import StripReading
from drawdown.reading.instrument import InstrumentReading, InstrumentTable, strips_of
from drawdown.reading.strip import measure
from drawdown.strips.find import find_strips, strips_by_hand
from drawdown.strips.strip import Strip

COLOURLESS = 0.1  # spread of the patches' tints in the photo, share of that of their values
UNKNOWN_LIGHT_SD = 0.25  # log light on a strip against that on the card; more is no reading
UNEVEN_LIGHT_SHARE = 0.35
LARGE_BYTES = 100_000_000  # pixels that are not held while another photo is opened
DARK_PAPER_SHARE = 0.55


@dataclass(frozen=True)
class PhotoUsed:
    """One of several photos of a pair: its name, the numbers that original and batch have in it,
    and why it was left out; empty when it was used."""

    path: str
    original: int | None = None
    batch: int | None = None
    left_out: str = ""


@dataclass(frozen=True)
class Unread:
    """One of several photos that could not be opened or prepared, by what it is called, and why."""

    path: str
    problem: DrawdownError


@dataclass(frozen=True)
class Judgement:
    """Everything known at the end of the chain. The strips come from a photo, or from an
    instrument's ``table``: then there is no ``photo``, ``view``, ``sheet`` or ``correction``.
    ``comparison`` is None when only strips
    were read; ``advice`` is None when none was asked for or none can be given; ``earlier``
    is the reading of the photo that shows the kept original, when that is another one;
    ``kept`` the original out of the book, if one was named (``apart``: its reading in the
    book was compared, else a strip of the photo)."""

    photo: Photo | None
    view: CardView | None
    sheet: Sheet | None
    correction: Correction | None
    strips: tuple[StripReading | InstrumentReading, ...]
    comparison: Comparison | None
    advice: Advice | None
    flags: tuple[fl.Flag, ...]
    earlier: Judgement | None = None
    kept: Kept | None = None
    step: Step | None = None  # both strips as the advice took them
    photos: tuple[PhotoUsed, ...] = ()  # where one answer rests on several
    table: InstrumentTable | None = None
    lamps: tuple[UnderLamp, ...] = ()  # original against batch by their measured spectra

    @property
    def path(self) -> str:
        """Of the photo or the table."""
        return str(self.photo.path if self.table is None else self.table.path)

    @property
    def paper_lab_d50(self) -> np.ndarray | None:
        if self.table is None:
            return self.correction.paper_lab_d50
        return None if self.table.paper is None else self.table.paper.lab_d50

    @property
    def nominal(self) -> bool:
        """Whether the colours rest on a card that was never measured."""
        return self.table is None and self.correction.nominal

    @property
    def shaded(self) -> bool:
        return self.table is None and self.correction.shaded

    @property
    def all_flags(self) -> tuple[fl.Flag, ...]:
        """Every flag about photo, card and strips, hard ones first."""
        found = [*self.flags, *(f for s in self.strips for f in s.flags)]
        if self.comparison is not None:
            found += self.comparison.flags
        return tuple(sorted(dict.fromkeys(found), key=lambda f: not f.hard))


def strip_of(
    seen: Judgement, number: int, parameter: str = "strips"
) -> StripReading | InstrumentReading:
    """The strip of that number (``RIGHTMOST``: the last). Raises ``WrongUsage``."""
    by_number = {s.number: s for s in seen.strips}
    count = len(by_number)
    found = by_number.get(count if number == RIGHTMOST else number)
    if found is None:
        raise WrongUsage(
            f"strip {number} was asked for, but {count or 'no'} "
            f"strip{' was' if count == 1 else 's were'} found in {seen.path}",
            numbered(seen),
            f"give `{parameter}` as a number from 1 to {count}, left or right"
            if count
            else "place it by hand with `strips`",
        )
    return found


def numbered(seen: Judgement) -> str:
    """How strips come by their numbers."""
    if seen.table is not None:
        return "strips are numbered as the table lists them"
    return "strips are numbered from left to right with the card upright"


def strip_to_trust(seen: Judgement, number: int) -> StripReading:
    """The strip of that number; one that no verdict could rest on is refused. Raises
    ``WrongUsage`` and ``PhotoUnfit``."""
    found = strip_of(seen, number)
    hard = [f for f in (*seen.flags, *found.flags) if f.hard]
    if hard:
        raise PhotoUnfit(
            hard[0].seen,
            f"{hard[0].kind.why}; a colour that is kept must be one to trust",
            hard[0].kind.todo,
        )
    return found


def read_table(path: Path, instrument_off_de: float | None = None) -> Judgement:
    """The strips in an instrument's table of readings. Raises ``BadFile``."""
    from calibration.colour.samples import read_samples

    table = strips_of(read_samples(path), instrument_off_de)
    return Judgement(None, None, None, None, table.strips, None, None, table.flags, table=table)


@dataclass(frozen=True, eq=False)
class Prepared:
    """A photo whose card was found and whose light was told, before any strip is looked for. Its
    ``correction`` is worked out once, however often strips are read from it."""

    photo: Photo
    view: CardView
    sheet: Sheet
    patches: PatchReadings
    samples: LightSamples

    @property
    def path(self) -> str:
        return self.photo.path

    @cached_property
    def flat(self) -> Sheet:
        """The sheet in even light."""
        return flatten(self.sheet, fit_field(self.samples, self.samples.rgb))

    @cached_property
    def correction(self) -> Correction:
        to_xyz = self.photo.profile.to_xyz_d50
        return correct(self.patches, self.samples, self.view.card, to_xyz)

    @cached_property
    def found(self) -> tuple[Strip, ...]:
        """The strips as they are found. Raises ``PhotoUnfit``."""
        return find_strips(self.flat, self.view)

    @cached_property
    def readings(self) -> tuple[StripReading, ...]:
        """Those, measured."""
        return self.measured(self.found)

    def measured(self, strips: tuple[Strip, ...]) -> tuple[StripReading, ...]:
        ink = np.any([s.mask for s in strips], axis=0)
        card, quality = self.view.card, self.photo.jpeg_quality
        return tuple(measure(s, self.sheet, self.correction, card, ink, quality) for s in strips)


Source = Path | Photo | Prepared | Unread


def prepare(photo: Path | Photo, options: Options, progress: Progress) -> Prepared:
    """Open, find the card, look at the light. Raises ``PhotoUnfit``, ``BadFile``."""
    progress("opening the photo", 0.05)
    # A bad definition is reported before anything else starts.
    card = read_card(options.card) if isinstance(options.card, Path) else options.card
    cards = builtin_cards() if card is None else (card,)
    if not isinstance(photo, Photo):
        photo = open_photo(photo)
    progress("looking for the card", 0.25)
    if options.card_corners:
        view = locate_by_hand(photo, cards, options.card_corners[0])
    else:
        view = locate(photo, cards)
    progress("looking at the light", 0.4)
    sheet = rectify(photo, view)
    patches = read_patches(sheet, view.card, view.place_error_mm)
    _refuse_unfit_picture(patches, view)
    return Prepared(photo, view, sheet, patches, sample_light(sheet, view.card, patches))


def read_strips(photo: Source, options: Options, progress: Progress) -> Judgement:
    """Open, locate, correct, find and measure every strip; no comparison. Where the ``options``
    name a table of readings, its strips."""
    if options.readings is not None:
        return read_table(options.readings, options.instrument_off_de)
    if isinstance(photo, Unread):
        raise photo.problem
    if not isinstance(photo, Prepared):
        photo = prepare(photo, options, progress)
    view = photo.view
    progress("looking for the strips", 0.5)
    if options.strips:
        places = list(options.strips)
        found = strips_by_hand(photo.flat, view, places, crossing=options.crossing)
    else:
        found = photo.found
    progress("correcting the colours", 0.7)
    correction = photo.correction
    progress("measuring the strips", 0.85)
    strips = photo.measured(found) if options.strips else photo.readings
    flags = (
        *photo.photo.flags,
        *view.flags,
        *correction.flags,
        *_light_flags(correction, strips, photo.samples),
    )
    return Judgement(photo.photo, view, photo.sheet, correction, strips, None, None, flags)


def put_down(seen: Judgement, source: Source) -> Judgement:
    """The reading without the pixels of a very large photo, before another is opened: a picture
    of it reads the file again."""
    photo = seen.photo
    if not isinstance(source, Path) or photo.rgb_encoded.nbytes < LARGE_BYTES:
        return seen
    none = np.empty((photo.height_px, photo.width_px, 0), photo.rgb_encoded.dtype)
    return replace(seen, photo=replace(photo, rgb_encoded=none))


def _refuse_unfit_picture(readings: PatchReadings, view: CardView) -> None:
    """Stop early when the card's whites are burnt out, everything is black or nothing has a
    colour; raises ``PhotoUnfit``."""
    tint = np.log(np.maximum(readings.rgb[readings.usable], 1e-4))
    tint = tint - tint.mean(axis=1, keepdims=True)
    card = np.log(np.maximum(lab_to_xyz(view.card.expected_lab_d50[readings.usable]), 1e-4))
    card = card - card.mean(axis=1, keepdims=True)
    if tint.size and tint.std(axis=0).max() < COLOURLESS * card.std(axis=0).max():
        raise NO_COLOURS().unfit()
    white = view.card.with_role("white")
    if not white.any():
        return
    clipped = readings.clipped[white]
    if (clipped > 0.5).mean() > 0.5:
        raise OVEREXPOSED(f"{int((clipped > 0.5).sum())} of {len(clipped)} white fields").unfit()
    level = float(np.nanmedian(readings.rgb[white]))
    if level < 0.02:
        raise UNDEREXPOSED(f"white paper reaches {100 * level:.1f} % of the range").unfit()


def _light_flags(
    correction: Correction, strips: tuple[StripReading, ...], samples: LightSamples
) -> tuple[fl.Flag, ...]:
    """Light that falls off over the strips, and paper much darker than the card's white."""
    if not strips:
        return ()
    found = []
    places = np.array([s.strip.corners_mm.mean(axis=0) for s in strips])
    gain = correction.field.log_gain(places).mean(axis=1)
    unknown = correction.light_sd(places) > UNKNOWN_LIGHT_SD
    if unknown.any():
        numbers = [str(s.number) for s, u in zip(strips, unknown, strict=True) if u]
        found.append(fl.LIGHT_UNKNOWN(" and ".join(numbers)))
    span = float(np.exp(max(gain.max(), 0.0) - min(gain.min(), 0.0)) - 1)
    if span > UNEVEN_LIGHT_SHARE:
        found.append(fl.UNEVEN_LIGHT(f"{100 * span:.0f}"))
    white = samples.surface == 0
    level = np.log(correction.light(samples.rgb[white], samples.xy_mm[white])).mean()
    rims = [s.rim.even_log.mean() - level for s in strips if s.rim is not None]
    if rims and np.exp(np.median(rims)) < DARK_PAPER_SHARE:
        found.append(fl.PAPER_DARK(f"{100 * np.exp(np.median(rims)):.0f}"))
    return tuple(found)
