"""Mirrored lamp light on glossy ink or card: how much of it lies where, against ``white``, the
linear RGB of a white in the same light. Theory: README.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

# Standard deviations of what is no glare: of light over a field (share), of a mean of one
# square millimetre (share of white, and of the colour itself).
LIGHT_SD = 0.008
NOISE_SD = 0.0015
NOISE_SHARE = 0.002
DARKEST = 1e-3
# Film varies more from end to end than from place to place: variance, and the bend of its
# run of colour.
FILM_REACH = 100.0
FILM_BEND = 0.03
# How far apart, both ways (cells), two places of one image of a lamp still shine alike: wider than
# streaks and ridges, which run one way.
APART = 3
# Widths (cells) of the two blurs whose difference shows film but no lamp's soft image.
FINE, COARSE = 0.7, 2.0
CALM = 1.2
# A window's image in ink: L* over what film runs leave, how many times what the ink does from one
# millimetre to the next, and how near to white what it adds is (cosine). Rendered strips without a
# window stay below 1.8 or below 9 times; nothing outside speaks for it.
PANES_L, PANES_NOISE, PANES_WHITE, LEAST_PANES = 2.2, 10.0, 0.93, 0.04
# What is narrower across on average (mm), and so many times as long, is a streak along the pull.
# Of strips without a window, 4 in 100 scenes had patches of up to 52 square millimetres left, one
# 74; rendered windows have 108 and more.
STREAK_WIDE, STREAK_LONG, LEAST_PANES_MM2 = 4.0, 2.0, 60


@dataclass(frozen=True, eq=False)
class GlareField:
    """``level`` (h, w) float32, mirrored light as a share of white, smooth, above the place
    where there is least of it (0 outside ``known`` (h, w) bool). What of it no film does that runs
    evenly out along the pull, or in lines, has the range ``span``; ``sd`` is the standard
    uncertainty of a difference between two places; ``likeness`` -1..1 how like each other places
    are that lie apart both along and across: lines of a film are not, a lamp's image is.
    """

    level: np.ndarray = field(repr=False)
    known: np.ndarray = field(repr=False)
    span: float
    sd: float
    likeness: float


def glare_share(
    rgb: np.ndarray,
    reference_rgb: np.ndarray,
    white_rgb: np.ndarray,
    body_covariance: np.ndarray | None = None,
) -> tuple[np.ndarray, float]:
    """Mirrored light m >= 0 of every pixel as a share of white, and its standard uncertainty.

    ``rgb`` (..., 3) linear; ``reference_rgb`` (3,) the body without glare, such as the
    median or the darker quartile of the same field; ``white_rgb`` (3,) the lamp's colour:
    a white in the same light. ``body_covariance`` (3, 3), relative to white: what the body
    does by itself; by default only uneven light and noise, as on a printed card.
    """
    white = np.asarray(white_rgb, float)
    body = np.maximum(np.asarray(reference_rgb, float) / white, DARKEST)
    weights, sd = _weights(body, body_covariance)
    off = np.asarray(rgb, np.float32) / white.astype(np.float32) - body.astype(np.float32)
    return np.maximum(off @ weights.astype(np.float32), 0.0), sd


def _weights(body: np.ndarray, covariance: np.ndarray | None) -> tuple[np.ndarray, float]:
    """(3,) such that a deviation times it is the best estimate of m, and its sd."""
    total = np.diag((NOISE_SD + NOISE_SHARE * body) ** 2) + LIGHT_SD**2 * np.outer(body, body)
    if covariance is not None:
        total = total + covariance
    lamp = np.linalg.solve(total, np.ones(3))
    return lamp / lamp.sum(), float(1 / np.sqrt(lamp.sum()))


def film_covariance(rgb: np.ndarray, known: np.ndarray) -> np.ndarray:
    """(3, 3): how a film's colour runs with its thickness, seen in the strip itself.

    Ridges, streaks and grain are small, the image of a lamp is not: the main direction of
    the small-scale variation is the film's. To it comes the bend of that run for larger
    changes of film, from Beer's law: a film t times as thick has the colour body ** t, whose
    second derivative is body * ln(body)^2."""
    inner = cv2.erode(known.view(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    if inner.sum() < 20:
        inner = known
    small = (blurred(rgb, known, FINE) - blurred(rgb, known, COARSE))[inner].astype(float)
    size = np.linalg.norm(small, axis=1)
    small = small[size <= np.quantile(size, 0.95)]
    values, vectors = np.linalg.eigh(small.T @ small / len(small))
    run = vectors[:, 2]
    body = np.clip(np.median(rgb[known], axis=0).astype(float), DARKEST, 0.98)
    bend = FILM_BEND * body * np.log(body) ** 2
    return FILM_REACH * (values[2] - values[1]) * np.outer(run, run) + np.outer(bend, bend)


def find_glare(rgb: np.ndarray, known: np.ndarray) -> GlareField:
    """The image of a lamp in one strip of ink.

    ``rgb`` (h, w, 3) float32 relative to white, cells of about 1 mm, the long side of the
    strip down; ``known`` (h, w) bool, cells that are all ink, thick start and thin end left
    out. Nothing can be said about glare that lies evenly over all of it."""
    if known.sum() < 40:
        return GlareField(np.zeros(known.shape, np.float32), known, 0.0, np.inf, 0.0)
    calm = blurred(rgb, known, CALM)
    body = np.maximum(np.median(calm[known], axis=0), DARKEST).astype(float)
    weights, sd = _weights(body, film_covariance(rgb, known))
    mirrored = np.where(known, (calm - body) @ weights, np.nan)
    image = _without_runs(mirrored)
    soft = blurred(np.nan_to_num(image)[..., None].astype(np.float32), known, FINE)[..., 0]
    span = float(np.ptp(np.quantile(soft[known], [0.03, 0.97])))
    level = np.where(known, np.maximum(mirrored - np.quantile(mirrored[known], 0.1), 0), 0)
    return GlareField(level.astype(np.float32), known, span, sd, _likeness(image))


def _without_runs(values: np.ndarray) -> np.ndarray:
    """What is left (h, w), nan where unknown, once an even run along the pull and the lines
    along it are taken out. The run is a line through the middles of the rows, which places that
    shine pull little (Cauchy's weights)."""
    row = np.nanmedian(values[(rows := np.isfinite(values).any(axis=1))], axis=1)
    along = np.arange(len(values)) / len(values) - 0.5
    terms = np.stack([np.ones_like(along), along], axis=1)
    weight = np.ones(len(row))
    line = np.zeros(2)
    for _ in range(5):
        a = terms[rows] * weight[:, None]
        line = np.linalg.lstsq(a, row * weight, rcond=None)[0]
        off = np.abs(row - terms[rows] @ line)
        weight = 1 / np.sqrt(1 + (off / (3 * np.median(off) + 1e-6)) ** 2)
    left = values - (terms @ line)[:, None]
    for _ in range(2):
        left = left - _middles(left, 0)
    return np.asarray(left)


def _likeness(image: np.ndarray) -> float:
    """Correlation of an image (h, w), nan where unknown, with itself ``APART`` away both ways."""
    pairs = [(image[APART:, APART:], image[:-APART, :-APART]),
             (image[APART:, :-APART], image[:-APART, APART:])]  # fmt: skip
    products = np.concatenate([(one * other).ravel() for one, other in pairs])
    if not np.isfinite(products).any():
        return 0.0
    return float(np.nanmean(products) / max(float(np.nanvar(image)), 1e-12))


def find_panes(rgb: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, float] | None:
    """The mirror image of a window in one strip of ink: where it shines (h, w) bool, and by how
    much, as a share of white. None where there is none; cells as for ``find_glare``.

    A film may run along the pull and from line to line across it. What is left once both runs are
    taken out, is larger than what the film does from one millimetre to the next, and adds the
    lamp's colour, is no film."""
    if known.sum() < 40:
        return None
    calm = blurred(rgb, known, FINE)
    root = np.cbrt(np.maximum(calm.mean(axis=2), DARKEST)) * 116.0  # L* of a grey, about
    light = np.where(known, root, np.nan)
    left = light.copy()
    for _ in range(3):
        for axis in (0, 1):
            left = left - _middles(left, axis)
    small = (np.cbrt(np.maximum(rgb.mean(axis=2), DARKEST)) * 116.0 - root)[known]
    grain = 3.14 * float(np.quantile(np.abs(small), 0.25))  # edges of panes are many
    span = float(np.ptp(np.quantile(left[known], [0.03, 0.97])))
    if span < max(PANES_L, PANES_NOISE * grain):
        return None
    level = _between(light[known])
    lit = (known & (root > level)).view(np.uint8)
    for kernel in ((1, 3), (3, 1)):  # what is narrower is a streak
        lit = cv2.morphologyEx(lit, cv2.MORPH_OPEN, np.ones(kernel, np.uint8))
    _, label, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=4)
    long, area = stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_AREA]
    streak = (area < STREAK_WIDE * long) & (area < long**2 / STREAK_LONG)
    lit = (label > 0) & ~streak[label]
    if lit.sum() < max(LEAST_PANES * known.sum(), LEAST_PANES_MM2) or not (known & ~lit).any():
        return None
    added = calm[lit].mean(axis=0) - calm[known & ~lit].mean(axis=0)
    if added.min() <= 0 or added.sum() / np.sqrt(3) < PANES_WHITE * np.linalg.norm(added):
        return None
    return lit, float(added.mean())


def _middles(values: np.ndarray, axis: int) -> np.ndarray:
    """Medians along an axis of what is known (not nan), 0 where nothing is."""
    empty = np.isnan(values).all(axis=axis, keepdims=True)
    filled = np.where(empty, 0.0, values)
    return np.asarray(np.nanmedian(filled, axis=axis, keepdims=True))


def _between(values: np.ndarray) -> float:
    """The level that parts values in two (Otsu 1979, IEEE Trans. SMC 9, 62)."""
    ordered = np.sort(values)
    n = np.arange(1, len(ordered))
    low = np.cumsum(ordered)[:-1] / n
    high = (ordered.sum() - low * n) / (len(ordered) - n)
    k = int(np.argmax(n * (len(ordered) - n) * (high - low) ** 2))
    return float((ordered[k] + ordered[k + 1]) / 2)


def blurred(rgb: np.ndarray, known: np.ndarray, width: float) -> np.ndarray:
    """A Gaussian blur that looks at known cells alone."""
    weight = known.astype(np.float32)
    mode = {"sigmaX": width, "borderType": cv2.BORDER_REFLECT}
    share = cv2.GaussianBlur(weight, (0, 0), **mode)
    total = cv2.GaussianBlur(rgb * weight[..., None], (0, 0), **mode)
    return total.reshape(rgb.shape) / np.maximum(share, 1e-6)[..., None]
