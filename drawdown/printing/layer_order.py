"""In which order to print the layers of a print, and what each order gives (README.md).

Pure: arrays in, frozen records out. Lab are D50, 2 degree.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.uncertainty.intervals import interval_with
from drawdown.ink.film import reflectance
from drawdown.ink.forward import lab_of_internal, xyz_of_film
from drawdown.printing.opacity import grade_of
from drawdown.printing.overprint import LAYER_SAMPLES, Layer, Predicted, Sheet, over

LOST_DE = SHOWS_DE = 3.5  # "loose" as a tolerance: hardly anybody misses more
SHOWS_ALL_DE = 50.0
TIE = 0.01
MOST_EXACT = 8
MOST_PLANNED = 20
LISTED = 6
DARK_LAYER_L = 25.0  # below it, the contrast ratio says little
_LIGHTER_L = 3.0  # lightness and opacity that two layers must differ by to have an order
_MORE_OPAQUE = 0.15


@dataclass(frozen=True, eq=False)
class Traits:
    """One layer on the bare paper: its colour, and its opacity, the contrast ratio Y over
    black / Y over a ground of 0.8 (as ISO 6504-3 has it, here computed)."""

    colour: Predicted
    opacity: float

    @property
    def lightness(self) -> float:
        return float(self.colour.lab_d50[0])

    @property
    def kind(self) -> str:
        """The program's word for that opacity; a dark ink has a high ratio and covers little
        that is light, so it is called dark."""
        grade = grade_of(self.opacity)
        return "dark" if self.lightness < DARK_LAYER_L and grade != "transparent" else grade


@dataclass(frozen=True, eq=False)
class Pair:
    """Layer ``upper`` over layer ``lower`` (places in the list given): its colour, how much
    it changes the lower one (``de_change``) and how far it is from itself on paper
    (``de_shows``), each with its 95 % interval (2,), and the probabilities of both faults."""

    lower: int
    upper: int
    colour: Predicted
    de_change: float
    de_change_95: tuple[float, float]
    de_shows: float
    de_shows_95: tuple[float, float]
    p_lost: float
    p_shows: float


@dataclass(frozen=True)
class Order:
    """One order of printing (places in the list given, first printed first): its score,
    how many pairs go against common practice; the probability, over the uncertainty of the
    inks and films, that none of the orders listed is better by more than ``TIE``."""

    places: tuple[int, ...]
    score: float
    breaks: int
    p_good: float | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """``orders`` lists the proposal first, then the next best; ``practice`` is light to
    dark, ``wanted`` the order that was asked about. ``pairs`` holds both ways of every pair.
    ``exact`` says that every order was scored; else only pairs were looked at and single
    moves were tried."""

    traits: tuple[Traits, ...]
    orders: tuple[Order, ...]
    practice: Order
    worst: Order | None
    wanted: Order | None
    pairs: tuple[Pair, ...]
    exact: bool
    orders_scored: int

    @property
    def proposal(self) -> Order:
        return self.orders[0]

    @property
    def shown(self) -> Order:
        """The order asked about, else the proposal."""
        return self.wanted or self.proposal

    def pair(self, lower: int, upper: int) -> Pair:
        return next(p for p in self.pairs if (p.lower, p.upper) == (lower, upper))

    def pairs_of(self, order: Order) -> list[Pair]:
        """The pairs as this order prints them."""
        return [self.pair(a, b) for a, b in itertools.combinations(order.places, 2)]


def plan(layers: Sequence[Layer], on: Sheet, wanted: tuple[int, ...] | None = None) -> Plan:
    """Traits, pairs and orders of 2 to ``MOST_PLANNED`` layers; ``ValueError`` else."""
    n = len(layers)
    if not 2 <= n <= MOST_PLANNED:
        raise ValueError(f"a plan needs 2 to {MOST_PLANNED} layers")
    traits, pairs = _looked_at(layers, on)
    practice = tuple(
        sorted(range(n), key=lambda i: (-round(traits[i].lightness / 3), traits[i].opacity))
    )
    if n <= MOST_EXACT:
        return _exact(layers, on, traits, pairs, practice, wanted)
    return _beyond(traits, pairs, practice, wanted)


def pairs_only(layers: Sequence[Layer], on: Sheet) -> Plan:
    """Traits and pairs alone, in the order given; no order is judged."""
    traits, pairs = _looked_at(layers, on)
    places = tuple(range(len(layers)))
    given = Order(places, math.nan, breaks(places, traits))
    return Plan(traits, (given,), given, None, None, pairs, False, 0)


def _looked_at(layers: Sequence[Layer], on: Sheet) -> tuple[tuple[Traits, ...], tuple[Pair, ...]]:
    both_ways = itertools.permutations(range(len(layers)), 2)
    return (
        tuple(_traits(layer, on) for layer in layers),
        tuple(pair(layers, on, lower, upper) for lower, upper in both_ways),
    )


def _traits(layer: Layer, on: Sheet) -> Traits:
    over_black, over_white = (
        xyz_of_film(layer.kx, layer.sx, 1.0, ground)[1] for ground in (0.0, 0.8)
    )
    return Traits(over([layer], on), float(over_black / over_white))


def pair(layers: Sequence[Layer], on: Sheet, lower: int, upper: int) -> Pair:
    """One layer over another."""
    both = over([layers[lower], layers[upper]], on)
    below, alone = over([layers[lower]], on), over([layers[upper]], on)
    change = delta_e_2000(both.lab_samples, below.lab_samples)
    shows = delta_e_2000(both.lab_samples, alone.lab_samples)
    de_change, de_shows = (float(delta_e_2000(both.lab_d50, o.lab_d50)) for o in (below, alone))
    return Pair(
        lower, upper, both, de_change, interval_with(de_change, change), de_shows,
        interval_with(de_shows, shows), float((change < LOST_DE).mean()),
        float((shows > SHOWS_DE).mean()),
    )  # fmt: skip


def breaks(order: Sequence[int], traits: Sequence[Traits]) -> int:
    """How often a pair is printed against common practice: dark before light, opaque before
    transparent. A pair that breaks both counts twice."""
    count = 0
    for a, b in itertools.combinations(order, 2):
        count += traits[a].lightness < traits[b].lightness - _LIGHTER_L
        count += traits[a].opacity > traits[b].opacity + _MORE_OPAQUE
    return int(count)


def overlaps(layers: Sequence[Layer], on: Sheet, order: Sequence[int]) -> dict[tuple, np.ndarray]:
    """{layers of the overlap as printed: Lab (3,)} of all 2^n overlaps, () the bare paper."""
    found = _printed(order, [(layer.kx, layer.sx) for layer in layers], on, on.ground)
    labs = lab_of_internal(np.array(list(found.values())), on.surface)
    return dict(zip(found, labs, strict=True))


def _printed(
    order: Sequence[int], films: Sequence[tuple[np.ndarray, np.ndarray]], on: Sheet, bare
) -> dict[tuple, np.ndarray]:
    """{layers of the overlap: internal reflectance} of all overlaps of ``films`` (K and S)."""
    inside = {(): bare}
    for place in order:
        for below, ground in list(inside.items()):
            film = on.take if below else 1.0
            inside[*below, place] = reflectance(*films[place], film, ground)
    return inside


def _faults(stack, below, alone, depth: int, n: int) -> np.ndarray:
    """What an overlap of ``depth`` layers of ``n`` adds to the score; Lab (..., 3) of it, of
    it without its top layer, and of the top layer on paper."""
    lost = np.clip(1 - delta_e_2000(stack, below) / LOST_DE, 0, 1)
    shows = np.minimum(delta_e_2000(stack, alone) / SHOWS_ALL_DE, 1)
    return 0.5 ** (depth - 2) / math.comb(n, depth) * (lost + shows)


def scores(layers: Sequence[Layer], on: Sheet) -> tuple[np.ndarray, np.ndarray]:
    """All orders (n!, n) and their scores (n!,).

    Each sequence of layers is worked out once (110 000 for eight layers) and looked up for
    every order that contains it in that order.
    """
    n = len(layers)
    k, s = (np.array([getattr(layer, name) for layer in layers]) for name in ("kx", "sx"))
    sequences = np.arange(n)[:, None]  # all of one length; the last column is the top
    inside = reflectance(k, s, 1.0, on.ground)
    lab = alone = lab_of_internal(inside, on.surface)
    tables: list[np.ndarray] = []
    for depth in range(2, n + 1):
        parent = np.repeat(np.arange(len(sequences)), n)
        top = np.tile(np.arange(n), len(sequences))
        new = (sequences[parent] != top[:, None]).all(axis=1)
        parent, top = parent[new], top[new]
        inside = reflectance(k[top], s[top], on.take, inside[parent])
        stack = lab_of_internal(inside, on.surface)
        sequences = np.hstack([sequences[parent], top[:, None]])
        table = np.zeros(n**depth if depth < n else 0)
        fault = _faults(stack, lab[parent], alone[top], depth, n)
        if depth < n:
            table[sequences @ n ** np.arange(depth)] = fault
        tables.append(table)
        lab = stack
    total = fault  # of the overlap of all layers: the sequences are now the orders
    for depth, table in zip(range(2, n), tables, strict=False):
        for places in itertools.combinations(range(n), depth):
            total = total + table[sequences[:, places] @ n ** np.arange(depth)]
    return sequences, total


def _exact(layers, on: Sheet, traits, pairs, practice, wanted) -> Plan:
    orders, score = scores(layers, on)
    ranked = np.argsort(score, kind="stable")
    near = orders[score <= score.min() + TIE]
    by_score = {tuple(map(int, orders[i])): float(score[i]) for i in ranked[: LISTED + len(near)]}
    best = min(map(tuple, near.tolist()), key=lambda o: (breaks(o, traits), by_score.get(o, 9.0)))

    def order(places: tuple[int, ...]) -> Order:
        at = int(np.flatnonzero((orders == places).all(axis=1))[0])
        return Order(places, float(score[at]), breaks(places, traits))

    listed = [best, *(o for o in by_score if o != best)][:LISTED]
    if practice not in listed:
        listed = [*listed[: LISTED - 1], practice]
    found = _with_odds([order(o) for o in listed], layers, on)
    worst = order(tuple(map(int, orders[ranked[-1]])))
    asked = None if wanted is None else order(wanted)
    return Plan(traits, tuple(found), order(practice), worst, asked, pairs, True, len(orders))


def _with_odds(orders: list[Order], layers, on: Sheet) -> list[Order]:
    """How often each of the orders is as good as the best of them, over some samples."""
    some = slice(0, LAYER_SAMPLES, 4)
    score = np.array([_sampled_score(o.places, layers, on, some) for o in orders])
    good = (score <= score.min(axis=0) + TIE).mean(axis=1)
    return [replace(o, p_good=float(p)) for o, p in zip(orders, good, strict=True)]


def _sampled_score(order, layers, on: Sheet, some: slice) -> np.ndarray:
    """(m,) the score of one order for some of the samples."""
    n = len(order)
    films = [(layer.kx_samples[some], layer.sx_samples[some]) for layer in layers]
    inside = _printed(order, films, on, np.broadcast_to(on.ground, films[0][0].shape))
    lab = {places: lab_of_internal(r, on.surface) for places, r in inside.items()}
    total = 0.0
    for depth in range(2, n + 1):
        deep = [p for p in lab if len(p) == depth]
        stack, below, alone = (
            np.array([lab[part(p)] for p in deep])
            for part in (lambda p: p, lambda p: p[:-1], lambda p: p[-1:])
        )
        total = total + _faults(stack, below, alone, depth, n).sum(axis=0)
    return total


def _beyond(traits, pairs, practice, wanted) -> Plan:
    """More layers than can be tried: begin with light to dark and move single layers as long
    as the faults of the pairs become fewer. Not proven to be the best."""
    n = len(traits)
    fault = np.zeros((n, n))
    for p in pairs:
        lost = max(0.0, 1 - p.de_change / LOST_DE)
        fault[p.lower, p.upper] = lost + min(p.de_shows / SHOWS_ALL_DE, 1)
    count = n * (n - 1) / 2

    def score(order) -> float:
        a, b = np.array(list(itertools.combinations(order, 2))).T
        return float(fault[a, b].sum() / count)

    def improved(order: tuple[int, ...]) -> tuple[int, ...]:
        best, lowest, tried = order, score(order), None
        while tried != best:
            tried = best
            for i, j in itertools.permutations(range(n), 2):
                moved = list(tried)
                moved.insert(j, moved.pop(i))
                value = score(moved)
                if value < lowest - 1e-9:
                    best, lowest = tuple(moved), value
        return best

    found = improved(practice)
    orders = [Order(o, score(o), breaks(o, traits)) for o in dict.fromkeys((found, practice))]
    asked = None if wanted is None else Order(wanted, score(wanted), breaks(wanted, traits))
    return Plan(traits, tuple(orders), orders[-1], None, asked, pairs, False, 0)
