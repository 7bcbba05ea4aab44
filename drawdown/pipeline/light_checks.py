"""Whether a photo's light will do: whites burnt out, all too dark, uneven, a card in shade.

Light to import.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.errors import PhotoUnfit
from calibration.flags import OVEREXPOSED, UNDEREXPOSED
from drawdown import flags as fl

if TYPE_CHECKING:
    from calibration.correction.correct import Correction
    from calibration.correction.lamp_field import LightSamples
    from calibration.correction.patches import PatchReadings
    from calibration.locate.find_card import CardView
    from drawdown.reading.colour import StripReading

UNEVEN_LIGHT_SHARE = 0.35
DARK_PAPER_SHARE = 0.55


def refuse_bad_exposure(readings: PatchReadings, view: CardView) -> None:
    """Stop early when the card's whites are burnt out or everything is black; raises
    ``PhotoUnfit``."""
    white = view.card.with_role("white")
    if not white.any():
        return
    clipped = readings.clipped[white]
    if (clipped > 0.5).mean() > 0.5:
        kind = OVEREXPOSED(f"{int((clipped > 0.5).sum())} of {len(clipped)} white fields")
        raise PhotoUnfit(kind.seen, kind.kind.why, kind.kind.todo)
    import numpy as np

    level = float(np.nanmedian(readings.rgb[white]))
    if level < 0.02:
        kind = UNDEREXPOSED(f"white paper reaches {100 * level:.1f} % of the range")
        raise PhotoUnfit(kind.seen, kind.kind.why, kind.kind.todo)


def light_flags(
    correction: Correction, strips: tuple[StripReading, ...], samples: LightSamples
) -> tuple[fl.Flag, ...]:
    """Light that falls off over the strips, and paper much darker than the card's white."""
    import numpy as np

    if not strips:
        return ()
    found = []
    places = np.array([s.strip.corners_mm.mean(axis=0) for s in strips])
    gain = correction.field.log_gain(places).mean(axis=1)
    span = float(np.exp(max(gain.max(), 0.0) - min(gain.min(), 0.0)) - 1)
    if span > UNEVEN_LIGHT_SHARE:
        found.append(fl.UNEVEN_LIGHT(f"{100 * span:.0f}"))
    white = samples.surface == 0
    level = np.log(correction.light(samples.rgb[white], samples.xy_mm[white])).mean()
    rims = [s.rim.even_log.mean() - level for s in strips if s.rim is not None]
    if rims and np.exp(np.median(rims)) < DARK_PAPER_SHARE:
        found.append(fl.PAPER_DARK(f"{100 * np.exp(np.median(rims)):.0f}"))
    return tuple(found)
