"""A plausible recipe for a colour when none was noted: few inks, and white rather than base.

One photo cannot tell which pigments are in an ink; this only finds a mixture of inks on the
shelf that looks like it, so that the direction of an addition can be worked out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import local_metric
from drawdown.ink.forward import film_slopes, lab_of_mix
from drawdown.ink.shelf import Shelf

# How much better (in Delta E) a further ink, or base in place of white, must make the fit.
PRICE_INK = 1.0
PRICE_BLACK = 0.3
PRICE_BASE = 0.3
PRICE_BOTH = 0.7
PRICE_ALONE = 0.7
MOST_INKS = 4
LEAST_SHARE = 0.0005  # less than this is not put down as part of a recipe
# How a thinner film changes this colour, measured along the strips, tells a tint in white from
# a let-down in base: standard uncertainty of its logarithm, and the most that it may count.
EFFECT_LOG_SD, MOST_EFFECT = 0.45, 3.0
THIN = 0.7
NEIGHBOURS = 5  # colours tried on either side of the hue


def _combinations(
    shelf: Shelf, lab: np.ndarray, let_down: list[int], ground: np.ndarray
) -> list[list[int]]:
    """Sets of inks worth trying, as lists of indices: let-down, one or two colours, black."""
    colours = [i for i, ink in enumerate(shelf) if ink.kind == "colour"]
    blacks = [i for i, ink in enumerate(shelf) if ink.kind == "black"][:2]
    sets = [[c] for c in colours]
    if len(colours) > 1:
        # Only colours near this hue, on either side: how one would mix it by hand.
        tint = np.zeros((len(colours), len(shelf)))
        tint[np.arange(len(colours)), colours] = 0.1 if let_down else 1.0
        tint[:, let_down] = 0.9 / max(1, len(let_down))
        tints = lab_of_mix(shelf.k, shelf.s, tint, 1.0, ground)
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
    if let_down:
        sets = [[*let_down, *one] for one in [[], *sets]]
    return sorted((one for one in sets if len(one) <= MOST_INKS), key=lambda one: (len(one), one))


def _fit_sets(
    shelf: Shelf, sets: list[list[int]], lab: np.ndarray, ground: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Parts (c, 4) per set and the misfit (c,) in Delta E of the best ones found."""
    c, width = len(sets), MOST_INKS
    inks = np.array([one + [one[0]] * (width - len(one)) for one in sets])
    there = np.array([[j < len(one) for j in range(width)] for one in sets])
    k, s = shelf.k[inks], shelf.s[inks]
    first = np.arange(width) == 0
    free = there & ~first

    def amounts(q: np.ndarray) -> np.ndarray:
        return np.where(there, np.exp(np.where(first, 0, q)), 0.0)

    best_q, best = np.zeros((c, width)), np.full(c, np.inf)

    def keep(q: np.ndarray, now: np.ndarray) -> None:
        square = (((lab - now) @ root.T) ** 2).sum(axis=1)
        better = square < best
        best[better], best_q[better] = square[better], q[better]

    for level in (-5.0, -3.0, -1.0, 1.0):
        q = np.where(free, level, 0.0)
        keep(q, lab_of_mix(k, s, amounts(q), 1.0, ground))
    # Hundreds of sets in the time of an answer: a few damped steps and the best place seen. The
    # one solver halves steps instead: twice the time, and a quarter of the sets left short.
    q = best_q.copy()
    for _ in range(6):
        parts = amounts(q)
        share = parts / parts.sum(axis=1, keepdims=True)
        k_mix, s_mix = share[:, None] @ k, share[:, None] @ s  # (c, 1, 31)
        now, by_k, by_s, _ = film_slopes(k_mix[:, 0], s_mix[:, 0], 1.0, ground)
        keep(q, now)
        slope = share[..., None] * ((k - k_mix) @ by_k + (s - s_mix) @ by_s)
        slope = (slope * free[..., None] @ root.T)[:, 1:]
        normal = slope @ slope.transpose(0, 2, 1) + 0.02 * np.eye(width - 1)
        gap = (lab - now) @ root.T
        step = np.linalg.solve(normal, slope @ gap[..., None])[..., 0]
        q[:, 1:] = np.clip(q[:, 1:] + np.clip(step, -1, 1), -9, 6)
    keep(q, lab_of_mix(k, s, amounts(q), 1.0, ground))
    parts = amounts(best_q)
    return inks, parts / parts.sum(axis=1, keepdims=True), np.sqrt(best)


def _effect_price(
    shelf: Shelf, inks: np.ndarray, parts: np.ndarray, film_effect: float, ground: np.ndarray,
    root: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """(c,) how badly the recipes answer to a thinner film as the strips do."""
    k, s = shelf.k[inks], shelf.s[inks]
    full, thin = (lab_of_mix(k, s, parts, film, ground) for film in (1.0, THIN))
    effect = np.linalg.norm((thin - full) @ root.T, axis=1)
    off = np.log(np.maximum(effect, 0.05) / max(film_effect, 0.05)) / EFFECT_LOG_SD
    return np.asarray(np.minimum(off**2 / 2, MOST_EFFECT))


@dataclass(frozen=True)
class Guess:
    """A plausible recipe: ``mix`` in parts per 100, ``misfit`` in Delta E with the shelf's
    inks as they stand, and ``log_prior`` from its simplicity."""

    mix: dict[str, float]
    misfit: float
    log_prior: float


def guess_mixes(
    shelf: Shelf, lab: np.ndarray, ground: np.ndarray, count: int, film_effect: float | None = None
) -> list[Guess]:
    """Plausible recipes for ``lab`` (3,), best first: of each way to let down (white, base,
    both, neither) the best few, up to ``count`` in all and at least one. ``film_effect`` is
    the Delta E that a film 30 % thinner makes, where the strips show it."""
    lab = np.asarray(lab, dtype=float)
    root = local_metric(lab)
    kinds = [ink.kind for ink in shelf]
    white, base = ([kinds.index(kind)] if kind in kinds else [] for kind in ("white", "base"))
    # On a shelf that lacks one of them, two ways are one, at the price of the latter.
    ways: dict[tuple[int, ...], float] = {
        (): PRICE_ALONE, (*white, *base): PRICE_BOTH, (*base,): PRICE_BASE, (*white,): 0.0
    }  # fmt: skip
    rows = []
    for number, (let_down, price_way) in enumerate(ways.items()):
        for one in _combinations(shelf, lab, list(let_down), ground):
            colours = max(len(one) - len(let_down) - 1, 0)
            black = any(kinds[i] == "black" for i in one)
            rows.append((one, PRICE_INK * colours + PRICE_BLACK * black + price_way, number))
    sets = [one for one, _, _ in rows]
    price, way = (np.array([row[k] for row in rows]) for k in (1, 2))
    inks, parts, misfit = _fit_sets(shelf, sets, lab, ground, root)
    if film_effect is not None:
        price = price + _effect_price(shelf, inks, parts, film_effect, ground, root)
    order = (misfit + price).argsort()
    few = np.concatenate([order[way[order] == n][: count // len(ways)] for n in range(len(ways))])
    guesses = []
    for i in few[(misfit + price)[few].argsort()]:
        mix = {
            shelf.inks[j].name: 100 * float(part)
            for j, part in zip(inks[i][: len(sets[i])], parts[i], strict=False)
            if part >= LEAST_SHARE
        }
        guesses.append(Guess(mix, float(misfit[i]), -float(price[i])))
    return guesses
