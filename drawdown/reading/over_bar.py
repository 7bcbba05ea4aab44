"""A strip across a black bar: one film over paper and over the bar, and both grounds beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.correct import Correction
from calibration.locate.sheet import Sheet
from calibration.uncertainty.intervals import K95, MAD_TO_SD, u95_of
from calibration.uncertainty.streams import stream
from drawdown import flags as fl
from drawdown.reading.area import LEAST_XYZ, Area, Window, read_areas, window_of
from drawdown.reading.budget import (
    CARD_Y,
    CELLS_AS_ONE,
    CROOKED,
    MAP_Y,
    ON_NEAR_HALF,
    PIXELS_AS_ONE,
    STRAY_OWN,
    STRAY_Y,
    card_sd,
)
from drawdown.reading.colour import Colour
from drawdown.strips import limits
from drawdown.strips.bars import Span, bars_across, medians
from drawdown.strips.strip import Strip
from drawdown.strips.working_picture import stretches

SLICE_MM = 1.0
SIDE_MARGIN_MM = 2.0  # kept clear of the strip's long sides: the ridge of the blade
BESIDE_BAR_REACH_MM = 11.0  # how far from the bar the film over paper is looked at
LEAST_SLICES = 3
# Film over paper may differ from one side of the bar to the other by this share of what it
# takes from the paper's light (in logarithms).
MOST_CHANGE = 0.3
# A film that is gone on the bar's far side (by this share of what it takes from the paper's
# light) and looks on the bar as the bare bar does (log of Y) may not lie on it at all.
GONE, LIKE_BARE = 0.7, 0.25
CALM_SHARE = 0.025  # of Y: film that changes more than this per stretch is start or run-out
SMALL_MM2 = 60.0
MAY_BE_BAR = 0.6  # of the light beside a strip: less may be a bar, in any light
PALE_BAR_L = 38.0
DARK_BAR = 0.5  # of the Y of the paper


@dataclass(frozen=True, eq=False)
class OverBar:
    """Strip ``number`` where it crosses a bar: the film over paper (as thick as it is over the
    bar) and over the bar, and the bare paper and bar beside it.

    ``xyz_samples`` (m, 4, 3), Y = 1 scale, in that order, is their ensemble with what card and
    camera leave open between them; row i rests on member i of the correction, like row i of
    the strip's own. ``film_change`` is the relative change of Y over paper along the bar's
    breadth; ``glare_share`` the part of the film over the bar that was left out as shining."""

    number: int
    ink_on_paper: Colour
    ink_on_bar: Colour
    paper: Colour
    bar: Colour
    xyz_samples: np.ndarray
    film_change: float
    glare_share: float
    flags: tuple[fl.Flag, ...]

    @property
    def shows_black(self) -> bool:
        """Whether the bar is dark enough against the paper to tell anything."""
        return bool(self.xyz_d50[3, 1] < DARK_BAR * self.xyz_d50[2, 1])

    @property
    def lab_d50(self) -> np.ndarray:
        """(4, 3) best estimates of the four."""
        four = (self.ink_on_paper, self.ink_on_bar, self.paper, self.bar)
        return np.stack([colour.lab_d50 for colour in four])

    @property
    def xyz_d50(self) -> np.ndarray:
        """(4, 3) the same in XYZ."""
        return lab_to_xyz(self.lab_d50)

    @property
    def lab_u95(self) -> np.ndarray:
        """(4, 3) half widths of the 95 % intervals, from the ensemble."""
        return u95_of(xyz_to_lab(self.xyz_samples))


def other_ink(strip: Strip, strips: Sequence[Strip]) -> np.ndarray:
    """(h, w) bool: pixels of all strips but those that lie across this one, as a dark strip
    does that it was pulled over."""
    along = np.asarray(strip.axis, dtype=float)
    beside = [s.mask for s in strips if abs(float(np.dot(along, s.axis))) > 0.7]
    ink: np.ndarray = np.any([strip.mask, *beside], axis=0)
    return ink


def may_cross(strip: Strip, sheet: Sheet) -> bool:
    """Whether something dark with light before and after it shows on a line beside the strip: a
    quick look, as most strips cross no bar."""
    centre, along = strip.corners_mm.mean(axis=0), np.asarray(strip.axis, dtype=float)
    aside = np.array([-along[1], along[0]])
    reach = (strip.length_mm / 2 + limits.BAR_BEYOND_MM) * along
    steps = np.arange(-1.0, 1.0, 1.0 / strip.length_mm)[:, None]
    rows, columns = sheet.inside.shape
    for away in np.linspace(*limits.BESIDE_STRIP_MM, 3)[:2]:
        for side in (-1, 1):
            line = centre + side * (strip.width_mm / 2 + away) * aside + steps * reach
            x, y = np.rint(sheet.to_px(line)).astype(int).T
            y, x = np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)
            luma = sheet.rgb_linear[y, x, 1]
            dark = luma < MAY_BE_BAR * np.quantile(luma, 0.8)
            if any(a > 0 and b < len(dark) for a, b in stretches(dark)):
                return True
    return False


def read_over_bar(
    strip: Strip,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    ink: np.ndarray | None = None,
    jpeg_quality: int | None = None,
) -> OverBar | None:
    """Read a strip where it crosses a bar; None where it crosses none, or where too little of
    bar or film shows. ``ink`` (h, w) bool are the pixels of all strips but those that may be
    the bar. Where a strip crosses several bars, the one seen best is read."""
    window = window_of(strip, sheet, correction, card, strip.mask if ink is None else ink)
    bare, size = window.bare, (window.half_length, window.half_width)
    spans = bars_across(window.u[bare], window.v[bare], window.xyz[bare, 1], *size)
    found = [f for span in spans if (f := _crossing(window, span)) is not None]
    if not found:
        return None
    best = max(found, key=lambda f: f.slices)
    samples = read_areas(best.areas, correction, strip.number, jpeg_quality)
    colours = []
    for k, area in enumerate(best.areas):
        lab, members = area.lab_d50, samples[:, k]
        u95 = K95 * np.hypot(members.std(axis=0), _card_sd(lab, correction))
        light = float(correction.field.scatter_at(area.xy_mm))
        colours.append(Colour(lab_d50=lab, lab_samples=members, lab_u95=u95, light_sd=light))
    flags = []
    if best.bar_mm2 < SMALL_MM2:
        flags.append(fl.BAR_SMALL(f"{best.bar_mm2:.0f} mm²"))
    if colours[3].lab_d50[0] > PALE_BAR_L:
        flags.append(fl.BAR_PALE(f"{colours[3].lab_d50[0]:.0f}"))
    return OverBar(
        number=strip.number,
        ink_on_paper=colours[0],
        ink_on_bar=colours[1],
        paper=colours[2],
        bar=colours[3],
        xyz_samples=_with_card(lab_to_xyz(samples), best.areas, correction, strip.number),
        film_change=best.film_change,
        glare_share=best.glare_share,
        flags=tuple(flags),
    )


def _card_sd(lab: np.ndarray, correction: Correction) -> np.ndarray:
    return card_sd(lab, nominal=correction.nominal, misfit_de=correction.misfit_de)


def _with_card(
    xyz_samples: np.ndarray, areas: Sequence[Area], correction: Correction, number: int
) -> np.ndarray:
    """Draws (m, 4, 3) with what card and camera leave open between film over paper and over
    the bar, and the stray light that lies over all four."""
    kind = "nominal" if correction.nominal else "shaded" if correction.shaded else "measured"
    rng = stream("card and stray light at a bar", number)
    count = len(xyz_samples)
    ink = np.array([a.xyz_d50[1] for a in areas[:2]])
    apart = MAP_Y[kind] * (1 - ink.min() / ink.max())
    unlike = CARD_Y[kind] * rng.standard_normal((count, 1, 1)) * np.ones((1, 2, 1))
    unlike[:, 0] += apart * rng.standard_normal((count, 1))
    samples = xyz_samples.copy()
    samples[:, :2] *= np.exp(unlike)
    white = areas[2].xyz_d50 / areas[2].xyz_d50[1]
    stray = rng.standard_normal((count, 1, 1)) + STRAY_OWN * rng.standard_normal((count, 4, 1))
    lit: np.ndarray = np.maximum(samples + STRAY_Y[kind] * stray * white, LEAST_XYZ)
    return lit


@dataclass(frozen=True, eq=False)
class _Crossing:
    """A bar under the strip: the four areas (ink over paper, ink over the bar, paper, bar),
    and how well they show."""

    areas: tuple[Area, Area, Area, Area]
    film_change: float
    bar_mm2: float
    slices: int
    glare_share: float


def _crossing(w: Window, span: Span) -> _Crossing | None:
    start = span.start[0] + span.start[1] * w.v
    end = span.end[0] + span.end[1] * w.v
    inner = np.abs(w.v) < w.half_width - min(SIDE_MARGIN_MM, 0.25 * w.half_width)
    inner &= np.abs(w.u) <= w.half_length
    on_bar = (w.u > start + w.margin) & (w.u < end - w.margin)
    ink_bar, glare = _without_glare(w, inner & on_bar)
    half = float(span.end[0] - span.start[0]) / 2
    # Slices count from the middle of the bar, so that a bar askew does not mix them.
    away = w.u - (start + end) / 2
    beside = inner & (np.abs(away) > half + w.margin)
    beside &= np.abs(away) < half + w.margin + BESIDE_BAR_REACH_MM
    film = _film_beside(w, beside, away, span.paper_y)
    bar_slices = _slices(w, ink_bar, away)
    if film is None or bar_slices is None:
        return None
    if film.one_side:
        bar_slices = _near_half(bar_slices, film.one_side)
    if len(bar_slices.at) < LEAST_SLICES:
        return None
    ink_bar &= (away > bar_slices.at.min() - SLICE_MM) & (away < bar_slices.at.max() + SLICE_MM)

    side = np.isin(np.sign(w.v), span.sides)
    bare = w.bare & side & (np.abs(w.v) - w.half_width < limits.BESIDE_STRIP_MM[1])
    bare_bar = _darkest_columns(w, bare & on_bar)
    bare_paper = bare & (np.abs(away) > half + w.margin) & (np.abs(away) < half + 14)
    bare_paper &= w.xyz[:, 1] > 0.85 * span.paper_y
    if bare_bar.sum() < 12 or bare_paper.sum() < 30:
        return None
    over_paper, error, change = _led_across(film, bar_slices.at, half)
    paper, bar = (_even(w.xyz[part]) for part in (bare_paper, bare_bar))
    over_bar = _mean_of(bar_slices)
    thick = abs(np.log(over_paper[1] / paper[0][1]))
    like_bare = abs(np.log(max(over_bar[0][1], 1e-5) / max(bar[0][1], 1e-5))) < LIKE_BARE
    if film.one_side and film.step > GONE * thick and like_bare:
        return None  # no film after the bar, and none that shows on it: it may end before
    inks = _area(w, beside, over_paper, error), _area(w, ink_bar, *over_bar)
    areas = (*inks, _area(w, bare_paper, *paper), _area(w, bare_bar, *bar))
    size = float(ink_bar.sum()) / w.px_per_mm**2
    slices = len(bar_slices.at) + len(film.slices.at)
    return _Crossing(areas, change, size, slices, glare)


def _area(w: Window, part: np.ndarray, best: np.ndarray, cov: np.ndarray) -> Area:
    place = w.to_mm @ (w.u[part].mean(), w.v[part].mean(), 1.0)
    crushed = float(np.mean(w.crushed[part] > 0.5))
    return Area(np.median(w.rgb[part], axis=0), place, best, cov, crushed)


def _without_glare(w: Window, part: np.ndarray) -> tuple[np.ndarray, float]:
    """Film over the bar without what shines on it, and the share left out: far above the
    middle, by the scatter below it."""
    if not part.any():
        return part, 0.0
    y = w.xyz[part, 1]
    middle = float(np.median(y))
    scatter = max(MAD_TO_SD * float(np.median(middle - y[y <= middle])), 0.02 * middle, 5e-4)
    shine = np.zeros_like(part)
    shine[part] = y > middle + 5 * scatter
    return part & ~shine, float(shine.sum() / part.sum())


@dataclass(frozen=True, eq=False)
class _Slices:
    at: np.ndarray  # (k,) mm from the middle of the bar
    xyz: np.ndarray  # (k, 3)

    def only(self, order: np.ndarray) -> _Slices:
        keep = np.sort(order)
        return _Slices(self.at[keep], self.xyz[keep])

    def calm(self, side: int) -> int:
        """How many, counted towards ``side``, stay as the first ones are."""
        y = self.xyz[np.argsort(side * self.at), 1]
        calm = np.abs(y - np.median(y[:2])) < CALM_SHARE * y[0] + 0.001
        return int(np.argmin(calm)) if not calm.all() else len(calm)


def _slices(w: Window, part: np.ndarray, away: np.ndarray) -> _Slices | None:
    """Median XYZ of slices across the strip; medians leave out streaks along the pull."""
    u = away[part]
    if len(u) < 20:
        return None
    low = u.min()
    slot = np.floor((u - low) / SLICE_MM).astype(int)
    count = int(slot.max()) + 1
    values = w.xyz[part]
    enough = np.bincount(slot, minlength=count)
    xyz = np.stack([medians(values[:, c], slot, count) for c in range(3)], axis=-1)
    good = (enough > 0.35 * enough.max()) & np.isfinite(xyz).all(axis=1)
    at = low + (np.arange(count) + 0.5) * SLICE_MM
    return _Slices(at[good], xyz[good]) if good.any() else None


@dataclass(frozen=True, eq=False)
class _Film:
    """Film over paper beside the bar. ``one_side`` is 0 where it is even on both sides, else
    -1 or 1, the even one; ``step`` (log of Y) what the film does on the bar's other side."""

    slices: _Slices
    one_side: int
    step: float


def _film_beside(w: Window, part: np.ndarray, away: np.ndarray, paper_y: float) -> _Film | None:
    """Film over paper before and after the bar: slices of the strip's even part, and on a side
    that has none those next to the bar, if the film stays as it is there. Start and run-out are
    no straight line, so then the even side alone speaks for the film."""
    even, near = {}, {}
    for side in (-1, 1):
        here = part & (side * away > 0)
        slices = _slices(w, here & w.body, away)
        if slices is None or len(slices.at) < LEAST_SLICES:
            slices = _slices(w, here, away)
            if slices is None or len(slices.at) < LEAST_SLICES:
                continue
            count = slices.calm(side)
            order = np.argsort(np.abs(slices.at))
            near[side] = float(np.log(slices.xyz[order[0], 1]))
            if count <= LEAST_SLICES:
                continue
            slices = slices.only(order[:count])
        even[side] = slices
        near[side] = float(np.log(slices.xyz[np.argmin(np.abs(slices.at)), 1]))
    if not even:
        return None
    thick = abs(np.log(paper_y) - min(near[side] for side in even))
    if len(even) == 2:
        if abs(near[-1] - near[1]) > max(MOST_CHANGE * thick, 0.05):
            return None  # not one film
        a, b = even[-1], even[1]
        joined = _Slices(np.concatenate([a.at, b.at]), np.concatenate([a.xyz, b.xyz]))
        return _Film(joined, 0, 0.0)
    side = next(iter(even))
    step = abs(near[-1] - near[1]) if len(near) == 2 else thick
    return _Film(even[side], side, float(min(step, thick)))


def _near_half(bar: _Slices, side: int) -> _Slices:
    """The film on the bar's half next to the even ``side``, as far as it stays as it is: what
    runs out on the bar is no longer the film beside it."""
    order = np.argsort(-side * bar.at)
    return bar.only(order[: min(bar.calm(-side), max(LEAST_SLICES, (len(order) + 1) // 2))])


def _led_across(
    film: _Film, bar_at: np.ndarray, half: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """XYZ over paper at the film over the bar, its error's covariance, and the relative change
    of Y along the bar."""
    paper = film.slices
    log = np.log(np.maximum(paper.xyz, 1e-5))
    # Nearer slices say more of the film on the bar.
    weight = np.exp(-(np.abs(paper.at) - half) / 8.0)
    design = np.stack([np.ones_like(paper.at), paper.at], axis=1)
    if film.one_side:
        design = design[:, :1]
    root = np.sqrt(weight)[:, None]
    solution, *_ = np.linalg.lstsq(design * root, log * root, rcond=None)
    residual = (log - design @ solution) * root
    count = weight.sum() ** 2 / (weight**2).sum()
    cov = residual.T @ residual / weight.sum() / max(1.0, count / CELLS_AS_ONE)
    if film.one_side:
        change = np.full(3, film.step)
        best, more = np.exp(solution[0]), ON_NEAR_HALF * change
    else:
        change = solution[1] * 2 * half
        best, more = np.exp(solution[0] + solution[1] * bar_at.mean()), CROOKED * change
    cov = (cov + np.outer(more, more)) * np.outer(best, best)
    return best, cov, float(-np.expm1(-abs(change[1])))


def _darkest_columns(w: Window, part: np.ndarray) -> np.ndarray:
    """The bare bar within ``part``, without what lies beyond the bar's end."""
    if part.sum() < 12:
        return part
    depth = (np.abs(w.v) - w.half_width - limits.BESIDE_STRIP_MM[0]) / 0.5
    slot = np.clip(depth[part], 0, 12).astype(int) * 2 + (w.v[part] > 0)
    level = medians(w.xyz[part, 1], slot, 26)
    usual = np.nanquantile(level, 0.25) if np.isfinite(level).any() else 0.0
    out = part.copy()
    fit = level < 1.25 * usual + 0.004
    out[part] = fit[slot]
    return out


def _mean_of(slices: _Slices) -> tuple[np.ndarray, np.ndarray]:
    """Mean XYZ over slices, and its error's covariance."""
    n = len(slices.at)
    cov = np.cov(slices.xyz, rowvar=False) / max(1.0, n / CELLS_AS_ONE)
    return slices.xyz.mean(axis=0), cov


def _even(xyz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median XYZ of one bare surface, and its error's covariance."""
    middle = np.median(xyz, axis=0)
    spread = MAD_TO_SD * np.median(np.abs(xyz - middle), axis=0)
    return middle, np.diag(spread**2) / max(1.0, len(xyz) / PIXELS_AS_ONE)
