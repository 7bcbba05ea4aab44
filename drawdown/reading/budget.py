"""What JPEG leaves open in the mean colour of an even area, from its quality.

An even area has the same rounding in every block, so it does not average out. The mean of a
block is kept in steps of DC / 8 levels (ISO/IEC 10918-1, A.3: the transform's first
coefficient is eight times the mean), and decoders round Y, Cb and Cr to whole levels.

Uncertainty of what is worked out from a reading: Munsell value, evenness, dL, dC, dH.

All are half widths of 95 % intervals, as ``lab_u95`` is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.spaces import munsell_value
from calibration.uncertainty.intervals import K95

# DC steps of the example tables K.1 and K.2 of ISO/IEC 10918-1, at quality 50.
DC_LUMA, DC_CHROMA = 16, 17
# Delta E 2000 per axis for one level of error in each of Y, Cb, Cr, on colours of all kinds
# (experiment with an independent encoder: tests/test_jpegnoise.py).
DE_PER_LEVEL = 0.45


def jpeg_sd_de(quality: int | None) -> float:
    """Standard uncertainty, Delta E 2000 per axis, of an even area's colour in a JPEG of this
    quality (1..100, scaled as the free reference encoder does); 0 for None, no JPEG. Two
    areas are independent: their difference has the square root of two of it."""
    if quality is None:
        return 0.0
    q = min(max(int(quality), 1), 100)
    scale = 5000 / q if q < 50 else 200 - 2 * q
    steps = np.maximum(1.0, np.floor(np.array([DC_LUMA, DC_CHROMA]) * scale / 100 + 0.5))
    variance = (1 + (steps / 8) ** 2) / 12
    return DE_PER_LEVEL * float(np.sqrt(variance.mean()))


# What card and camera leave open for a colour itself, alike for all strips of a photo:
# standard uncertainty of L* and how it grows with chroma; of a* and b*, how that grows with
# chroma, and beyond VIVID_CHROMA (dyes of a print are not pigments, and the map must reach
# beyond them). From rendered scenes, see DEVELOPERS.md, "Uncertainty"; differences between two
# strips do not carry it.
CARD_SD = {"nominal": (4.5, 0.0, 1.8, 0.09, 0.0), "measured": (1.0, 0.013, 1.0, 0.07, 0.09)}
VIVID_CHROMA = 45.0  # few cards hold colours as strong as that


def card_sd(lab_d50: np.ndarray, *, nominal: bool) -> np.ndarray:
    """(..., 3) standard uncertainty of L*, a*, b* that card and camera leave in colours
    (..., 3), for a card as drawn (``nominal``) or measured."""
    sd_l, share_l, sd_ab, share, vivid = CARD_SD["nominal" if nominal else "measured"]
    chroma = np.hypot(lab_d50[..., 1], lab_d50[..., 2])
    ab = sd_ab + share * chroma + vivid * np.maximum(chroma - VIVID_CHROMA, 0.0)
    return np.stack([sd_l + share_l * chroma, ab, ab], axis=-1)


CELLS_AS_ONE = 3.0  # cells next to each other share streaks and film
PIXELS_AS_ONE = 10.0  # grain and noise have a reach of some pixels
# A film over paper need not run straight under the bar: this share of its change is open; and
# where it is even on one side alone, this share of what it does on the other.
CROOKED, ON_NEAR_HALF = 0.15, 0.05
# Light that lens and room add to everything dark, in Y, and the share that is each area's own.
STRAY_Y = {"nominal": 0.004, "measured": 0.0013, "shaded": 0.003}
STRAY_OWN = 0.3
# What the map from camera to XYZ leaves open, relative in Y: alike over paper and over the
# bar, and between the two the more the farther apart they are (a camera is no eye, a print is
# not as drawn, and a card in shade tells little of the light beside it).
CARD_Y = {"nominal": 0.15, "measured": 0.04, "shaded": 0.12}
MAP_Y = {"nominal": 0.20, "measured": 0.045, "shaded": 0.25}
# Share of the light's uncertainty at a strip that also changes its colour, not only its level.
LIGHT_CHROMA = 0.3
NEAR_LIGHT = 0.004  # what one place's light leaves open of its neighbour's, relative
LEVEL_LINEAR = 1 / 255 / 12.92  # one 8-bit level near black
DARK_LEVELS = 8.0  # a channel below so many of them is known to a level only,
LEVEL_SD = 0.3  # and to this share of one where not all of it is crushed


@dataclass(frozen=True)
class DifferenceU95:
    """Half widths of the 95 % intervals of dL*, dC*ab and dH*ab."""

    dL: float
    dC: float
    dH: float


def munsell_u95(lightness: float, lightness_u95: float) -> float:
    """Of the Munsell value of a colour of CIE L*, from that of L*: half of what the value spans
    over the interval (ASTM D1535's value is a function of Y alone, and so of L*)."""
    ends = [_value(max(0.0, lightness + side * lightness_u95)) for side in (-1, 1)]
    return (ends[1] - ends[0]) / 2


def _value(lightness: float) -> float:
    f = (lightness + 16) / 116
    y = f**3 if f > 6 / 29 else (116 * f - 16) * 27 / 24389
    return munsell_value(min(y, 1.2))


def evenness_u95(evenness_de00: float, cells: int) -> float:
    """Of a root mean square over so many cells: that of n independent normal values is known to
    1 / sqrt(2 n) of itself (GUM, JCGM 100:2008, E.4.3, for large n)."""
    return K95 * evenness_de00 / float(np.sqrt(2 * max(1.0, cells / CELLS_AS_ONE)))


def difference_u95(
    lab_original: np.ndarray, lab_batch: np.ndarray, d_lab_cov: np.ndarray | None
) -> DifferenceU95 | None:
    """Of batch less original, from the covariance (3, 3) of the Lab difference: along L*, along
    the chroma and across it, at the mean of the two colours. Beside a grey, which has no hue,
    the widest direction stands for both. None where no covariance is known."""
    if d_lab_cov is None:
        return None
    middle = (np.asarray(lab_original) + np.asarray(lab_batch))[1:] / 2
    ab = np.asarray(d_lab_cov)[1:, 1:]
    size = float(np.hypot(*middle))
    step = float(np.hypot(*(np.asarray(lab_batch) - np.asarray(lab_original))[1:]))
    if size < max(1.0, step):
        widest = K95 * float(np.sqrt(max(np.linalg.eigvalsh(ab)[-1], 0.0)))
        along = across = widest
    else:
        unit = middle / size
        normal = np.array([-unit[1], unit[0]])
        along, across = (K95 * float(np.sqrt(max(v @ ab @ v, 0.0))) for v in (unit, normal))
    return DifferenceU95(K95 * float(np.sqrt(max(d_lab_cov[0][0], 0.0))), along, across)
