"""Which inks to add, and how much: at most two, never negative, as little as does it.

All inks and all pairs of the shelf are tried at once at the most probable state of the
model; the best few are then judged over its samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colorimetry import delta_e_2000
from drawdown.advice_model import Fit

MAX_SHARE = 4.0  # of the batch's weight: beyond that it is another ink
# Prices in Delta E, our own judgement: what a longer or heavier advice must be better by.
PRICE_PER_SHARE = 2.0  # 10 parts in 100 cost 0.2
PRICE_SECOND_INK = 0.35
PRICE_NEW_INK = 0.30  # an ink that is not in the mix


def local_metric(lab: np.ndarray) -> np.ndarray:
    """(3, 3) matrix G such that Delta E 2000 squared is near d G d for small d at ``lab``."""
    h = 1.0
    eye = np.eye(3)
    steps = np.vstack([eye, -eye, [eye[i] + s * eye[j] for i, j in _PAIRS for s in (1, -1)]]) * h
    squares = delta_e_2000(lab + steps, np.broadcast_to(lab, steps.shape)) ** 2 / h**2
    metric = np.diag((squares[:3] + squares[3:6]) / 2)
    for number, (i, j) in enumerate(_PAIRS):
        plus, minus = squares[6 + 2 * number : 8 + 2 * number]
        metric[i, j] = metric[j, i] = (plus - minus) / 4
    return metric


_PAIRS = ((0, 1), (0, 2), (1, 2))


@dataclass(frozen=True, eq=False)
class Option:
    """One way to go: ``added`` (n,) shares of the batch's weight; ``rms_de00`` the expected
    (root mean square) distance afterwards; ``score`` the same with the prices."""

    added: np.ndarray
    rms_de00: float
    score: float
    first_share: float  # how much of it is safe to add first


def _refine(model: Fit, inks: np.ndarray, start: np.ndarray, target: np.ndarray, root: np.ndarray):
    """Gauss-Newton for many combinations at once: ``inks`` (c, 2) indices, ``start`` (c, 2)
    shares, ``target`` (3,) model Lab to reach, ``root`` (3, 3) with root.T @ root = metric."""
    c, n = len(inks), model.k.shape[1]
    rows = np.arange(c)
    amount = start.copy()

    def lab(values):
        added = np.zeros((c, n))
        np.add.at(added, (rows[:, None], inks), values)
        return model.lab_with(added)[:, 0]

    best, best_square = amount.copy(), np.full(c, np.inf)
    for turn in range(7):
        now = lab(amount)
        gap = (target - now) @ root.T
        square = (gap**2).sum(axis=1)
        better = square < best_square
        best[better], best_square[better] = amount[better], square[better]
        if turn == 6:
            break
        h = 1e-4 + 0.02 * amount
        slopes = []
        for j in (0, 1):
            shifted = amount.copy()
            shifted[:, j] += h[:, j]
            slopes.append((lab(shifted) - now) @ root.T / h[:, j, None])
        a, b = slopes
        aa, bb, ab = ((u * v).sum(axis=1) + (u is v) * 1e-12 for u, v in ((a, a), (b, b), (a, b)))
        # Targets of the amounts themselves, solved with neither allowed below zero.
        ga = (a * gap).sum(axis=1) + aa * amount[:, 0] + ab * amount[:, 1]
        gb = (b * gap).sum(axis=1) + bb * amount[:, 1] + ab * amount[:, 0]
        det = aa * bb - ab * ab
        safe = det > 1e-9 * aa * bb
        x = np.where(safe, (bb * ga - ab * gb) / np.where(safe, det, 1), -1)
        y = np.where(safe, (aa * gb - ab * ga) / np.where(safe, det, 1), -1)
        only_a, only_b = np.maximum(ga / aa, 0), np.maximum(gb / bb, 0)
        inside = (x >= 0) & (y >= 0)
        take_a = ga * only_a >= gb * only_b
        x = np.where(inside, x, np.where(take_a, only_a, 0))
        y = np.where(inside, y, np.where(take_a, 0, only_b))
        aim = np.stack([x, y], axis=1)
        amount = np.clip(aim, 0.3 * amount, 3 * amount + 0.02)
        amount = np.clip(np.where(aim < 1e-5, aim, amount), 0, MAX_SHARE)
    return best, best_square


def _judge(model: Fit, added: np.ndarray, shift: np.ndarray, root: np.ndarray):
    """Expected square distance (c,) over the samples, and each sample's vector (c, r, 3)."""
    after = model.lab_with(added, slice(1, None))
    gap = (model.lab_original[1:] + shift - after) @ root.T
    return (gap**2).sum(axis=2).mean(axis=1), gap


def search(model: Fit, in_mix: np.ndarray, shift: np.ndarray, metric: np.ndarray) -> list[Option]:
    """The worthwhile options, best score first; the first one may be to add nothing.

    ``in_mix`` (n,) bool; ``shift`` (3,) what the fit left unexplained of batch to original.
    """
    n = model.k.shape[1]
    root = np.linalg.cholesky(metric + 1e-9 * np.eye(3)).T
    target = model.lab_original[0] + shift
    first, second = np.triu_indices(n, 1)

    # One ink each, over a ladder of amounts; the best rung is the start for the rest.
    ladder = np.array([0.0005, 0.002, 0.006, 0.015, 0.04, 0.1, 0.25, 0.6, 1.5])
    added = np.zeros((n * ladder.size, n))
    added[np.arange(n * ladder.size), np.repeat(np.arange(n), ladder.size)] = np.tile(ladder, n)
    gap = (target - model.lab_with(added)[:, 0]) @ root.T
    start = ladder[(gap**2).sum(axis=1).reshape(n, -1).argmin(axis=1)]

    singles = np.stack([np.arange(n), np.arange(n)], axis=1)
    inks = np.vstack([singles, np.stack([first, second], axis=1)])
    begin = np.stack([start[inks[:, 0]], start[inks[:, 1]]], axis=1) / 2
    amount, square = _refine(model, inks, begin, target, root)
    added = np.zeros((len(inks), n))
    np.add.at(added, (np.arange(len(inks))[:, None], inks), amount)

    new = ((added > 0) & ~in_mix).sum(axis=1)
    count = (added > 0).sum(axis=1)
    price = (
        PRICE_PER_SHARE * added.sum(axis=1)
        + PRICE_SECOND_INK * np.maximum(count - 1, 0)
        + PRICE_NEW_INK * new
    )
    quick = np.sqrt(square) + price
    few = np.unique(np.concatenate([quick[:n].argsort()[:6], n + quick[n:].argsort()[:10]]))
    few = few[count[few] > 0]

    # Over the samples: the whole of it, or less where the model is unsure.
    scales = np.array([0.5, 0.65, 0.8, 0.9, 1.0])
    trial = (added[few, None, :] * scales[:, None]).reshape(-1, n)
    squares, _ = _judge(model, np.vstack([np.zeros((1, n)), trial]), shift, root)
    options = [Option(np.zeros(n), float(np.sqrt(squares[0])), float(np.sqrt(squares[0])), 0.0)]
    by_scale = squares[1:].reshape(len(few), scales.size)
    pick = by_scale.argmin(axis=1)
    chosen = added[few] * scales[pick, None]
    half = _judge(model, chosen * 0.5, shift, root)[1]
    whole = _judge(model, chosen, shift, root)[1]
    for i, number in enumerate(few):
        rms = float(np.sqrt(by_scale[i, pick[i]]))
        score = rms + float(price[number]) * float(scales[pick[i]])
        # For each sample, the share of the addition that suits it best (a straight line
        # through half and whole is near enough).
        move = 2 * (half[i] - whole[i])
        at_zero = 2 * half[i] - whole[i]
        share = (move * at_zero).sum(axis=1) / np.maximum((move * move).sum(axis=1), 1e-9)
        options.append(Option(chosen[i], rms, score, float(np.quantile(share, 0.15))))
    return sorted(options, key=lambda option: option.score)
