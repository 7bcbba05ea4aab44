"""Which inks to add and how much (two, or three where the third halves what is left; never
negative, as little as does it), and what comes of it: colour, distance, their spread, and other
lamps.

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
from calibration.uncertainty.streams import mirrored_normals, stream
from drawdown.ink.forward import film_slopes, lab_of_film, spectrum_of_film
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Reading
from drawdown.matching.batch_model import Fit
from drawdown.matching.recipes import THINS

# Most of one ink, of the batch's weight: white and base, or what colours. Beyond that, and beyond
# so much of all, a new batch takes less ink than the correction.
MOST_THIN, MOST_TINT, MOST_OF_ALL = 2.0, 1.0, 2.0
# Prices in Delta E, our own judgement: what a longer or heavier advice must be better by.
PRICE_PER_SHARE = 6.0  # the first parts: one in 100 costs 0.06
DEAREST = 1.0  # what no amount costs more than: a heavy addition is better than none that helps
PRICE_SECOND_INK = 0.3
PRICE_NEW_INK = 0.30  # an ink that is not in the mix
# Black where the mix has none: it dulls a colour, and turns yellow green and orange brown. Common
# practice: darken with the complement or a deeper ink of the hue.
PRICE_BLACK, PRICE_BLACK_IN_WARM = 0.7, 1.5
COLOURFUL, WARM_DEG = 15.0, (0.0, 115.0)  # chroma, and hue angles from red to yellow
# A third ink is tried where the nearest pair leaves more than this (Delta E), beside so many pairs,
# and taken where it leaves no more than this share of what two leave.
WORTH_A_THIRD, PAIRS, THIRD_LEAVES = 1.0, 4, 0.5
TURNS_OF_THREE = 3
# What counts is to be well within tolerance: up to this share of it the distance is free, but
# for a little.
FREE, NEAR = 0.5, 0.2
# What an addition does is known to this share of the way, per axis of Lab: the shelf's figures are
# of other mixtures. A distance below the other is as good as none.
MOVED_SD, UNTOLD_DE00 = 0.05, 0.6
# The same of a mix of which the inks are known and not their amounts, and of one that was guessed.
MOVED_NAMED_SD, MOVED_GUESSED_SD = 0.15, 0.35
PRICE_UNASKED = 1.0  # white where it may be base that thins the batch, or the other way
LADDER = np.array([0.0005, 0.002, 0.006, 0.015, 0.04, 0.1, 0.25, 0.6, 1.5])
SCALES = np.array([0.35, 0.5, 0.7, 0.85, 1.0])
TURNS = 5
MOST_USEFUL = 9
KEEP = 12  # candidates that are judged over all samples
FIRST_QUANTILE = 0.25
SMALL_PARTS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3)


@dataclass(frozen=True, eq=False)
class Option:
    """One way to go: ``added`` (n,) shares of the batch's weight; ``rms_de00`` the expected
    (root mean square) distance afterwards; ``score`` the same with the prices."""

    added: np.ndarray
    rms_de00: float
    score: float
    within: float  # probability that it is then within tolerance
    first_share: float  # how much of it is safe to add first


def prices(shelf: Shelf, mix: Mapping[str, float], lab: np.ndarray, unasked: bool) -> np.ndarray:
    """(n,) what it costs in Delta E to open an ink's tin: for those in ``mix`` nothing, for white
    and base something where it is not known which is in it (``unasked``), for black in a colour
    (``lab``) a lot."""
    hue, chroma = np.degrees(np.arctan2(lab[2], lab[1])), np.hypot(*lab[1:])
    warm = WARM_DEG[0] <= hue <= WARM_DEG[1]
    black = PRICE_NEW_INK
    if chroma > COLOURFUL:
        black = PRICE_BLACK_IN_WARM if warm else PRICE_BLACK
    new = np.array([black if ink.kind == "black" else PRICE_NEW_INK for ink in shelf])
    known = np.array([ink.name in mix for ink in shelf])
    thin = np.array([ink.kind in THINS for ink in shelf])
    return np.asarray(np.where(known, 0.0, new) + PRICE_UNASKED * (thin & unasked))


def _refine(
    model: Fit, inks: np.ndarray, start: np.ndarray, root: np.ndarray, most: np.ndarray,
    fixed: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Gauss-Newton for many combinations at once in the first h most probable states: ``inks``
    (h, c, 2) places on the shelf, ``start`` (h, c, 2) shares of them beside those that are
    ``fixed`` (h, c, n), ``root`` (3, 3) with root.T @ root the metric, ``most`` (n,) of each ink.
    Gives the shares (h, c, 2) and the square distance (h, c)."""
    h = len(inks)
    head = np.arange(h)[:, None, None]
    k, s = model.k[head, inks], model.s[head, inks]  # (h, c, 2, 31)
    batch = model.batch_parts[:h, None] + (0.0 if fixed is None else fixed)
    k0, s0 = batch @ model.k[:h], batch @ model.s[:h]  # (h, 1 or c, 31)
    film, target = model.film_original[:h, None, None], model.target[:h, None]
    amount = np.minimum(start, most[inks])
    best, best_square = amount.copy(), np.full(amount.shape[:2], np.inf)
    for turn in range(TURNS + 1):
        whole = batch.sum(axis=-1, keepdims=True) + amount.sum(axis=-1)[..., None]
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
        amount = np.minimum(amount, most[inks])
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
    return np.maximum(np.where(aim < 1e-5, aim, near), 0)


def _candidates(
    model: Fit, in_mix: np.ndarray, dear: np.ndarray, root: np.ndarray, most: np.ndarray
) -> np.ndarray:
    """Additions (c, n) of one to three inks that suit the most probable states."""
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
    amount, square = _refine(model, inks, begin, root, most)
    added = _over_shelf(inks, amount, n)
    quick = np.sqrt(square) + _price(added, dear)
    keep = KEEP if h == 1 else KEEP // 2
    few = np.concatenate(
        [quick[:, :n].argsort(axis=1)[:, : keep // 2], n + quick[:, n:].argsort(axis=1)[:, :keep]],
        axis=1,
    )
    found = np.take_along_axis(added, few[..., None], axis=1).reshape(-1, n)
    # A third ink is tried beside the nearest pairs of the most probable state.
    near = n + square[0, n:].argsort()[:PAIRS]
    if near.size == 0 or square[0, near[0]] <= WORTH_A_THIRD**2:
        return found
    return np.vstack([found, _with_third(model, inks[0, near], amount[0, near], root, most)])


def _over_shelf(inks: np.ndarray, amount: np.ndarray, n: int) -> np.ndarray:
    """Shares (..., n) over the shelf of the inks (..., m) and their amounts (..., m)."""
    return np.asarray((np.eye(n)[inks] * amount[..., None]).sum(axis=-2))


def _with_third(
    model: Fit, pair: np.ndarray, amount: np.ndarray, root: np.ndarray, most: np.ndarray
) -> np.ndarray:
    """(c, n) pairs of inks (c, 2) and their shares with the third that does most beside each, in
    the most probable state: it moves beside one of the two while the other stays, in turns."""
    n = model.k.shape[1]
    inks, share = (np.repeat(one, n, axis=0) for one in (pair, amount))  # (c * n, 2)
    third, new = np.tile(np.arange(n), len(pair)), np.full(len(inks), LADDER[2])
    square = np.zeros(len(inks))
    for turn in range(2 * TURNS_OF_THREE):
        moves, stays = turn % 2, 1 - turn % 2
        fixed = _over_shelf(inks[:, stays, None], share[:, stays, None], n)
        two = np.stack([third, inks[:, moves]], axis=-1)
        got, left = _refine(model, two[None], np.stack([new, share[:, moves]], -1)[None], root,
                            most, fixed[None])  # fmt: skip
        new, share[:, moves], square = got[0, :, 0], got[0, :, 1], left[0]
    square[(third[:, None] == inks).any(axis=1)] = np.inf
    best = np.arange(len(pair)) * n + square.reshape(len(pair), n).argmin(axis=1)
    return _over_shelf(np.column_stack([inks, third])[best], np.column_stack([share, new])[best], n)


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
    model: Fit, shelf: Shelf, in_mix: np.ndarray, dear: np.ndarray, root: np.ndarray,
    tolerance: float = 2.0,
) -> list[Option]:  # fmt: skip
    """The worthwhile options, best score first; one of them is to add nothing.

    ``in_mix`` (n,) bool: inks that are in the mix; ``dear`` (n,) what opening their tins costs
    (``prices``); ``root`` (3, 3) the local metric."""
    n = len(shelf)
    thin = np.array([ink.kind in THINS for ink in shelf])
    found = _candidates(model, in_mix, dear, root, np.where(thin, MOST_THIN, MOST_TINT))
    found = found[found.any(axis=1) & (found.sum(axis=1) <= MOST_OF_ALL)]
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
    options.sort(key=lambda option: option.score)
    few = [option for option in options if (option.added > 0).sum() < 3]
    least = min(option.rms_de00 for option in few)
    return [o for o in options if o in few or o.rms_de00 <= THIRD_LEAVES * least]


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


def interval(
    model: Fit, data: Reading, added: np.ndarray, moved_sd: float = MOVED_SD
) -> tuple[float, float]:
    """The interval that holds 95 % of the samples of the distance at equal film once ``added`` is
    in: the shortest, from nothing on where its lower end is less than the model of a mixture can
    tell from nothing. (Distances are skewed, near nothing most of all.)"""
    de00 = delta_e_2000(
        *np.broadcast_arrays(data.lab_original, _left(model, data, added, moved_sd))
    )
    weight = model.weight[model.heads :]
    low, high = shortest_interval(de00, weight)
    return (0.0, high) if low < UNTOLD_DE00 else (low, high)


def _left(model: Fit, data: Reading, added: np.ndarray, moved_sd: float) -> np.ndarray:
    """(r, 3) samples of the batch with ``added``. How far an addition moves the colour is known to
    a share of the way only (``moved_sd``)."""
    labs = model.lab_with(np.stack([added, 0 * added]), slice(model.heads, None))
    way = np.linalg.norm(labs[:, 0] - labs[:, 1], axis=-1, keepdims=True)
    off = moved_sd * way * mirrored_normals(stream("what an addition does"), len(way), 3)
    left = model.target[model.heads :] - labs[:, 0] + off
    return np.asarray(data.lab_original - left)


def small_part(model: Fit, tolerance: float) -> float:
    """How much of a new batch of the original's mix this one may be, so that 95 % of the samples
    stay within half the tolerance; 0 where not even the least of ``SMALL_PARTS``."""
    rows = slice(model.heads, None)
    one, other = model.original_parts[rows, None], model.batch_parts[rows, None]
    share = np.array([0.0, *SMALL_PARTS])[:, None]
    parts, film = (1 - share) * one + share * other, model.film_original[rows, None, None]
    labs = lab_of_film(parts @ model.k[rows], parts @ model.s[rows], film, model.ground)
    fits = 0.0
    for i, part in enumerate(SMALL_PARTS, 1):
        de00 = delta_e_2000(labs[:, 0], labs[:, i])
        if quantiles(de00, 0.95, model.weight[rows]) > tolerance / 2:
            break
        fits = part
    return fits


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
