"""A wedge: a strip that runs from thick to thin on purpose, read where it comes nearest another
colour, so that the films play no part in what is left between the two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.difference import delta_e_2000
from calibration.correction.correct import Correction
from calibration.errors import PhotoUnfit
from calibration.locate.sheet import Sheet
from drawdown import flags as fl
from drawdown.reading.area import window_of
from drawdown.reading.colour import Colour, StripReading
from drawdown.reading.over_bar import may_cross
from drawdown.reading.strip import measure, slices_along
from drawdown.strips.bars import bars_across
from drawdown.strips.strip import Strip

# How much of a wedge is read at the place, along the pull; kept clear of a bar; and of slices
# beside each other, how many are looked at together. Our own judgement.
BAND_MM, BAR_CLEAR_MM, TOGETHER = 5.0, 1.5, 3
LEAST_RUN_DE = 2.0  # Delta E from one end to the other: less is no wedge
RIM_MM = 1.5
# What an even strip is flagged for, and a wedge is made for.
OF_EVEN_STRIPS = (fl.STRIP_EMPTY, fl.STRIP_SMALL, fl.STRIP_MIXED, fl.STRIP_UNEVEN)


@dataclass(frozen=True, eq=False)
class WedgeReading:
    """``reading`` of the band that comes nearest, ``from_thick_mm`` how far its middle lies from
    the thick end, ``end`` "thick" or "thin" where the nearest place is that end of the wedge: the
    film that equals the other may lie beyond it."""

    reading: StripReading
    from_thick_mm: float
    end: str | None


def read_wedge(
    wedge: StripReading,
    original: Colour,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    strips: Sequence[Strip],
    jpeg_quality: int | None = None,
) -> WedgeReading:
    """The wedge where it comes nearest the original. Raises ``PhotoUnfit`` where the strip is much
    the same all along."""
    strip, ink = wedge.strip, np.any([s.mask for s in strips], axis=0)
    along, labs = slices_along(strip, sheet, correction)
    keep = _off_bars(strip, along, sheet, correction, card, ink)
    along, labs = along[keep], labs[keep]
    if len(along) < 2 * TOGETHER or delta_e_2000(labs[0], labs[-1]) < LEAST_RUN_DE:
        raise PhotoUnfit(
            f"strip {strip.number} was said to be a wedge, and its colour hardly runs",
            "the place that equals the original is looked for between its thick and its thin end",
            "press harder and harder as you pull, from thick to nearly bare, or leave `wedge` out",
        )
    smooth = np.array([np.convolve(c, np.ones(TOGETHER) / TOGETHER, "valid") for c in labs.T]).T
    middle = np.convolve(along, np.ones(TOGETHER) / TOGETHER, "valid")
    off = delta_e_2000(original.lab_d50, smooth)
    nearest = int(np.argmin(off))
    end = "thick" if nearest == 0 else "thin" if nearest == len(off) - 1 else None
    place = float(middle[nearest])
    band = replace(strip, body=_band(strip, sheet, place))
    reading = measure(band, sheet, correction, card, ink, jpeg_quality)
    flags = tuple(f for f in reading.flags if f.kind not in OF_EVEN_STRIPS)
    reading = replace(reading, strip=strip, flags=flags)
    return WedgeReading(reading, place + strip.length_mm / 2, end)


def _off_bars(
    strip: Strip,
    along: np.ndarray,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    ink: np.ndarray,
) -> np.ndarray:
    """(k,) bool: slices that lie on no printed bar."""
    keep = np.ones(len(along), bool)
    if not may_cross(strip, sheet):
        return keep
    w = window_of(strip, sheet, correction, card, ink)
    size = w.half_length, w.half_width
    for span in bars_across(w.u[w.bare], w.v[w.bare], w.xyz[w.bare, 1], *size):
        keep &= (along < span.start[0] - BAR_CLEAR_MM) | (along > span.end[0] + BAR_CLEAR_MM)
    return keep


def _band(strip: Strip, sheet: Sheet, place_mm: float) -> np.ndarray:
    """(h, w) bool: the strip's ink within ``BAND_MM`` about a place along the pull, without the
    rim."""
    size = 2 * max(1, round(RIM_MM * sheet.px_per_mm)) + 1
    inner = cv2.erode(strip.mask.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    rows, columns = np.nonzero(inner)
    xy = sheet.to_mm(np.stack([columns, rows], axis=-1)) - strip.corners_mm.mean(axis=0)
    near = np.abs(xy @ np.asarray(strip.axis, dtype=float) - place_mm) < BAND_MM / 2
    out = np.zeros(inner.shape, bool)
    out[rows[near], columns[near]] = sheet.clipped[rows[near], columns[near]] < 0.05
    return out
