"""How much ink an edition takes: printed area, film weight, prints, waste (README.md).

Pure: arrays and numbers in, frozen records out. Ranges are 95 % intervals of lognormal
quantities, combined by sampling.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.uncertainty.intervals import K95

FILM_G_M2 = {"relief": (2.0, 12.0), "litho": (0.7, 1.3)}
STAYS_G = (5.0, 20.0)  # on slab, knife and roller: common practice, no source
OWN_FIGURE = 1.15  # a figure of one's own holds within 15 %
AREA_FIGURE = 1.05  # an area that is stated within 5 %
WIDTH_ERROR = 0.01
ENOUGH, TOO_LITTLE = 0.95, 0.05
# How far the limit between light and dark may sit beside the middle, as a share of the gap.
_LIMIT_SHIFT = 0.2
_LEAST_PART = 1e-3  # of the picture: what is smaller is a speck
_LEAST_GAP = 40.0  # of 255, between what prints and what does not
_SAMPLES = 4000


@dataclass(frozen=True)
class Range:
    """A quantity: its middle, and the interval that holds it with 95 % probability."""

    low: float
    middle: float
    high: float

    def samples(self, rng: np.random.Generator) -> np.ndarray:
        """(4000,) possible values, lognormal, the two halves of their own width."""
        z = rng.standard_normal(_SAMPLES)
        if self.middle <= 0:
            return np.zeros(_SAMPLES)
        up, down = math.log(self.high / self.middle), math.log(self.middle / max(self.low, 1e-12))
        return self.middle * np.exp(z / K95 * np.where(z > 0, up, down))


def between(low: float, high: float) -> Range:
    """A range whose middle is the geometric mean."""
    return Range(low, math.sqrt(low * high), high)


def about(value: float, factor: float) -> Range:
    """A range around a figure."""
    return Range(value / factor, value, value * factor)


def rounded_up(value: float) -> float:
    """The next amount of two figures that is no less: 21.2 is 22, as 21 might not do."""
    if value <= 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.6g}")


@dataclass(frozen=True, eq=False)
class PrintedArea:
    """What of a picture is printed: the share of it (0..1) and its area; ``limit`` is the grey
    (0..255) below which a pixel counts as dark, ``gap`` the distance between the two kinds,
    ``printed`` (h, w) bool what was counted, ``at_edge_cm2`` how much of it hangs together with
    the picture's edge."""

    share: Range
    area_cm2: Range
    limit: float
    gap: float
    printed: np.ndarray
    at_edge_cm2: float

    @property
    def clear(self) -> bool:
        """Whether light and dark are well apart."""
        return self.gap >= _LEAST_GAP and self.share.high - self.share.low < 0.1


def printed_area(grey: np.ndarray, width_mm: float, light_prints: bool = False) -> PrintedArea:
    """Printed part of a picture of block or print: ``grey`` (h, w) uint8, ``width_mm`` what
    the real width of what the picture shows; dark prints, or light with ``light_prints``.

    The limit parts the greys best into two kinds (N. Otsu, IEEE Trans. Syst. Man Cybern. 9
    (1979) 62). The interval is how the share moves when the limit does. ``ValueError`` when
    all of the picture is of one grey.
    """
    from skimage.filters import threshold_otsu

    if grey.min() == grey.max():
        raise ValueError("the picture is of one grey")
    last_dark = threshold_otsu(grey)
    # In the middle of the gap to the next grey there is: all limits in it part the greys alike.
    limit = (float(last_dark) + float(grey[grey > last_dark].min())) / 2
    dark = grey <= limit
    gap = float(grey[~dark].mean() - grey[dark].mean())

    def share(where: float) -> float:
        under = float((grey <= where).mean())
        return 1 - under if light_prints else under

    shares = [share(limit + shift * gap) for shift in (-_LIMIT_SHIFT, 0.0, _LIMIT_SHIFT)]
    low, high = max(min(shares), 1e-6), max(shares)
    middle = min(max(shares[1], low), high)
    height_mm = width_mm * grey.shape[0] / grey.shape[1]
    whole = width_mm * height_mm / 100
    wide = 2 * WIDTH_ERROR
    area = Range(low * whole / (1 + wide), middle * whole, high * whole * (1 + wide))
    printed = ~dark if light_prints else dark
    at_edge = whole * _share_at_edge(printed)
    return PrintedArea(Range(low, middle, high), area, limit, gap, printed, at_edge)


def _share_at_edge(printed: np.ndarray) -> float:
    """The share of the picture that printed parts make up which touch its edge, specks apart."""
    from skimage.measure import label

    parts = label(printed, connectivity=2)
    size = np.bincount(parts.ravel())
    rim = np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]])
    touching = np.setdiff1d(rim, [0])
    sizes = size[touching] / printed.size
    return float(sizes[sizes >= _LEAST_PART].sum())


@dataclass(frozen=True)
class Need:
    """What an edition takes, in grams: ``on_paper`` without waste and losses, ``ink`` all in
    all; ``mix_g`` is the amount to mix so that it is enough with 95 % probability, rounded up
    to what one weighs."""

    area_cm2: Range
    film_g_m2: Range
    prints: int
    waste_percent: Range
    stays_g: Range
    on_paper: Range
    ink: Range

    @property
    def mix_g(self) -> float:
        return rounded_up(self.ink.high)


@dataclass(frozen=True)
class Left:
    """Whether what is left is enough: the probability, in how many prints it ends, and the
    word for it: "enough", "not enough" or "not sure"."""

    grams: float
    p_enough: float
    prints: Range
    word: str
    short_g: Range  # what to mix in addition; zero where it is enough


def _range_of(values: np.ndarray) -> Range:
    # The upper end is one-sided: of what is mixed, only too little does harm.
    low, middle, high = np.percentile(values, [5.0, 50.0, 95.0])
    return Range(float(low), float(middle), float(high))


def _draws(area, film, waste, stays):
    rng = np.random.default_rng(17)
    area, film, waste, stays = (r.samples(rng) for r in (area, film, waste, stays))
    return area / 1e4 * film, 1 + waste / 100, stays  # g on one print, factor, g


def need(
    area_cm2: Range, film_g_m2: Range, prints: int, waste_percent: Range, stays_g: Range
) -> Need:
    """What ``prints`` prints take. Intervals hold 90 %, so that 95 % lie below their end."""
    one, factor, stays = _draws(area_cm2, film_g_m2, waste_percent, stays_g)
    return Need(
        area_cm2,
        film_g_m2,
        prints,
        waste_percent,
        stays_g,
        _range_of(one * prints),
        _range_of(one * prints * factor + stays),
    )


def suffices(wanted: Need, left_g: float) -> Left:
    """Whether ``left_g`` grams are enough for all prints of ``wanted``."""
    one, factor, stays = _draws(
        wanted.area_cm2, wanted.film_g_m2, wanted.waste_percent, wanted.stays_g
    )
    ink = one * wanted.prints * factor + stays
    p = float((ink <= left_g).mean())
    prints = np.maximum(left_g - stays, 0) / (one * factor)
    word = "enough" if p >= ENOUGH else "not enough" if p <= TOO_LITTLE else "not sure"
    return Left(left_g, p, _range_of(prints), word, _range_of(np.maximum(ink - left_g, 0)))


def film_from_use(used_g: float, prints: int, area_cm2: Range) -> Range:
    """The film weight of one's own hand: ink that went (weighed before and after, with
    waste and losses) over what it printed; then waste and losses are nothing more."""
    own = about(used_g / prints, OWN_FIGURE)
    return Range(*(g / area_cm2.middle * 1e4 for g in (own.low, own.middle, own.high)))


def ink_grams(mix: Mapping[str, float], grams: float) -> dict[str, float]:
    """Grams of each ink of a mix (parts of any sum)."""
    whole = sum(mix.values())
    return {name: grams * parts / whole for name, parts in mix.items()}
