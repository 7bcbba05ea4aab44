"""The error budget of a reading: every term with its value, its source, and what outside the
renderer supports it; and the uncertainty of what is worked out from a reading.

Half widths ("u95") are of 95 % intervals; "sd" are standard uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from calibration.colour.difference import lab_by_xyz, local_metric
from calibration.colour.spaces import WHITE_D50, lab_to_xyz, munsell_value, y_of_lightness
from calibration.uncertainty.intervals import K95

T = TypeVar("T")
RENDERED = "rendered scenes, development seeds"
CHARTS = "differences of patches of real photographs, 144 pairs: 94 to 97 % of the intervals hold"


@dataclass(frozen=True)
class Term:
    value: Any
    what: str
    source: str
    outside: str


_rows: list[Term] = []


def _term(value: T, what: str, source: str = RENDERED, outside: str = "") -> T:
    _rows.append(Term(value, what, source, outside))
    return value


_before = set(globals())
# fmt: off

# The card and the camera, alike for all strips of a photo; differences do not carry it
CARD_SD = _term(
    {"nominal": (3.0, 0.0, 1.5, 0.085, 0.12), "measured": (1.0, 0.013, 1.0, 0.07, 0.09)},
    "sd of L*, its share of chroma; sd of a* and b*, their share of chroma, and that beyond "
    "VIVID_CHROMA (dyes of a print are no pigments)", RENDERED, "as drawn: patches of real "
    "photographs held out, definitions off by 0 and 4 Delta E: 92 % and more hold")
VIVID_CHROMA = _term(45.0, "few cards hold colours as strong")
CARD_Y = _term({"nominal": 0.15, "measured": 0.04, "shaded": 0.12},
    "sd, relative in Y, that the map leaves open alike for film over paper and over a bar")
MAP_Y = _term({"nominal": 0.20, "measured": 0.045, "shaded": 0.25},
    "and between the two, the more the farther apart they are")
STRAY_Y = _term({"nominal": 0.004, "measured": 0.0013, "shaded": 0.003},
    "sd of the light that lens and room add to everything dark, in Y")
STRAY_OWN = _term(0.3, "share of it that is each area's own")
VEIL_Y = _term(0.004, "sd of what gloss and lens add to an even film, in Y, beyond the card's matt "
    "fields", "a tenth of what a surface of index 1.5 mirrors, 0.04 (Fresnel's equations)")

# The light
LIGHT_CHROMA = _term(0.3, "share of the light's sd at a strip that also changes its colour")
NEAR_LIGHT = _term(0.004, "relative sd of one place's light against its neighbour's")

# The film
UNEVEN_DE = _term(1.5, "root mean square CIEDE2000 of its cells beyond which a strip is uneven",
    "our own judgement")
CELLS_AS_ONE = _term(3.0, "cells or slices beside each other share streaks and film")
CROOKED = _term(0.15, "share of a film's change along a bar: it need not run straight under it")
ON_NEAR_HALF = _term(0.05, "share of what a film does on a bar's uneven side, felt on the other")

# An instrument in the camera's place
INSTRUMENT_U95 = _term(1.0, "Delta E 2000 (95 %) that an instrument may be off, where nobody says",
    "handhelds of several makes on the same tiles differ by half of that to twice (from memory)")
PLACED_SD = _term(0.1, "Delta E per axis, one reading against the next at the same place",
    "short-term repeatability with replacement; from memory")
SPOT_DE = _term(0.4, "Delta E by which one spot of an even draw-down is off its mean",
    "our own judgement")

# The picture
PIXELS_AS_ONE = _term(10.0, "pixels beside each other share grain and noise")
LEVEL_LINEAR = _term(1 / 255 / 12.92, "one 8-bit level near black, linear",
    "IEC 61966-2-1, the straight part of its curve", "that standard")
DARK_LEVELS = _term(8.0, "a channel below so many levels is known to one level only")
LEVEL_SD = _term(0.3, "of a level, where not all of the area is crushed",
    "1 / sqrt(12) = 0.29 of a step, GUM (JCGM 100:2008) 4.3.7", "that guide")
DC_LUMA = _term(16, "JPEG: step of the mean of a block at quality 50, luma",
    "ISO/IEC 10918-1, table K.1", "that standard")
DC_CHROMA = _term(17, "and chroma", "the same, table K.2", "that standard")
DE_PER_LEVEL = _term(0.45, "Delta E 2000 per axis for one level of error in each of Y, Cb, Cr",
    "experiment with an independent encoder, colours of all kinds", "tests/drawdown/reading/"
    "test_jpegnoise.py")

# Two strips compared (matching/compare.py): sd per axis, in the metric of CIEDE2000
CAMERA_FLOOR = _term({False: 0.12, True: 1.0},
    "floor of a difference: a camera is no eye; with other tubes of paint (True)", RENDERED, CHARTS)
CAMERA_SHARE = _term({"nominal": 0.15, "measured": 0.13, "instrument": 0.04},
    "share of the difference: a map fitted to a print's dyes is not quite right for pigments; of "
    "an instrument, its scale and values converted from another light (0.03 from D65 and 10 "
    "degrees, 0.09 from fluorescent light)", RENDERED, CHARTS)
SHADED_SHARE = _term(0.45, "the same where the card lies in other light than the strips")
INSTRUMENT_FLOOR = _term(0.05, "floor of a difference read by an instrument", "our own judgement")
ACROSS_PHOTOS = _term({"nominal": 2.2, "measured": 1.9, "instrument": 0.15},
    "two photos have two lamps, curves and fits; of an instrument, its drift from day to day",
    "rendered pairs; for an instrument our own judgement")
PRIOR_SD = _term(3.0, "weak prior of a difference, widened to the one read: batches are usually "
    "nearly right", "our own judgement")
OWN_SHARE = _term(0.3, "of what ensembles hold beside the light, a further photo's own",
    "pairs rendered three times")
LEAST_LIGHT_SD = _term(0.01, "least of a photo's light when several are weighed",
    "pairs rendered three times")
GLINT_SHINE = _term(0.015, "share of white: where a strip glints, so much may be mirrored in all "
    "of it", "rendered glints; larger images are found and left out")
LEFT_SHINE = _term(0.1, "share, sd, of mirrored light that is left in what was measured")
DIFFERENT_LIGHT_SD = _term(0.05, "log light known no better: other light, no verdict")
DIFFERENT_RIM = _term(0.06, "log light of the papers beside two strips, lamp taken out: beyond it, "
    "other paper or other light")
DIFFERENT_SEEN = _term(0.12, "and as the photo shows it: more than a lamp's fall-off makes")
SAME_PAPER_SD = _term(0.02, "two places of one paper, log light: grain, and what lies between the "
    "paper beside a strip and the strip")

# Several photos of one pair (matching/several.py)
DIFFERENCE_SD = _term(1.0, "how far two photos of a pair are apart in its difference",
    "rendered pairs")
COLOUR_SD = _term(5.0, "and in its colours", "rendered pairs")
FORM_SD = _term(0.12, "and in its form, as logs", "rendered pairs")
PLACE_COST = _term(4.0, "2 ln odds: what it costs to take strips as swapped or elsewhere",
    "our own judgement")
OTHER_PAIR = _term(60.0, "what costs more is another pair", "rendered pairs")
CONTRADICTS = _term(16.27, "a photo that differs by more contradicts the others",
    "chi-square, three degrees of freedom, 99.9 %", "tables of that distribution")
AGREE_SD = _term(0.45, "of the difference, between two sound photos of one pair", "rendered pairs")

# fmt: on
TERMS = dict(zip([n for n in globals() if n not in _before and n.isupper()], _rows, strict=True))


def jpeg_sd_de(quality: int | None) -> float:
    """Standard uncertainty, Delta E 2000 per axis, of an even area's colour in a JPEG of this
    quality (1..100, scaled as the free reference encoder does); 0 for None, no JPEG. The mean of
    a block is kept in steps of DC / 8 levels (ISO/IEC 10918-1, A.3); Y, Cb, Cr in whole ones."""
    if quality is None:
        return 0.0
    q = min(max(int(quality), 1), 100)
    scale = 5000 / q if q < 50 else 200 - 2 * q
    steps = np.maximum(1.0, np.floor(np.array([DC_LUMA, DC_CHROMA]) * scale / 100 + 0.5))
    variance = (1 + (steps / 8) ** 2) / 12
    return DE_PER_LEVEL * float(np.sqrt(variance.mean()))


def card_sd(
    lab_d50: np.ndarray, *, nominal: bool, misfit_de: np.ndarray | None = None
) -> np.ndarray:
    """(..., 3) standard uncertainty of L*, a*, b* that card and camera leave in colours
    (..., 3), for a card as drawn (``nominal``) or measured; of a measured one not less than its
    patches miss in the photo, ``misfit_de`` (3,) along the local metric's axes: for that, nobody
    need know whether the print, its values or the camera is to blame."""
    sd_l, share_l, sd_ab, share, vivid = CARD_SD["nominal" if nominal else "measured"]
    chroma = np.hypot(lab_d50[..., 1], lab_d50[..., 2])
    ab = sd_ab + share * chroma + vivid * np.maximum(chroma - VIVID_CHROMA, 0.0)
    sd: np.ndarray = np.stack([sd_l + share_l * chroma, ab, ab], axis=-1)
    sd = np.hypot(sd, VEIL_Y * (lab_by_xyz(lab_to_xyz(lab_d50)) @ WHITE_D50))
    if nominal or misfit_de is None:
        return sd
    seen = np.linalg.norm(np.linalg.inv(local_metric(lab_d50)) * misfit_de, axis=-1)
    return np.asarray(np.hypot(sd, seen))


@dataclass(frozen=True)
class DifferenceU95:
    """Half widths of the 95 % intervals of dL*, dC*ab and dH*ab."""

    dL: float
    dC: float
    dH: float


def munsell_u95(lightness: float, lightness_u95: float) -> float:
    """Of the value of a colour of CIE L*, from that of L*: half of what the value spans
    over the interval (ASTM D1535's value is a function of Y alone, and so of L*)."""
    ends = (max(0.0, lightness + side * lightness_u95) for side in (-1, 1))
    low, high = (munsell_value(min(y_of_lightness(end), 1.2)) for end in ends)
    return (high - low) / 2


def evenness_u95(evenness_de00: float, cells: int) -> float:
    """Of a root mean square over so many cells: that of n independent normal values is known to
    1 / sqrt(2 n) of itself (GUM, JCGM 100:2008, E.4.3, for large n)."""
    return K95 * evenness_de00 / float(np.sqrt(2 * max(1.0, cells / CELLS_AS_ONE)))


def difference_u95(
    lab_original: np.ndarray, lab_batch: np.ndarray, d_lab_cov: np.ndarray
) -> DifferenceU95:
    """Of batch minus original, from the covariance (3, 3) of the Lab difference: along L*, along
    the chroma and across it, at the mean of the two colours. Beside a grey, which has no hue,
    the widest direction stands for both."""
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
