"""Which inks to add and how much (at most two, never negative, as little as does it), and what
comes of it: colour, distance, their spread, and other lamps.

All inks and all pairs of the shelf are tried at once at the most probable state of the
model; the best few are then judged over its samples.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import UnderLamp, under_lamps
from calibration.uncertainty.intervals import K95, half_width, quantiles, shortest_interval
from drawdown.ink.forward import film_slopes, spectrum_of_film
from drawdown.matching.batch_history import Reading
from drawdown.matching.batch_model import Fit

MAX_SHARE = 4.0  # of the batch's weight: beyond that it is another ink
# Prices in Delta E, our own judgement: what a longer or heavier advice must be better by.
PRICE_PER_SHARE = 6.0  # the first parts: one in 100 costs 0.06
DEAREST = 1.0  # what no amount costs more than: a heavy addition is better than none that helps
PRICE_SECOND_INK = 0.3
PRICE_NEW_INK = 0.30  # an ink that is not in the mix
# What counts is to be well within tolerance: up to this share of it the distance is free, but
# for a little.
FREE, NEAR = 0.5, 0.2
PRICE_UNASKED = 1.0  # white where it may be base that thins the batch, or the other way
LADDER = np.array([0.0005, 0.002, 0.006, 0.015, 0.04, 0.1, 0.25, 0.6, 1.5])
SCALES = np.array([0.35, 0.5, 0.7, 0.85, 1.0])
TURNS = 5
MOST_USEFUL = 9
KEEP = 12  # candidates that are judged over all samples
FIRST_QUANTILE = 0.25


@dataclass(frozen=True, eq=False)
class Option:
    """One way to go: ``added`` (n,) shares of the batch's weight; ``rms_de00`` the expected
    (root mean square) distance afterwards; ``score`` the same with the prices."""

    added: np.ndarray
    rms_de00: float
    score: float
    within: float  # probability that it is then within tolerance
    first_share: float  # how much of it is safe to add first


def _refine(
    model: Fit, inks: np.ndarray, start: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Newton for many combinations at once in each most probable state (h): ``inks``
    (h, c, 2) places on the shelf, ``start`` (h, c, 2) shares, ``root`` (3, 3) with
    root.T @ root the metric. Gives the shares (h, c, 2) and the square distance (h, c)."""
    head = np.arange(model.heads)[:, None, None]
    k, s = model.k[head, inks], model.s[head, inks]  # (h, c, 2, 31)
    batch = model.batch_parts[: model.heads, None]
    k0, s0 = batch @ model.k[: model.heads], batch @ model.s[: model.heads]  # (h, 1, 31)
    film = model.film_original[: model.heads, None, None]
    target = model.target[: model.heads, None]
    amount = start.copy()
    best, best_square = amount.copy(), np.full(amount.shape[:2], np.inf)
    for turn in range(TURNS + 1):
        whole = 1 + amount.sum(axis=-1)[..., None]
        k_mix = (k0 + (amount[..., None, :] @ k)[..., 0, :]) / whole
        s_mix = (s0 + (amount[..., None, :] @ s)[..., 0, :]) / whole
        now, by_k, by_s, _ = film_slopes(k_mix, s_mix, film, model.ground)
        gap = (target - now) @ root.T
        square = (gap**2).sum(axis=-1)
        better = square < best_square
        best[better], best_square[better] = amount[better], square[better]
        if turn == TURNS:
            break
        by_amount = (k - k_mix[..., None, :]) @ by_k + (s - s_mix[..., None, :]) @ by_s
        by_amount = by_amount / whole[..., None] @ root.T  # (h, c, 2, 3)
        amount = _step(amount, by_amount[..., 0, :], by_amount[..., 1, :], gap)
    return best, best_square


def _step(amount: np.ndarray, a: np.ndarray, b: np.ndarray, gap: np.ndarray) -> np.ndarray:
    """The next two amounts (..., 2) from their effects a, b (..., 3) on the gap (..., 3):
    least squares with neither below zero, and not too far at once."""
    aa, bb, ab = ((u * v).sum(axis=-1) for u, v in ((a, a), (b, b), (a, b)))
    aa, bb = aa + 1e-12, bb + 1e-12
    ga = (a * gap).sum(axis=-1) + aa * amount[..., 0] + ab * amount[..., 1]
    gb = (b * gap).sum(axis=-1) + bb * amount[..., 1] + ab * amount[..., 0]
    det = aa * bb - ab * ab
    safe = det > 1e-9 * aa * bb
    x = np.where(safe, (bb * ga - ab * gb) / np.where(safe, det, 1), -1)
    y = np.where(safe, (aa * gb - ab * ga) / np.where(safe, det, 1), -1)
    only_a, only_b = np.maximum(ga / aa, 0), np.maximum(gb / bb, 0)
    inside = (x >= 0) & (y >= 0)
    take_a = ga * only_a >= gb * only_b
    x = np.where(inside, x, np.where(take_a, only_a, 0))
    y = np.where(inside, y, np.where(take_a, 0, only_b))
    aim = np.stack([x, y], axis=-1)
    near = np.clip(aim, 0.3 * amount, 3 * amount + 0.02)
    return np.clip(np.where(aim < 1e-5, aim, near), 0, MAX_SHARE)


def _candidates(model: Fit, in_mix: np.ndarray, dear: np.ndarray, root: np.ndarray) -> np.ndarray:
    """Additions (c, n) of one or two inks that suit the most probable states."""
    h, n = model.heads, model.k.shape[1]
    # One ink each, over a ladder of amounts; the best rung is the start for the rest.
    added = np.zeros((n * LADDER.size, n))
    added[np.arange(n * LADDER.size), np.repeat(np.arange(n), LADDER.size)] = np.tile(LADDER, n)
    gap = _gaps(model, added, root, slice(0, h))
    square = (gap**2).sum(axis=2).reshape(h, n, -1)
    start = LADDER[square.argmin(axis=2)]
    # With several recipes, only pairs of inks that are used or that help alone.
    rank = square.min(axis=2)
    if h > 1:
        rank = np.where(in_mix | (model.batch_parts[:h] > 0), rank - 1e6, rank)
    useful = rank.argsort(axis=1)[:, : n if h == 1 else MOST_USEFUL]
    first, second = np.triu_indices(useful.shape[1], 1)
    single = np.broadcast_to(np.arange(n)[None, :, None], (h, n, 2))
    pair = np.stack([useful[:, first], useful[:, second]], axis=-1)
    inks = np.concatenate([single, pair], axis=1)
    begin = np.take_along_axis(start, inks.reshape(h, -1), axis=1).reshape(inks.shape) / 2
    amount, square = _refine(model, inks, begin, root)
    added = np.zeros((h, inks.shape[1], n))
    np.add.at(added, (np.arange(h)[:, None, None], np.arange(inks.shape[1])[:, None], inks), amount)
    quick = np.sqrt(square) + _price(added, dear)
    keep = KEEP if h == 1 else KEEP // 2
    few = np.concatenate(
        [quick[:, :n].argsort(axis=1)[:, : keep // 2], n + quick[:, n:].argsort(axis=1)[:, :keep]],
        axis=1,
    )
    return np.take_along_axis(added, few[..., None], axis=1).reshape(-1, n)


def _price(added: np.ndarray, dear: np.ndarray) -> np.ndarray:
    used = added > 0
    return np.asarray(
        DEAREST * (1 - np.exp(-PRICE_PER_SHARE / DEAREST * added.sum(axis=-1)))
        + PRICE_SECOND_INK * np.maximum(used.sum(axis=-1) - 1, 0)
        + (used * dear).sum(axis=-1)
    )


def _gaps(model: Fit, added: np.ndarray, root: np.ndarray, rows: slice = slice(None)) -> np.ndarray:
    """(r, c, 3) what is left between the original and the batch with ``added``, in Delta E."""
    return np.asarray((model.target[rows][:, None] - model.lab_with(added, rows)) @ root.T)


def search(
    model: Fit, in_mix: np.ndarray, root: np.ndarray, tolerance: float = 2.0,
    unasked: np.ndarray | None = None,
) -> list[Option]:  # fmt: skip
    """The worthwhile options, best score first; one of them is to add nothing.

    ``in_mix`` (n,) bool: inks that are in the mix; ``root`` (3, 3) the local metric;
    ``unasked`` (n,) bool: white or base that a guessed mix may be wrong about.
    """
    dear = np.where(in_mix, 0.0, PRICE_NEW_INK)
    if unasked is not None:
        dear = dear + PRICE_UNASKED * unasked
    n = model.k.shape[1]
    found = _candidates(model, in_mix, dear, root)
    found = found[found.any(axis=1)]
    if model.heads > 1:
        # Judged over the recipes' most probable states, the best few go on.
        odds = model.weight[model.heads :].reshape(model.heads, -1).sum(axis=1)
        square = (_gaps(model, found, root, slice(0, model.heads)) ** 2).sum(axis=2)
        found = found[(np.sqrt(odds @ square) + _price(found, dear)).argsort()[: KEEP * 2 // 3]]

    # Over the samples: the whole of it, or less where the model is unsure.
    rows, weight = slice(model.heads, None), model.weight[model.heads :]
    trial = (found[:, None, :] * SCALES[:, None]).reshape(-1, n)
    gaps = _gaps(model, np.vstack([np.zeros((1, n)), trial]), root, rows)
    square = (gaps**2).sum(axis=2)
    within = weight @ (square <= tolerance**2)
    rms = np.sqrt(weight @ square)
    over = np.maximum(np.sqrt(square) - FREE * tolerance, 0)
    aim = NEAR * rms + (1 - NEAR) * np.sqrt(weight @ over**2)
    before = Option(np.zeros(n), float(rms[0]), float(aim[0]), float(within[0]), 0.0)
    # All of it is what comes nearest; the least that scores as well is enough to begin with.
    price = _price(trial, dear)
    score = (aim[1:] + price).reshape(len(found), SCALES.size)
    pick = rms[1:].reshape(score.shape).argmin(axis=1)
    enough = SCALES[score.argmin(axis=1)] / SCALES[pick]
    at = np.arange(len(found)) * SCALES.size + pick
    chosen = trial[at]
    half = _gaps(model, chosen * 0.5, root, rows)
    whole = gaps[:, 1 + at]
    # For each sample, the share of the addition that suits it best (a straight line through
    # half and whole is near enough); most samples should want at least what goes in first.
    move, at_zero = 2 * (half - whole), 2 * half - whole
    share = (move * at_zero).sum(axis=2) / np.maximum((move * move).sum(axis=2), 1e-9)
    options = [before]
    for i in range(len(found)):
        order = np.argsort(share[:, i])
        place = int(np.searchsorted(np.cumsum(weight[order]), FIRST_QUANTILE))
        first = float(share[order[min(place, len(order) - 1)], i])
        options.append(
            Option(
                chosen[i], float(rms[1 + at[i]]), float(score[i].min()),
                float(within[1 + at[i]]), min(first, float(enough[i])),
            )
        )  # fmt: skip
    return sorted(options, key=lambda option: option.score)


# What comes of an addition --------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Outcome:
    """``lab`` (3,) the batch afterwards, pulled as thick as the original; ``u95`` (3,) the
    half width of the central 95 % of the model's samples; ``de00`` the distance then, and
    ``de00_high95`` what 95 % of the samples stay below; ``de00_equal_film`` the probable
    distance now if both films were alike."""

    lab: np.ndarray
    u95: np.ndarray
    de00: float
    de00_high95: float
    de00_equal_film: float


def predict(model: Fit, data: Reading, added: np.ndarray) -> Outcome:
    """What the batch with ``added`` (n,) should come to, from the measured batch and the
    model's change; the spread from the samples."""
    labs = model.lab_with(np.stack([added, 0 * added]))  # (r, 2, 3)
    # What the model leaves of the difference, laid off from the original as it was measured.
    after, equal_film = (data.lab_original - (model.target - labs[:, i]) for i in (0, 1))
    lab = after[0] if added.any() else data.lab_batch
    others, weight = slice(model.heads, None), model.weight[model.heads :]
    everything = np.vstack([lab, equal_film[0], after[others]])
    de00 = delta_e_2000(np.broadcast_to(data.lab_original, everything.shape), everything)
    if not added.any():  # no model is needed for what was measured
        u95 = K95 * np.sqrt(np.diag(data.covariance)[3:])
        return Outcome(lab, u95, float(de00[0]), high_now(data), float(de00[1]))
    u95 = np.array([half_width(after[others, i], weight) for i in range(3)])
    high = max(float(quantiles(de00[2:], 0.95, weight)), float(de00[0]))
    return Outcome(lab, u95, float(de00[0]), high, float(de00[1]))


def interval(model: Fit, data: Reading, added: np.ndarray) -> tuple[float, float]:
    """The shortest interval that holds 95 % of the samples of the distance at equal film once
    ``added`` is in. (Distances are skewed, near nothing most of all.)"""
    left = (model.target - model.lab_with(added[None])[:, 0])[model.heads :]
    de00 = delta_e_2000(np.broadcast_to(data.lab_original, left.shape), data.lab_original - left)
    weight = model.weight[model.heads :]
    return shortest_interval(de00, weight)


def other_lamps(
    model: Fit, added: np.ndarray, more: Mapping[str, np.ndarray] = MappingProxyType({})
) -> tuple[UnderLamp, ...]:
    """The distance between original and the batch with ``added`` under other lamps, ``more`` of
    them by name with their weights."""
    rows = np.r_[0, model.heads : len(model.weight)]
    k, s, film = model.k[rows], model.s[rows], model.film_original[rows, None]
    parts = model.batch_parts[rows] + added
    parts = parts / parts.sum(axis=-1, keepdims=True)
    one, two = (
        spectrum_of_film((share[:, None] @ k)[:, 0], (share[:, None] @ s)[:, 0], film, model.ground)
        for share in (model.original_parts[rows], parts)
    )
    left = (model.target - model.lab_with(added[None])[:, 0])[rows]
    return under_lamps(one, two, model.weight[model.heads :], left, more)


def high_now(data: Reading) -> float:
    """Upper 95 % of the distance as measured, from the difference's covariance."""
    root = np.linalg.cholesky(data.difference_covariance)
    draws = data.lab_batch + np.random.default_rng(7).standard_normal((400, 3)) @ root.T
    return float(
        np.quantile(delta_e_2000(np.broadcast_to(data.lab_original, (400, 3)), draws), 0.95)
    )
