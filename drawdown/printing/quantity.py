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
_DRAWS = 100_000  # of which the likelier ones become samples, where use was weighed
_LEAST_STAYS = 1e-3  # of what went
_EXACT_SD = 0.01  # of the logarithm: nobody weighs what stays more exactly


@dataclass(frozen=True)
class Range:
    """A quantity: its middle, and the interval that holds it with 95 % probability."""

    low: float
    middle: float
    high: float

    def at(self, z: np.ndarray) -> np.ndarray:
        """The values that lie ``z`` standard deviations from the middle: lognormal, the two
        halves of their own width."""
        if self.middle <= 0:
            return np.zeros(len(z))
        return self.middle * np.exp(z * np.where(z > 0, *self._sds))

    def z(self, values: np.ndarray) -> np.ndarray:
        """How many standard deviations ``values`` lie from the middle, the inverse of ``at``."""
        off = np.log(values / self.middle)
        return off / np.maximum(np.where(off > 0, *self._sds), _EXACT_SD)

    @property
    def _sds(self) -> tuple[float, float]:
        """Of the logarithm, above the middle and below it."""
        up, down = math.log(self.high / self.middle), math.log(self.middle / max(self.low, 1e-12))
        return up / K95, down / K95


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


@dataclass(frozen=True, eq=False)
class Possible:
    """Possible values (4000,) that belong together: ink on one print, the factor of waste, and
    what stays."""

    one_g: np.ndarray
    factor: np.ndarray
    stays_g: np.ndarray

    def ink_g(self, prints: int) -> np.ndarray:
        return self.one_g * prints * self.factor + self.stays_g


@dataclass(frozen=True, eq=False)
class Need:
    """What an edition takes, in grams: ``on_paper`` without waste and losses, ``ink`` all in
    all, what stays included; ``mix_g`` is the amount to mix so that it is enough with 95 %
    probability, rounded up to what one weighs. Film, waste and what stays are as ``used``,
    grams that went for so many prints, leaves them."""

    area_cm2: Range
    film_g_m2: Range
    prints: int
    waste_percent: Range
    stays_g: Range
    on_paper: Range
    ink: Range
    possible: Possible

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


def _range_of(values: np.ndarray, tail: float = 5.0) -> Range:
    # The upper end is one-sided: of what is mixed, only too little does harm.
    low, middle, high = np.percentile(values, [tail, 50.0, 100 - tail])
    return Range(float(low), float(middle), float(high))


def need(
    area_cm2: Range,
    film_g_m2: Range,
    prints: int,
    waste_percent: Range,
    stays_g: Range,
    used: tuple[float, int] | None = None,
) -> Need:
    """What ``prints`` prints take: area x film x prints x (1 + waste) + what stays. Intervals
    of grams hold 90 %, so that 95 % lie below their end.

    ``used``: (grams, prints) of an earlier run from the same block, weighed with waste and
    losses; then film, waste and what stays are what could have used that. Raises ``ValueError``
    where what stays is more than what went.
    """
    if used is None:
        rng = np.random.default_rng(17)
        ranges = (area_cm2, film_g_m2, waste_percent, stays_g)
        draws = [r.at(rng.standard_normal(_SAMPLES)) for r in ranges]
    else:
        draws = _fitted(area_cm2, film_g_m2, waste_percent, stays_g, *used)
        film_g_m2, waste_percent, stays_g = (_range_of(values, 2.5) for values in draws[1:])
    area, film, waste, stays = draws
    possible = Possible(area / 1e4 * film, 1 + waste / 100, stays)
    on_paper, ink = _range_of(possible.one_g * prints), _range_of(possible.ink_g(prints))
    return Need(
        area_cm2, film_g_m2, prints, waste_percent, stays_g, on_paper, ink, possible=possible
    )


def _fitted(
    area: Range, film: Range, waste: Range, stays: Range, used_g: float, prints: int
) -> list[np.ndarray]:
    """Possible areas, films, wastes and what stays (4000,) each, after ``used_g`` went for
    ``prints``. What stays is drawn from all it could be, the film is what the rest of the ink
    makes; each draw counts by how usual both are."""
    if stays.low >= used_g:
        raise ValueError("more stays than went")
    rng = np.random.default_rng(17)
    went = about(used_g, OWN_FIGURE).at(rng.standard_normal(_DRAWS))
    some_area, some_waste = (r.at(rng.standard_normal(_DRAWS)) for r in (area, waste))
    none = stays.middle <= 0
    share = np.zeros(_DRAWS) if none else _LEAST_STAYS ** rng.random(_DRAWS)
    some_stays, printed = went * share, went * (1 - share)
    some_film = printed / (some_area / 1e4 * prints * (1 + some_waste / 100))
    # The density of the film, carried over to that of what went.
    log_odds = -np.log1p(-share) - film.z(some_film) ** 2 / 2
    if not none:
        log_odds -= stays.z(some_stays) ** 2 / 2
    upto = np.cumsum(np.exp(log_odds - log_odds.max()))
    taken = np.searchsorted(upto, upto[-1] * (np.arange(_SAMPLES) + 0.5) / _SAMPLES)
    return [values[taken] for values in (some_area, some_film, some_waste, some_stays)]


def suffices(wanted: Need, left_g: float) -> Left:
    """Whether ``left_g`` grams are enough for all prints of ``wanted``."""
    could = wanted.possible
    ink = could.ink_g(wanted.prints)
    p = float((ink <= left_g).mean())
    prints = np.maximum(left_g - could.stays_g, 0) / (could.one_g * could.factor)
    word = "enough" if p >= ENOUGH else "not enough" if p <= TOO_LITTLE else "not sure"
    return Left(left_g, p, _range_of(prints), word, _range_of(np.maximum(ink - left_g, 0)))


def ink_grams(mix: Mapping[str, float], grams: float) -> dict[str, float]:
    """Grams of each ink of a mix (parts of any sum)."""
    whole = sum(mix.values())
    return {name: grams * parts / whole for name, parts in mix.items()}
