"""The same film over paper and over a black bar: where a strip crosses one, and both colours.

``over_bar`` reads the areas as they lie, to fit inks to. A contrast ratio wants both colours
of the very same film, a bar that is found wherever it shows, and the error of a ratio.

A bar (or any dark strip) that runs under a draw-down shows bare on both sides of it. There
it is looked for, straight across the strip; no ink needs to be told from black. A film runs
thick to thin along the pull, so the colour over paper is taken on both sides of the bar and
led across it by a straight line: both colours are then of one film.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.difference import local_metric
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.correct import LAST_LEVEL, Correction
from calibration.locate.sheet import Sheet
from drawdown.reading.budget import jpeg_sd_de
from drawdown.reading.film_pair_bar import BESIDE_MM, Span, Window, bars_across, medians, window_of
from drawdown.strips.find import Strip

SLICE_MM = 1.0
SIDE_MARGIN_MM = 2.0  # kept clear of the strip's long sides: the ridge of the blade
REACH_MM = 11.0  # how far from the bar the film over paper is looked at
LEAST_SLICES = 3
# Film over paper may differ from one side of the bar to the other by this share of what it
# takes from the paper's light (in logarithms); and how crooked it may run between, of its change.
MOST_CHANGE, CROOKED = 0.3, 0.15
# Of what the film does on the uneven side of the bar, the share that may be felt on the near half.
ON_NEAR_HALF = 0.05
# A film that is gone on the bar's far side (by this share of what it takes from the paper's
# light) and looks on the bar as the bare bar does (log of Y) may not lie on it at all.
GONE, LIKE_BARE = 0.7, 0.25
CALM_SHARE = 0.025  # of Y: film that changes more than this per stretch is start or run-out
# Standard uncertainties of our own, from rendered scenes (DEVELOPERS.md, "Uncertainty"):
# light that lens and room add to everything dark, in Y; and what one strip of light says of
# its neighbour, relative.
STRAY_Y = {"nominal": 0.004, "measured": 0.0013, "shaded": 0.003}
NEAR_LIGHT = 0.004
# What the map from camera to XYZ leaves open, relative in Y: alike over paper and over the
# bar, and between the two the more the farther apart they are (a camera is no eye, a print is
# not as drawn, and a card in shade tells little of the light beside it).
CARD_Y = {"nominal": 0.15, "measured": 0.04, "shaded": 0.12}
MAP_Y = {"nominal": 0.20, "measured": 0.045, "shaded": 0.25}


@dataclass(frozen=True)
class FilmPair:
    """One strip where it crosses a bar.

    ``xyz_d50`` (4, 3), Y = 1 scale, best estimates of the strip over paper (at the film it
    has over the bar), the strip over the bar, the bare paper and the bare bar beside it;
    ``xyz_samples`` (m, 4, 3) the ensemble: row i rests on member i of the correction, like
    row i of the strip's ``StripReading.lab_samples``. ``bar_mm`` (4, 2) are the corners of
    the part of the bar under the strip, in card mm; ``film_change`` is the relative change
    of Y over paper along the bar's breadth; ``glare_share`` the part of the film over the bar
    that was left out as shining."""

    number: int
    xyz_d50: np.ndarray
    xyz_samples: np.ndarray
    bar_mm: np.ndarray
    film_change: float
    glare_share: float

    @property
    def lab_d50(self) -> np.ndarray:
        """(4, 3) Lab of the four places."""
        return xyz_to_lab(self.xyz_d50)

    @property
    def lab_u95(self) -> np.ndarray:
        """(4, 3) half widths of the 95 % intervals: 1.96 standard deviations of the
        ensemble."""
        return 1.96 * xyz_to_lab(self.xyz_samples).std(axis=0)


def other_ink(strip: Strip, strips: Sequence[Strip]) -> np.ndarray:
    """(h, w) bool: pixels of all strips but those that lie across this one, as a dark strip
    does that it was pulled over."""
    along = np.asarray(strip.axis, dtype=float)
    beside = [s.mask for s in strips if abs(float(np.dot(along, s.axis))) > 0.7]
    return np.any([strip.mask, *beside], axis=0)


def read_film_pair(
    strip: Strip,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    ink: np.ndarray | None = None,
    jpeg_quality: int | None = None,
) -> FilmPair | None:
    """The four colours of a strip that crosses a bar; None where it crosses none, or where
    too little of bar or film shows. ``ink`` (h, w) bool are the pixels of all strips but those
    that may be the bar. Where a strip crosses several bars, the one seen best is read."""
    window = window_of(strip, sheet, correction, card, strip.mask if ink is None else ink)
    found = [_read(window, span) for span in bars_across(window)]
    found = [f for f in found if f is not None]
    if not found:
        return None
    best = max(found, key=lambda f: f.slices)
    samples = _samples(best, window, correction, strip.number, jpeg_quality)
    return FilmPair(
        number=strip.number,
        xyz_d50=best.xyz,
        xyz_samples=samples,
        bar_mm=best.corners_mm,
        film_change=best.film_change,
        glare_share=best.glare_share,
    )


@dataclass(frozen=True)
class _Found:
    xyz: np.ndarray  # (4, 3)
    rgb: np.ndarray  # (4, 3) photo-linear, for the ensemble
    xy_mm: np.ndarray  # (4, 2)
    error: np.ndarray  # (4, 3) standard uncertainty of xyz from scatter and film
    corners_mm: np.ndarray
    film_change: float
    slices: int
    glare_share: float


def _read(w: Window, span: Span) -> _Found | None:
    start = span.start[0] + span.start[1] * w.v
    end = span.end[0] + span.end[1] * w.v
    inner = np.abs(w.v) < w.half_width - min(SIDE_MARGIN_MM, 0.25 * w.half_width)
    middle = (start + end) / 2
    on_bar = (w.u > start + w.margin) & (w.u < end - w.margin)
    ink_bar, glare = _without_glare(w, inner & on_bar)
    half = float(span.end[0] - span.start[0]) / 2
    # Slices count from the middle of the bar, so that a bar askew does not mix them.
    away = w.u - middle
    beside = inner & (np.abs(away) > half + w.margin)
    beside &= np.abs(away) < half + w.margin + REACH_MM
    film = _film_slices(w, beside, away, span.paper_y)
    bar_slices = _slices(w, ink_bar, away)
    if film is None or bar_slices is None:
        return None
    if film.one_side:
        bar_slices = _near_half(bar_slices, film.one_side)
    if len(bar_slices.at) < LEAST_SLICES:
        return None
    ink_bar &= (away > bar_slices.at.min() - SLICE_MM) & (away < bar_slices.at.max() + SLICE_MM)
    over_paper, over_paper_error, change = _led_across(film, bar_slices.at, half)

    depth = np.abs(w.v) - w.half_width
    side = np.isin(np.sign(w.v), span.sides)
    bare = w.bare & side & (depth < BESIDE_MM[1])
    bare_bar = _darkest_columns(w, bare & on_bar)
    bare_paper = bare & (np.abs(away) > half + w.margin) & (np.abs(away) < half + 14)
    bare_paper &= w.xyz[:, 1] > 0.85 * span.paper_y
    if bare_bar.sum() < 12 or bare_paper.sum() < 30:
        return None
    parts = (beside, ink_bar, bare_paper, bare_bar)
    bar_best, bar_error = _mean_of(bar_slices)
    xyz, error = np.empty((4, 3)), np.empty((4, 3))
    xyz[0], error[0] = over_paper, over_paper_error
    xyz[1], error[1] = bar_best, bar_error
    for k, part in ((2, bare_paper), (3, bare_bar)):
        xyz[k], error[k] = _even(w.xyz[part])
    thick = abs(np.log(xyz[0, 1] / xyz[2, 1]))
    like_bare = abs(np.log(max(xyz[1, 1], 1e-5) / max(xyz[3, 1], 1e-5))) < LIKE_BARE
    if film.one_side and film.step > GONE * thick and like_bare:
        return None  # no film after the bar, and none that shows on it: it may end before
    rgb = np.stack([np.median(w.rgb[part], axis=0) for part in parts])
    place = np.stack([[w.u[part].mean(), w.v[part].mean(), 1.0] for part in parts])
    v = np.array([-w.half_width, w.half_width])
    ends = [(span.start[0] + span.start[1] * s, s, 1.0) for s in v]
    ends += [(span.end[0] + span.end[1] * s, s, 1.0) for s in v[::-1]]
    return _Found(
        xyz, rgb, place @ w.to_mm.T, error, np.array(ends) @ w.to_mm.T, change,
        len(bar_slices.at) + len(film.slices.at), glare,
    )  # fmt: skip


def _without_glare(w: Window, part: np.ndarray) -> tuple[np.ndarray, float]:
    """Film over the bar without what shines on it, and the share left out: far above the
    middle, by the scatter below it."""
    if not part.any():
        return part, 0.0
    y = w.xyz[part, 1]
    middle = float(np.median(y))
    scatter = max(1.4826 * float(np.median(middle - y[y <= middle])), 0.02 * middle, 5e-4)
    shine = np.zeros_like(part)
    shine[part] = y > middle + 5 * scatter
    return part & ~shine, float(shine.sum() / part.sum())


@dataclass(frozen=True)
class _Slices:
    at: np.ndarray  # (k,) mm from the middle of the bar
    xyz: np.ndarray  # (k, 3)


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
    good = enough > 0.35 * enough.max()
    good &= np.isfinite(xyz).all(axis=1)
    at = low + (np.arange(count) + 0.5) * SLICE_MM
    return _Slices(at[good], xyz[good]) if good.any() else None


@dataclass(frozen=True)
class _Film:
    """Film over paper beside the bar. ``one_side`` is 0 where it is even on both sides, else
    -1 or 1, the even one; ``step`` (log of Y) what the film does on the bar's other side."""

    slices: _Slices
    one_side: int
    step: float


def _film_slices(w: Window, part: np.ndarray, away: np.ndarray, paper_y: float) -> _Film | None:
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
            count = _calm(slices, side)
            order = np.argsort(np.abs(slices.at))
            near[side] = float(np.log(slices.xyz[order[0], 1]))
            if count <= LEAST_SLICES:
                continue
            slices = _only(slices, order[:count])
        even[side] = slices
        near[side] = float(np.log(slices.xyz[np.argmin(np.abs(slices.at)), 1]))
    if not even:
        return None
    thick = abs(np.log(paper_y) - min(near[side] for side in even))
    if len(even) == 2:
        if abs(near[-1] - near[1]) > max(MOST_CHANGE * thick, 0.05):
            return None  # not one film
        both = [np.concatenate([even[-1].at, even[1].at])]
        both.append(np.concatenate([even[-1].xyz, even[1].xyz]))
        return _Film(_Slices(*both), 0, 0.0)
    side = next(iter(even))
    step = abs(near[-1] - near[1]) if len(near) == 2 else thick
    return _Film(even[side], side, float(min(step, thick)))


def _only(slices: _Slices, order: np.ndarray) -> _Slices:
    keep = np.sort(order)
    return _Slices(slices.at[keep], slices.xyz[keep])


def _calm(slices: _Slices, side: int) -> int:
    """How many slices, counted towards ``side``, stay as the first ones are."""
    y = slices.xyz[np.argsort(side * slices.at), 1]
    calm = np.abs(y - np.median(y[:2])) < CALM_SHARE * y[0] + 0.001
    return int(np.argmin(calm)) if not calm.all() else len(calm)


def _near_half(bar: _Slices, side: int) -> _Slices:
    """The film on the bar's half next to the even ``side``, as far as it stays as it is: what
    runs out on the bar is no longer the film beside it."""
    order = np.argsort(-side * bar.at)
    count = min(_calm(bar, -side), max(LEAST_SLICES, (len(order) + 1) // 2))
    return _only(bar, order[:count])


def _led_across(film: _Film, bar_at: np.ndarray, half: float):
    """XYZ over paper at the film over the bar, its standard uncertainty, and the relative
    change of Y along the bar."""
    paper = film.slices
    log = np.log(np.maximum(paper.xyz, 1e-5))
    # Nearer slices say more of the film on the bar.
    weight = np.exp(-(np.abs(paper.at) - half) / 8.0)
    design = np.stack([np.ones_like(paper.at), paper.at], axis=1)
    if film.one_side:
        design = design[:, :1]
    root = np.sqrt(weight)[:, None]
    solution, *_ = np.linalg.lstsq(design * root, log * root, rcond=None)
    residual = log - design @ solution
    scatter = np.sqrt(np.average(residual**2, axis=0, weights=weight))
    count = weight.sum() ** 2 / (weight**2).sum()
    # Film varies slowly, so neighbouring slices share its error: a third are independent. And
    # film need not run straight from one side to the other.
    error = scatter / np.sqrt(max(1.0, count / 3))
    if film.one_side:
        change = np.full(3, film.step)
        best, error = np.exp(solution[0]), np.hypot(error, ON_NEAR_HALF * film.step)
    else:
        change = np.abs(solution[1]) * 2 * half
        best = np.exp(solution[0] + solution[1] * bar_at.mean())
        error = np.hypot(error, CROOKED * change)
    return best, best * error, float(-np.expm1(-change[1]))


def _darkest_columns(w: Window, part: np.ndarray) -> np.ndarray:
    """The bare bar within ``part``, without what lies beyond the bar's end."""
    if part.sum() < 12:
        return part
    depth = (np.abs(w.v) - w.half_width - BESIDE_MM[0]) / 0.5
    slot = np.clip(depth[part], 0, 12).astype(int) * 2 + (w.v[part] > 0)
    level = medians(w.xyz[part, 1], slot, 26)
    usual = np.nanquantile(level, 0.25) if np.isfinite(level).any() else 0.0
    out = part.copy()
    fit = level < 1.25 * usual + 0.004
    out[part] = fit[slot]
    return out


def _mean_of(slices: _Slices) -> tuple[np.ndarray, np.ndarray]:
    """Mean XYZ over slices and its standard uncertainty (a third count as independent)."""
    n = len(slices.at)
    spread = slices.xyz.std(axis=0, ddof=1) if n > 1 else 0.05 * slices.xyz[0]
    return slices.xyz.mean(axis=0), spread / np.sqrt(max(1.0, n / 3))


def _even(xyz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median XYZ of one bare surface, and its standard uncertainty."""
    middle = np.median(xyz, axis=0)
    spread = 1.4826 * np.median(np.abs(xyz - middle), axis=0)
    # Grain and noise have a reach of some pixels: a tenth count as independent.
    return middle, spread / np.sqrt(max(1.0, len(xyz) / 10))


def _samples(found: _Found, w: Window, correction: Correction, number: int, jpeg: int | None):
    """(m, 4, 3) the ensemble about the best estimates. The four places lie within some
    centimetres, so their light is the same but for ``NEAR_LIGHT``."""
    rng = np.random.default_rng(5000 + number)
    kind = "nominal" if correction.nominal else "shaded" if correction.shaded else "measured"
    count = len(correction.tone_members)
    gain = correction.field.log_gain(found.xy_mm)
    central = correction.xyz_d50(correction.light(found.rgb, found.xy_mm))
    members = correction.ensemble_xyz_d50(found.rgb, gain)
    # As a ratio where there is light, as a difference near black.
    change = members - central
    change = change * np.clip(found.xyz / np.maximum(central, 1e-5), 0.5, 2.0)
    light_sd = float(correction.field.scatter_at(found.xy_mm.mean(axis=0)))
    shake = light_sd * rng.standard_normal((count, 1, 1))
    shake = shake + NEAR_LIGHT * rng.standard_normal((count, 4, 1))
    samples = (found.xyz + change) * np.exp(shake)
    ink = found.xyz[:2, 1]
    apart = MAP_Y[kind] * (1 - ink.min() / ink.max())
    unlike = CARD_Y[kind] * rng.standard_normal((count, 1, 1)) * np.ones((1, 2, 1))
    unlike[:, 0] += apart * rng.standard_normal((count, 1))
    samples[:, :2] = samples[:, :2] * np.exp(unlike)
    samples = samples + found.error * rng.standard_normal((count, 4, 3))
    # Stray light lies over all four alike; it matters where little else is.
    white = found.xyz[2] / found.xyz[2, 1]
    stray = STRAY_Y[kind]
    common = stray * rng.standard_normal((count, 1, 1))
    own = 0.3 * stray * rng.standard_normal((count, 4, 1))
    levels = LAST_LEVEL * rng.standard_normal((count, 4, 3))
    samples = samples + (common + own) * white + levels
    if jpeg is not None:
        lab = xyz_to_lab(found.xyz)
        rounding = jpeg_sd_de(jpeg) * rng.standard_normal((count, 4, 3))
        step = np.einsum("mki,kji->mkj", rounding, np.linalg.inv(local_metric(lab)))
        samples = samples + _xyz_steps(lab, step)
    return np.maximum(samples, 1e-5)


def _xyz_steps(lab: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Steps of Lab (m, 4, 3) about ``lab`` (4, 3), as steps of XYZ."""
    return lab_to_xyz(lab + step) - lab_to_xyz(lab)
