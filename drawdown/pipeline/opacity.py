"""From a photo that was read to how each strip covers. Pure: records in, records out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown import flags as fl
from drawdown.pipeline.read import Judgement, strip_of
from drawdown.printing.opacity import Opacity, opacity
from drawdown.reading.colour import StripReading
from drawdown.reading.instrument import InstrumentReading
from drawdown.reading.over_bar import OverBar, may_cross, other_ink, read_over_bar

MISLEADS = 0.60  # a dark ink with a higher ratio seems to cover
CHANGING = 0.08  # relative change of Y over paper along the bar that is reported


@dataclass(frozen=True)
class StripOpacity:
    """One strip: where it crosses a bar (``pair``) and how it covers (``opacity``), both None
    when it crosses none. ``flags`` are those of the crossing alone."""

    strip: StripReading
    pair: OverBar | None
    opacity: Opacity | None
    flags: tuple[fl.Flag, ...]

    @property
    def number(self) -> int:
        return self.strip.number


def read_opacities(seen: Judgement, base: int | None = None) -> tuple[StripOpacity, ...]:
    """How every strip of a photo covers, in the strips' order; ``base`` is the number of a
    strip of transparent base alone, to compare the lightness over black with.

    Raises ``PhotoUnfit`` when no strip crosses a bar, ``WrongUsage`` for a ``base`` that
    crosses no bar."""
    pairs = {s.number: over_bar_of(seen, s) for s in seen.strips}
    below = None
    if base is not None:
        below = _base(pairs, strip_of(seen, base, "base_strip").number)
    if not any(pairs.values()) and seen.table is not None:
        raise WrongUsage(
            f"{seen.path} holds no strip over paper and over black, with both bare grounds",
            "how far an ink covers shows only where the same film lies over paper and over black",
            "name the rows for instance: paper, black, blue, blue over black",
        )
    if not any(pairs.values()):
        count = len(pairs)
        raise PhotoUnfit(
            f"{'the strip does not cross' if count == 1 else f'none of {count} strips crosses'} "
            "a black bar with film before and after it, whose bare ends show beside the strip",
            "how far an ink covers shows only where the same film lies over paper and over black",
            "pull the strip across a black bar at least 5 mm wide (the test sheet has one: "
            "`write_sheet`) and 10 mm beyond, and leave 4 mm of bare bar "
            "and paper beside it",
        )
    return tuple(_of(s, pairs[s.number], below) for s in seen.strips)


def over_bar_of(seen: Judgement, strip: StripReading) -> OverBar | None:
    """One strip's film over paper and over a bar, in a photo or a table that was read."""
    if isinstance(strip, InstrumentReading):
        return strip.over_bar
    if not may_cross(strip.strip, seen.sheet):
        return None
    return read_over_bar(
        strip.strip,
        seen.sheet,
        seen.correction,
        seen.view.card,
        other_ink(strip.strip, [s.strip for s in seen.strips]),
        seen.photo.jpeg_quality,
    )


def _base(pairs: dict[int, OverBar | None], base: int) -> np.ndarray:
    pair = pairs[base]
    if pair is None:
        raise WrongUsage(
            f"strip {base} (`base_strip`) does not cross the bar",
            "base alone must be seen over black to compare with",
            "pull the base across the bar too, or leave `base_strip` out",
        )
    return np.concatenate([pair.xyz_d50[None, 1], pair.xyz_samples[:, 1]])


def _of(strip: StripReading, pair: OverBar | None, base: np.ndarray | None) -> StripOpacity:
    if pair is None or not pair.shows_black:
        return StripOpacity(strip, None, None, ())
    found = opacity(pair.xyz_d50, pair.xyz_samples, base, seed=pair.number)
    flags = []
    if found.dark and found.ratio.value >= MISLEADS:
        flags.append(fl.HIDES_BY_DARKNESS(f"{found.lightness_added.value:+.0f}"))
    flags += pair.flags
    if abs(pair.film_change) > CHANGING:
        flags.append(fl.FILM_CHANGES_AT_BAR(f"{100 * pair.film_change:.0f}"))
    return StripOpacity(strip, pair, found, tuple(flags))
