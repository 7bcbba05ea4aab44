"""The lamp's field over the sheet, from card whites and from any even light surface."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz
from calibration.correction.even_surfaces import LightSamples, even_surfaces
from calibration.correction.grid import look_up, spread_out
from calibration.correction.patches import PatchReadings
from calibration.locate.sheet import Sheet
from calibration.uncertainty.gauss_newton import Normal, biweight, reweighed
from calibration.uncertainty.intervals import robust_sd

CELL_MM = 4.0
SAME_LEVEL = 0.04
# Prior sizes, in log light per 100 mm and per (100 mm)^2, of what all channels have in common;
# a lamp's colour changes less than its strength.
SLOPE_SD, BEND_SD, TINT_SHARE = 0.35, 0.08, 0.2
FREE = 30.0  # no level is so far off
# A card is not quite flat, nor does it lie in the plane of the paper: its light has slopes and
# bends of its own. From how far the paper's light is off the patches' in 15 real photographs.
OWN_SLOPE_SD, OWN_BEND_SD = 0.1, 0.05
SHAPES = 5  # x, y and their products
# What the channels have in common, and two tints: orthonormal rows.
TINTS = np.linalg.qr(np.array([[1.0, 1, 1], [1, 0, -1], [1, -2, 1]]).T)[0].T
MOST_LOG_GAIN = 1.0
FINE_MM = 1.5
WHITE_SD, CELL_SD = 0.006, 0.03
# So many cells beside each other miss by the same: square root of their number.
CELLS_AS_ONE = 6.0


@dataclass(frozen=True, eq=False, repr=False)
class LampField:
    """Relative light over the sheet: ``log_gain`` per channel is a quadratic in position
    (``coefficients`` (SHAPES, 3)) plus a smoothed remainder on the grid of cells. ``precision``
    (3, SHAPES, SHAPES) says how well the coefficients are known, in each of ``TINTS``, the
    prior included. ``own`` (SHAPES, 3) are the coefficients of what the card shows beyond that,
    for it does not lie just as the paper does. ``scatter`` is the robust standard deviation of
    what is left, in log light; ``local_scatter`` the same as a map on the cells.
    ``beyond_card_log`` (3,) is how much more light (in log) falls beside the card than on it: a
    card in its own shade."""

    centre_mm: tuple[float, float]
    coefficients: np.ndarray
    precision: np.ndarray
    own: np.ndarray
    remainder: np.ndarray
    local_scatter: np.ndarray
    cell_origin_mm: tuple[float, float]
    cell_mm: float
    scatter: float
    beyond_card_log: np.ndarray | float = 0.0
    card: CardDefinition | None = None

    def log_gain(self, xy_mm: np.ndarray) -> np.ndarray:
        """(..., 2) millimetres -> (..., 3) natural log of the light, 0 on the card on average."""
        xy = np.asarray(xy_mm, dtype=float)
        # Where no light was sampled a quadratic may run away.
        out = np.clip(self._uncut(xy), -MOST_LOG_GAIN, MOST_LOG_GAIN)
        if self.card is None:
            return out
        on = on_card(xy, self.card, 0.0)[..., None]
        return out + np.where(on, self.shapes(xy) @ self.own, self.beyond_card_log)

    def _uncut(self, xy_mm: np.ndarray) -> np.ndarray:
        return self.shapes(xy_mm) @ self.coefficients + self.remainder_log(xy_mm)

    def is_cut(self, xy_mm: np.ndarray) -> np.ndarray:
        """(..., 2) -> (...,) whether the light there is beyond what is believed."""
        return np.asarray((np.abs(self._uncut(xy_mm)) > MOST_LOG_GAIN).any(axis=-1))

    def shapes(self, xy_mm: np.ndarray) -> np.ndarray:
        """(..., 2) -> (..., SHAPES) what the coefficients are multiplied by at a place."""
        return _basis(np.asarray(xy_mm, dtype=float), self.centre_mm)[..., 1:]

    def remainder_log(self, xy_mm: np.ndarray) -> np.ndarray:
        """(..., 2) -> (..., 3) log light beyond the quadratic."""
        if not self.remainder.size:
            return np.zeros((*np.shape(xy_mm)[:-1], 3))
        return look_up(self.remainder, xy_mm, self.cell_origin_mm, self.cell_mm)

    def scatter_at(self, xy_mm: np.ndarray) -> np.ndarray:
        """(..., 2) -> (...,) standard uncertainty of the log light at a place."""
        if not self.local_scatter.size:
            return np.full(np.asarray(xy_mm).shape[:-1], self.scatter)
        local = self.local_scatter[..., None]
        return look_up(local, np.asarray(xy_mm, dtype=float), self.cell_origin_mm, self.cell_mm)[
            ..., 0
        ]

    def picture(self, sheet: Sheet) -> np.ndarray:
        """(h, w, 3) float32 light relative to the card over the whole sheet."""
        step = 8
        x, y = sheet.grid_mm()
        coarse = np.stack(np.meshgrid(x[::step], y[::step]), axis=-1)
        gain = np.exp(self.log_gain(coarse)).astype(np.float32)
        rows, columns = sheet.shape
        matrix = np.array([[1 / step, 0, 0], [0, 1 / step, 0]], dtype=float)
        return cv2.warpAffine(
            gain,
            matrix,
            (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )


def flatten(sheet: Sheet, field: LampField) -> Sheet:
    """The sheet as if the light were everywhere as on the card."""
    return replace(sheet, rgb_linear=sheet.rgb_linear / field.picture(sheet))


def _basis(xy_mm: np.ndarray, centre_mm: tuple[float, float]) -> np.ndarray:
    p = (xy_mm - np.asarray(centre_mm)) / 100.0
    x, y = p[..., 0], p[..., 1]
    # Far from the card the quadratic is held back: it was not seen there.
    x, y = 3 * np.tanh(x / 3), 3 * np.tanh(y / 3)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def sample_light(sheet: Sheet, card: CardDefinition, readings: PatchReadings) -> LightSamples:
    """Where the light can be read: usable white patches and even cells off the card."""
    white = card.with_role("white") & readings.usable
    rgb_white, xy_white = readings.rgb[white], readings.centre_mm[white]
    if not white.any():
        # A chart without usable whites: its lightest usable grey stands in, alone, scaled to
        # what white would have been there.
        lab = card.expected_lab_d50
        lightness = np.where(readings.usable, lab[:, 0] - np.hypot(lab[:, 1], lab[:, 2]), -1e3)
        best = int(lightness.argmax())
        share = np.linalg.solve(SRGB_TO_XYZ_D50, lab_to_xyz(lab[best]))
        rgb_white = readings.rgb[best : best + 1] / np.clip(share, 0.02, None)
        xy_white = readings.centre_mm[best : best + 1]
    k = max(2, round(CELL_MM * sheet.px_per_mm))
    rows, columns = sheet.shape[0] // k, sheet.shape[1] // k
    picture = sheet.rgb_linear[: rows * k, : columns * k]

    def cell_mean(values: np.ndarray) -> np.ndarray:
        return cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA)

    mean = cell_mean(picture).astype(float)
    luma = picture[..., 1]
    luma_mean = cell_mean(luma).astype(float)
    # Only what is sharper than a shadow's edge counts as structure.
    fine = luma - cv2.GaussianBlur(luma, (0, 0), FINE_MM * sheet.px_per_mm)
    spread = np.sqrt(cell_mean(fine * fine).astype(float)) / np.maximum(luma_mean, 1e-6)
    inside = cell_mean(sheet.inside[: rows * k, : columns * k].astype(np.float32)) > 0.99
    clipped = cell_mean(sheet.clipped[: rows * k, : columns * k]) > 0.02
    cell_mm = k / sheet.px_per_mm
    origin = sheet.origin_mm
    x = origin[0] + (np.arange(columns) + 0.5) * cell_mm
    y = origin[1] + (np.arange(rows) + 0.5) * cell_mm
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    level = np.log(np.maximum(mean, 1e-5)) - np.log(np.median(rgb_white, axis=0))
    middle = level.mean(axis=-1)
    bland = np.abs(level - middle[..., None]).max(axis=-1) < 0.5
    usable = inside & ~clipped & bland & (middle > -1.3) & (middle < 1.2) & ~on_card(grid, card)
    if usable.any():
        usable &= spread < max(0.02, 1.6 * float(np.quantile(spread[usable], 0.35)))
    index = np.full((rows, columns), -1)
    index[usable] = len(rgb_white) + np.arange(int(usable.sum()))
    surface = np.concatenate([np.zeros(len(rgb_white), int), np.full(int(usable.sum()), -1)])
    samples = LightSamples(
        rgb=np.concatenate([rgb_white, mean[usable]]),
        xy_mm=np.concatenate([xy_white, grid[usable]]),
        surface=surface,
        cells=index,
        cell_origin_mm=origin,
        cell_mm=cell_mm,
    )
    surface, count = even_surfaces(samples)
    return replace(samples, surface=_merge_alike(replace(samples, surface=surface), count))


def on_card(xy_mm: np.ndarray, card: CardDefinition, margin_mm: float = 4.0) -> np.ndarray:
    """(..., 2) -> (...,) True on the card or within a margin of it; its window is not card."""
    width, height = card.size_mm
    x, y = xy_mm[..., 0], xy_mm[..., 1]
    m = margin_mm
    on = (x > -m) & (y > -m) & (x < width + m) & (y < height + m)
    if card.window_mm is not None:
        a, b, w, h = card.window_mm
        on &= ~((x > a + m) & (y > b + m) & (x < a + w - m) & (y < b + h - m))
    return on


def _design(samples: LightSamples, centre_mm: tuple[float, float], count: int) -> np.ndarray:
    """Quadratic basis and one column per surface beyond the card's white."""
    level = np.zeros((len(samples.surface), count))
    for s in range(1, count + 1):
        level[samples.surface == s, s - 1] = 1.0
    return np.concatenate([_basis(samples.xy_mm, centre_mm), level], axis=1)


def _centre(samples: LightSamples) -> tuple[float, float]:
    x, y = samples.xy_mm[samples.surface == 0].mean(axis=0)
    return float(x), float(y)


def _merge_alike(samples: LightSamples, count: int) -> np.ndarray:
    """Give surfaces of nearly the same level one number."""
    surface = samples.surface.copy()
    if count < 2:
        return surface
    theta, _, _ = _solve(samples, np.log(samples.rgb), _centre(samples), count)
    levels = theta[6:]
    new = np.arange(count + 1)
    for second in range(1, count):
        for first in range(second):
            if np.abs(levels[first] - levels[second]).max() < SAME_LEVEL:
                new[second + 1] = new[first + 1]
                break
    used = {old: i for i, old in enumerate(sorted(set(new[1:])), start=1)}
    on = surface > 0
    surface[on] = [used[new[s]] for s in surface[on]]
    return surface


def _solve(
    samples: LightSamples, values: np.ndarray, centre_mm: tuple[float, float], count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Robust ridge fit of field and surface levels: (6 + count, 3), the precision of the field's
    shapes in each of ``TINTS`` (3, SHAPES, SHAPES), and weights (n,)."""
    chosen = samples.surface >= 0
    design = _design(samples, centre_mm, count)[chosen]
    target = values[chosen] @ TINTS.T
    white = samples.surface[chosen] == 0
    precision = np.where(white, WHITE_SD**-2, CELL_SD**-2)

    def weigh(left: np.ndarray) -> np.ndarray:
        miss = np.sqrt(np.mean(left**2, axis=1))
        weight = biweight(miss, 4.5 * max(0.004, robust_sd(miss)))
        return precision * np.where(white, np.maximum(weight, 0.3), weight)

    priors = [
        Normal.of_sds(np.array([FREE, *np.sqrt(v), *[FREE] * count]))
        for v in _variances(SLOPE_SD, BEND_SD)
    ]
    common, weight = reweighed(design, target[:, :1], priors[0], weigh, precision)
    # Cells of a paper that is not even, or does not lie flat, miss together.
    left = robust_sd((target[:, 0] - design @ common[:, 0])[~white]) / np.sqrt(3)
    alone = np.where(white, 1.0, min(1.0, CELL_SD / (CELLS_AS_ONE * left)) ** 2)
    theta, shapes = np.zeros((design.shape[1], 3)), np.zeros((3, SHAPES, SHAPES))
    for k, prior in enumerate(priors):
        rows = design.T * weight
        theta[:, k] = np.linalg.solve(rows @ design + prior.precision, rows @ target[:, k])
        about = np.linalg.inv((rows * alone) @ design + prior.precision)
        shapes[k] = np.linalg.inv(about[1 : 1 + SHAPES, 1 : 1 + SHAPES])
    full = np.zeros(len(values))
    full[chosen] = weight
    return theta @ TINTS, shapes, full


def _variances(slope: float, bend: float) -> np.ndarray:
    """(3, SHAPES) of the coefficients in each of ``TINTS``, from standard deviations in log light
    that all channels have in common."""
    sds = np.array([slope, slope, bend, bend, bend])
    return 3 * np.outer([1.0, TINT_SHARE**2, TINT_SHARE**2], sds**2)


def light_on_card(
    field: LampField, samples: LightSamples, light: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What paper and whites say of the light on the card: coefficients (3, SHAPES) in each of
    ``TINTS``, their precision (3, SHAPES, SHAPES), and how far the paper's light follows when the
    card's turns out otherwise (3, SHAPES, SHAPES)."""
    mean = TINTS @ field.coefficients.T
    around = np.linalg.inv(field.precision)
    both = around + np.stack([np.diag(v) for v in _variances(OWN_SLOPE_SD, OWN_BEND_SD)])
    precision = np.linalg.inv(both)
    follow = around @ precision
    white = samples.surface == 0
    shapes = field.shapes(samples.xy_mm[white])
    shapes = shapes - shapes.mean(axis=0)
    values = np.log(np.maximum(light[white], 1e-6)) @ TINTS.T
    known = shapes.T @ shapes / WHITE_SD**2
    told = np.einsum("ns,nk->ks", shapes, values - values.mean(axis=0)) / WHITE_SD**2
    told = told + np.einsum("kst,kt->ks", precision, mean)
    precision = precision + known
    return np.linalg.solve(precision, told[..., None])[..., 0], precision, follow


def fit_field(samples: LightSamples, light: np.ndarray, *, paper_only: bool = False) -> LampField:
    """The lamp field from readings ``light`` (n, 3): the samples' RGB in whatever linear
    measure the caller trusts (as photographed, or after the tone curve is undone);
    ``paper_only`` leaves out the card's whites."""
    values = np.log(np.maximum(light, 1e-6))
    centre = _centre(samples)
    count = max(0, int(samples.surface.max()))
    if paper_only:
        surface = np.where(samples.surface == 0, -1, samples.surface)
        samples = replace(samples, surface=surface)
    theta, precision, weight = _solve(samples, values, centre, count)
    residual = values - _design(samples, centre, count) @ theta
    remainder, local_scatter, scatter = _remainder(samples, residual, weight)
    return LampField(
        centre_mm=centre,
        coefficients=theta[1 : 1 + SHAPES],
        precision=precision,
        own=np.zeros((SHAPES, 3)),
        remainder=remainder,
        local_scatter=local_scatter,
        cell_origin_mm=samples.cell_origin_mm,
        cell_mm=samples.cell_mm,
        scatter=scatter,
    )


def _remainder(
    samples: LightSamples, residual: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """What the samples (n,) show beyond the quadratic, ``residual`` (n, 3), smoothed on the cells;
    its standard uncertainty there, and all in all. Empty maps where no cell is known."""
    good = (samples.surface >= 0) & (weight > 0)
    scatter = 0.01
    if good.sum() > 3:
        scatter = max(0.002, robust_sd(residual[good].mean(axis=1)))
    cells = samples.cells
    if not (cells >= 0).any():
        return np.zeros((0, 0, 3)), np.zeros((0, 0)), scatter
    # Also the cells that the robust fit set aside: a shadow is light like any other.
    on = (cells >= 0) & (samples.surface[cells] > 0)
    seen = np.where(on[..., None], residual[cells], 0.0)
    remainder, local = spread_out(seen, on, samples.cell_mm, scatter)
    return remainder, local, float(np.median(local[on])) if on.any() else scatter
