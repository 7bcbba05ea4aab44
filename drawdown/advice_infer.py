"""A plausible recipe for a colour when none was noted: few inks, and white rather than base.

One photo cannot tell which pigments are in an ink; this only finds a mixture of inks on the
shelf that looks like it, so that the direction of an addition can be worked out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drawdown.advice_model import film_lab, lab_slopes
from drawdown.advice_search import local_metric
from drawdown.inks import Shelf

# How much better (in Delta E) a further ink, or base in place of white, must make the fit.
PRICE_INK = 1.0
PRICE_BLACK = 0.3
PRICE_BASE = 0.8
NEIGHBOURS = 5  # colours tried on either side of the hue


def _combinations(shelf: Shelf, lab: np.ndarray, let_down: int | None, ground: np.ndarray):
    """Sets of inks worth trying, as lists of indices: let-down, one or two colours, black."""
    colours = [i for i, ink in enumerate(shelf) if ink.kind == "colour"]
    blacks = [i for i, ink in enumerate(shelf) if ink.kind == "black"][:2]
    base = [] if let_down is None else [let_down]
    sets = [[c] for c in colours]
    if len(colours) > 1:
        # Only colours near this hue, on either side: how one would mix it by hand.
        tint = np.zeros((len(colours), len(shelf)))
        tint[np.arange(len(colours)), colours] = 0.1 if base else 1.0
        if base:
            tint[:, let_down] = 0.9
        k, s = np.array([ink.k for ink in shelf]), np.array([ink.s for ink in shelf])
        tints = film_lab(k, s, tint, 1.0, ground)
        turn = np.arctan2(tints[:, 2], tints[:, 1]) - np.arctan2(lab[2], lab[1])
        turn = (turn + np.pi) % (2 * np.pi) - np.pi
        order = np.array(colours)[np.argsort(turn)]
        at = int((np.sort(turn) < 0).sum())
        ring = np.roll(order, -at)
        up, down = ring[:NEIGHBOURS], ring[::-1][:NEIGHBOURS]
        sets += [
            list(p)
            for p in {tuple(sorted((int(a), int(b)))) for a in up for b in down}
            if p[0] != p[1]
        ]
    sets = [*sets, *[[*one, black] for one in [[], *sets] for black in blacks]]
    if base:
        sets = [[*base, *one] for one in [[], *sets]]
    return sorted(sets, key=lambda one: (len(one), one))


def _fit_sets(shelf: Shelf, sets: list[list[int]], lab: np.ndarray, ground, root):
    """Parts (c, 4) per set and the misfit (c,) in Delta E of the best ones found."""
    c, width = len(sets), 4
    inks = np.array([one + [one[0]] * (width - len(one)) for one in sets])
    there = np.array([[j < len(one) for j in range(width)] for one in sets])
    k = np.array([ink.k for ink in shelf])[inks]
    s = np.array([ink.s for ink in shelf])[inks]
    first = np.arange(width) == 0
    free = there & ~first

    def amounts(q):
        return np.where(there, np.exp(np.where(first, 0, q)), 0.0)

    best_q, best = np.zeros((c, width)), np.full(c, np.inf)

    def keep(q, now):
        square = (((lab - now) @ root.T) ** 2).sum(axis=1)
        better = square < best
        best[better], best_q[better] = square[better], q[better]

    for level in (-5.0, -3.0, -1.0, 1.0):
        q = np.where(free, level, 0.0)
        keep(q, film_lab(k, s, amounts(q), 1.0, ground))
    q = best_q.copy()
    for _ in range(8):
        parts = amounts(q)
        share = parts / parts.sum(axis=1, keepdims=True)
        k_mix, s_mix = share[:, None] @ k, share[:, None] @ s  # (c, 1, 31)
        now, by_k, by_s, _ = lab_slopes(k_mix[:, 0], s_mix[:, 0], 1.0, ground)
        keep(q, now)
        slope = share[..., None] * ((k - k_mix) @ by_k + (s - s_mix) @ by_s)
        slope = (slope * free[..., None] @ root.T)[:, 1:]
        normal = slope @ slope.transpose(0, 2, 1) + 0.02 * np.eye(width - 1)
        gap = (lab - now) @ root.T
        step = np.linalg.solve(normal, slope @ gap[..., None])[..., 0]
        q[:, 1:] = np.clip(q[:, 1:] + np.clip(step, -1, 1), -9, 6)
    keep(q, film_lab(k, s, amounts(q), 1.0, ground))
    parts = amounts(best_q)
    return inks, parts / parts.sum(axis=1, keepdims=True), np.sqrt(best)


@dataclass(frozen=True)
class Guess:
    """A plausible recipe: ``mix`` in parts per 100, ``misfit`` in Delta E with the shelf's
    inks as they stand, and ``log_prior`` from its simplicity."""

    mix: dict[str, float]
    misfit: float
    log_prior: float


def guess_mixes(shelf: Shelf, lab: np.ndarray, ground: np.ndarray, count: int) -> list[Guess]:
    """Up to ``count`` plausible recipes for ``lab`` (3,), best first; at least one."""
    lab = np.asarray(lab, dtype=float)
    root = np.linalg.cholesky(local_metric(lab)).T
    kinds = [ink.kind for ink in shelf]
    let_downs = [kinds.index(kind) for kind in ("white", "base") if kind in kinds] or [None]
    guesses: list[tuple[float, Guess]] = []
    for number, let_down in enumerate(let_downs):
        sets = _combinations(shelf, lab, let_down, ground)
        inks, parts, misfit = _fit_sets(shelf, sets, lab, ground, root)
        black = np.array([any(kinds[i] == "black" for i in one) for one in sets])
        price = (
            PRICE_INK * np.array([len(one) - 1 for one in sets])
            + PRICE_BLACK * black
            + PRICE_BASE * number
        )
        for i in (misfit + price).argsort()[:count]:
            mix = {
                shelf.inks[j].name: 100 * float(part)
                for j, part in zip(inks[i][: len(sets[i])], parts[i], strict=False)
                if part >= 0.0005
            }
            score = float(misfit[i] + price[i])
            guesses.append((score, Guess(mix, float(misfit[i]), -float(price[i]))))
    guesses.sort(key=lambda pair: pair[0])
    return [guess for _, guess in guesses[:count]]
