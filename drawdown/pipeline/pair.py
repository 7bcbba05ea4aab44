"""The two strips that are compared: as they were asked for, or as they lie."""

from __future__ import annotations

from dataclasses import dataclass, replace

from calibration.errors import PhotoUnfit, WrongUsage
from calibration.flags import LOW_RESOLUTION
from drawdown import flags as fl
from drawdown.matching.drying import settle
from drawdown.matching.kept_original import Kept, kept_differs
from drawdown.pipeline.options import RIGHTMOST, Options, WhichStrips, refuse_assumed
from drawdown.pipeline.read import Judgement, PhotoUsed, numbered
from drawdown.reading.colour import Colour, StripReading
from drawdown.reading.instrument import InstrumentReading
from drawdown.reading.which_two import which_two
from drawdown.studio.drying_file import learned


@dataclass(frozen=True, eq=False)
class Pair:
    """The two strips that are compared, the readings they come from, and what was found on the
    way (``flags``). ``guessed_dry``: one was wet, and nothing is known of how it dries. ``again``
    are the two as each of several ``photos`` shows them."""

    seen: Judgement
    earlier: Judgement | None
    original: Colour
    batch: StripReading | InstrumentReading
    kept: Kept | None
    nominal: bool
    shaded: bool
    flags: tuple[fl.Flag, ...] = ()
    guessed_dry: bool = False
    again: tuple[tuple[Colour, Colour], ...] = ()
    photos: tuple[PhotoUsed, ...] = ()

    @property
    def from_book(self) -> bool:
        """Whether the book's reading of the original is compared, not a strip of a photo."""
        return self.kept is not None and bool(self.kept.apart)

    @property
    def where(self) -> Judgement:
        """The photo that shows the original, if one does."""
        return self.seen if self.earlier is None else self.earlier


def pair_of(
    seen: Judgement, earlier: Judgement | None, options: Options, which: WhichStrips
) -> Pair:
    where = seen if earlier is None else earlier
    kept = options.kept
    if kept is not None:
        kept = kept.settled(len(seen.strips), elsewhere=earlier is not None)
    nominal, shaded = seen.nominal or where.nominal, seen.shaded or where.shaded
    if kept is not None and kept.apart:
        batch = _pick(seen, kept.batch or 1, "batch", other=True)
        nominal, shaded = nominal or kept.nominal, shaded or kept.shaded
        return Pair(seen, earlier, kept.colour, batch, kept, nominal, shaded)
    refuse_assumed(which.assumed, len(seen.strips))
    flags: list[fl.Flag] = []
    if earlier is None and not (options.original or options.batch or options.strips):
        which, flags = _chosen(seen, which)
    original = _pick(where, which.original, "original", other=earlier is not None)
    batch = _pick(seen, which.batch, "batch", other=earlier is not None)
    if kept is not None:
        flags += kept_differs(kept, original, nominal=nominal, shaded=shaded)
    return Pair(seen, earlier, original, batch, kept, nominal, shaded, tuple(flags))


def _chosen(seen: Judgement, which: WhichStrips) -> tuple[WhichStrips, list[fl.Flag]]:
    """The two strips that are the pair, where nobody said which; raises ``PhotoUnfit`` when it is
    not clear."""
    if len(seen.strips) < 2:
        return which, []
    if seen.table is not None:
        return _named(seen), []
    two = which_two(seen.strips, seen.view.card.size_mm)
    if two is None:
        sizes = ", ".join(
            f"{s.number} ({s.strip.width_mm:.0f} x {s.strip.length_mm:.0f} mm)" for s in seen.strips
        )
        count = len(seen.strips)
        raise PhotoUnfit(
            f"{count} strips were found, and it is not clear which two are the pair: {sizes}",
            "another job's swatch, taken for the batch or the original, would give an advice that "
            "spoils the ink",
            "name the two with `strips`, the original first (strips are numbered from left to "
            "right with the card upright), or clear the sheet",
        )
    flags = []
    if two.left:
        told = {"count": len(seen.strips), "original": two.original, "batch": two.batch}
        flags = [fl.PAIR_CHOSEN(fl.CHOSEN_OF, **told)]
    return WhichStrips(two.original, two.batch), flags


def _named(seen: Judgement) -> WhichStrips:
    """The two strips of a table that are the pair: those called so, or the only two."""
    called = {s.name.casefold(): s.number for s in seen.strips}
    if {"original", "batch"} <= set(called):
        return WhichStrips(called["original"], called["batch"])
    if len(seen.strips) == 2:
        return WhichStrips(1, 2)
    names = ", ".join(f'{s.number} "{s.name}"' for s in seen.strips)
    raise WrongUsage(
        f"{seen.path} holds {len(seen.strips)} strips: {names}",
        "it is not clear which two are the pair",
        "call two rows original and batch, or name them with `strips`, the original first",
    )


def dried(pair: Pair, options: Options) -> Pair:
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


def _with_states(
    seen: Judgement, earlier: Judgement | None, original: Colour, batch: Colour
) -> tuple[Judgement, Judgement | None]:
    """The readings with wet or dry noted on the two strips that are compared."""

    def noted(reading: Judgement, *colours: Colour) -> Judgement:
        new = {_place(c): c for c in colours if hasattr(c, "number")}
        return replace(reading, strips=tuple(new.get(_place(s), s) for s in reading.strips))

    seen = noted(seen, original, batch)
    return seen, None if earlier is None else noted(earlier, original)


def _place(colour: Colour) -> object:
    """Where a colour was read: its strip in a photo, its name in a table."""
    return id(colour.strip) if isinstance(colour, StripReading) else getattr(colour, "name", None)


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


def _too_coarse(seen: Judgement, found: str) -> PhotoUnfit | None:
    """The refusal where the photo is so small that a strip may not have been seen."""
    for flag in seen.all_flags:
        if flag.kind is LOW_RESOLUTION:
            return flag.unfit(f"{found}, and ")
    return None


def _pick(
    seen: Judgement, number: int, role: str, *, other: bool
) -> StripReading | InstrumentReading:
    """The strip of that number; ``other`` says that original and batch are in two photos."""
    by_number = {s.number: s for s in seen.strips}
    count = len(by_number)
    if number == RIGHTMOST:
        number = count
    if number in by_number:
        return by_number[number]
    strips = "one strip was" if count == 1 else f"{count} strips were"
    where = f" in {seen.path}" if other or seen.table else ""
    what = f"strip {number} was asked for as the {role}, but {strips} found{where}"
    if number <= 2 and count < 2 and not other and seen.table is None:
        one = f"only {strips} found"
        unfit = _lost_to_glare(seen) or _too_coarse(seen, one) or PhotoUnfit(
            f"{one}, and a match needs two",
            "the kept original and the batch are compared in one photo",
            "show both side by side, bare paper between them, or give their places with `strips`",
        )  # fmt: skip
        unfit.found = seen
        raise unfit
    raise WrongUsage(
        what,
        numbered(seen),
        f"name one from 1 to {count} with `strips`" if count > 1 else "leave it out, or say 1",
    )
