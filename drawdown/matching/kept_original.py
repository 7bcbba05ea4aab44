"""A kept original out of the book, as ``match`` compares with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from drawdown import flags as fl
from drawdown.flags import Flag
from drawdown.matching.compare import NO_MATCH, compare
from drawdown.reading.colour import Colour, StripReading


@dataclass(frozen=True, eq=False)
class Kept:
    """``colour`` as it was read when it was kept; ``nominal`` and ``shaded`` say how the card
    was then. ``apart`` True: the photo does not show it, so the book's reading is compared;
    False: one of the photo's strips is it; None: the photo shows it when it shows more than
    one strip. ``batch`` is the batch's number if it was given; ``state`` "wet" or "dry", as it
    was when it was kept."""

    name: str
    colour: Colour
    nominal: bool
    shaded: bool
    apart: bool | None = None
    batch: int | None = None
    state: str = "dry"

    def settled(self, count: int, *, elsewhere: bool) -> Kept:
        """With ``apart`` decided for a photo of ``count`` strips; ``elsewhere`` says that the
        original's strip is in another photo that was given."""
        if self.apart is not None and not elsewhere:
            return self
        return replace(self, apart=count == 1 and not elsewhere)


def kept_differs(kept: Kept, strip: StripReading, *, nominal: bool, shaded: bool) -> list[Flag]:
    """A remark when the strip that is taken for the kept original plainly reads otherwise
    than it did when it was kept."""
    apart = compare(
        kept.colour,
        strip,
        nominal_card=nominal or kept.nominal,
        shaded_card=shaded or kept.shaded,
        across_photos=True,
    )
    if apart.verdict != NO_MATCH:
        return []
    return [fl.KEPT_DIFFERS(fl.KEPT_READS, strip=strip.number, de00=apart.de00, name=kept.name)]
