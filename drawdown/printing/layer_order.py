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
from drawdown.ink.forward import lab_of_internal
from drawdown.printing.opacity import Number, contrast_ratio, grade_of
from drawdown.printing.overprint import LAYER_SAMPLES, Layer, Predicted, Sheet, over

LOST_DE = SHOWS_DE = 3.5  # "loose" as a tolerance: hardly anybody misses more
SHOWS_ALL_DE = 50.0
TIE = 0.01
MOST_EXACT = 8
MOST_PLANNED = 20
LISTED = 6
DARK_LAYER_L = 25.0  # below it, the contrast ratio says little
BLACK_CHROMA = 12.0  # a dark layer with less is the black
_LIGHTER_L = 3.0  # lightness and opacity that two layers must differ by to have an order
_MORE_OPAQUE = 0.15
# What a pair printed against common practice must gain, as a share of a layer that is lost
# whole or of one that shows by ``SHOWS_ALL_DE``; and how sure that must be. Our own choice.
CLEAR_GAIN = 0.25
SURE_GAIN = 0.9


@dataclass(frozen=True, eq=False)
class Traits:
    """One layer on the bare paper: its colour, and its ``opacity``, the contrast ratio
    (``opacity.contrast_ratio``)."""

    colour: Predicted
    opacity: Number

    @property
    def lightness(self) -> float:
        return float(self.colour.lab_d50[0])

    @property
    def black(self) -> bool:
        return self.dark and float(np.hypot(*self.colour.lab_d50[1:])) < BLACK_CHROMA

    @property
    def dark(self) -> bool:
        return self.lightness < DARK_LAYER_L

    @property
    def kind(self) -> str:
        """The program's word for that opacity; a dark ink hides by being dark, whatever its
        ratio, so it is called dark."""
        return "dark" if self.dark else grade_of(self.opacity.value)


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

    @property
    def faults(self) -> tuple[float, float]:
        """How far the upper layer is lost, and how far the lower shows, 0 to 1 each."""
        lost, shows = _faults(self.de_change, self.de_shows)
        return float(lost), float(shows)


@dataclass(frozen=True)
class Order:
    """One order of printing (places in the list given, first printed first): its score,
    how many pairs go against common practice (``against``); the probability, over the
    uncertainty of inks and films, that none of those listed is better by more than ``TIE``."""

    places: tuple[int, ...]
    score: float
    breaks: int
    p_good: float | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """``orders`` lists the proposal first, then the next best; ``practice`` is common practice
    (``by_practice``), ``wanted`` the order that was asked about. ``pairs`` holds both ways of
    every pair.
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

    @property
    def gains(self) -> list[tuple[Pair, Pair]]:
        """Why the order shown is not common practice: (as it prints a pair, as common practice
        would), where that is the better way, what gains most first."""
        practice = {frozenset((p.lower, p.upper)): p for p in self.pairs_of(self.practice)}
        both = [(p, practice[frozenset((p.lower, p.upper))]) for p in self.pairs_of(self.shown)]
        gained = [sum(theirs.faults) - sum(ours.faults) for ours, theirs in both]
        return [both[i] for i in np.argsort(gained)[::-1] if gained[i] > TIE]


def plan(layers: Sequence[Layer], on: Sheet, wanted: tuple[int, ...] | None = None) -> Plan:
    """Traits, pairs and orders of 2 to ``MOST_PLANNED`` layers; ``ValueError`` else."""
    n = len(layers)
    if not 2 <= n <= MOST_PLANNED:
        raise ValueError(f"a plan needs 2 to {MOST_PLANNED} layers")
    traits, pairs = _looked_at(layers, on)
    practice = by_practice(traits)
    if n <= MOST_EXACT:
        return _exact(layers, on, traits, pairs, practice, wanted)
    return _beyond(traits, pairs, practice, wanted)


def pairs_only(layers: Sequence[Layer], on: Sheet) -> Plan:
    """Traits and pairs alone, in the order given; no order is judged."""
    traits, pairs = _looked_at(layers, on)
    places = tuple(range(len(layers)))
    given = Order(places, math.nan, int(_summed(against(traits), np.array(places))))
    return Plan(traits, (given,), given, None, None, pairs, False, 0)


def _looked_at(layers: Sequence[Layer], on: Sheet) -> tuple[tuple[Traits, ...], tuple[Pair, ...]]:
    both_ways = itertools.permutations(range(len(layers)), 2)
    return (
        tuple(_traits(layer, on) for layer in layers),
        tuple(pair(layers, on, lower, upper) for lower, upper in both_ways),
    )


def _traits(layer: Layer, on: Sheet) -> Traits:
    ratio = float(contrast_ratio(layer.kx, layer.sx))
    possible = contrast_ratio(layer.kx_samples, layer.sx_samples)
    return Traits(over([layer], on), Number(ratio, *interval_with(ratio, possible)))


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


def by_practice(traits: Sequence[Traits]) -> tuple[int, ...]:
    """The order of common practice (no source): light before dark, black last; among layers
    alike in lightness, transparent before opaque."""

    def key(place: int) -> tuple[bool, int, float]:
        one = traits[place]
        return one.black, -round(one.lightness / _LIGHTER_L), one.opacity.value

    return tuple(sorted(range(len(traits)), key=key))


def against(traits: Sequence[Traits]) -> np.ndarray:
    """(n, n) bool: it goes against common practice to print one layer (row) before another
    (column). Layers alike in lightness and opacity may follow each other either way."""
    rank = np.argsort(by_practice(traits))
    light, opaque = np.array([(t.lightness, t.opacity.value) for t in traits]).T
    unlike = (np.abs(light[:, None] - light) > _LIGHTER_L) | (
        np.abs(opaque[:, None] - opaque) > _MORE_OPAQUE
    )
    found: np.ndarray = (rank[:, None] > rank) & unlike
    return found


def _price(traits: Sequence[Traits]) -> np.ndarray:
    """(n, n) what it must gain of the score to print one layer before another: nothing as
    common practice has it, twice as much for a black as for others."""
    weight = np.array([2.0 if t.black else 1.0 for t in traits])
    price: np.ndarray = CLEAR_GAIN / math.comb(len(traits), 2) * against(traits) * weight[:, None]
    return price


def _summed(table: np.ndarray, orders: np.ndarray) -> np.ndarray:
    """(...) what a table (n, n) of one layer before another says of ``orders`` (..., n)."""
    first, then = np.triu_indices(orders.shape[-1], 1)
    found: np.ndarray = table[orders[..., first], orders[..., then]].sum(axis=-1)
    return found


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


def _fault(stack, below, alone, depth: int, n: int) -> np.ndarray:
    """What an overlap of ``depth`` layers of ``n`` adds to the score; Lab (..., 3) of it, of
    it without its top layer, and of the top layer on paper."""
    lost, shows = _faults(delta_e_2000(stack, below), delta_e_2000(stack, alone))
    return 0.5 ** (depth - 2) / math.comb(n, depth) * (lost + shows)


def _faults(change, shows):
    """How far a layer is lost, and how far what lies below it shows, 0 to 1 each."""
    return np.clip(1 - change / LOST_DE, 0, 1), np.minimum(shows / SHOWS_ALL_DE, 1)


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
        fault = _fault(stack, lab[parent], alone[top], depth, n)
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
    breaks = _summed(against(traits), orders)
    ranked = np.argsort(score + _summed(_price(traits), orders), kind="stable")

    def order(places: Sequence[int]) -> Order:
        at = int(np.flatnonzero((orders == places).all(axis=1))[0])
        return Order(tuple(map(int, places)), float(score[at]), int(breaks[at]))

    listed = [order(orders[i]) for i in ranked[:LISTED]]
    usual = order(practice)
    if practice not in [o.places for o in listed]:
        listed = [*listed[: LISTED - 1], usual]
    found = _with_odds(listed, usual, layers, on)
    worst = order(orders[int(np.argmax(score))])
    asked = None if wanted is None else order(wanted)
    return Plan(traits, tuple(found), usual, worst, asked, pairs, True, len(orders))


def _with_odds(orders: list[Order], usual: Order, layers, on: Sheet) -> list[Order]:
    """The orders with how often each is as good as the best of them, over some samples. The
    first one gives way to ``usual`` where it is not sure to gain by going against practice."""
    some = slice(0, LAYER_SAMPLES, 4)
    score = np.array([_sampled_score(o.places, layers, on, some) for o in orders])
    good = (score <= score.min(axis=0) + TIE).mean(axis=1)
    found = [replace(o, p_good=float(p)) for o, p in zip(orders, good, strict=True)]
    at = [o.places for o in orders].index(usual.places)
    if at and (score[0] < score[at]).mean() < SURE_GAIN:
        found.insert(0, found.pop(at))
    return found


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
        total = total + _fault(stack, below, alone, depth, n).sum(axis=0)
    return total


def _beyond(traits, pairs, practice, wanted) -> Plan:
    """More layers than can be tried: begin with common practice and move single layers as long
    as the faults of the pairs become fewer by enough. Not proven to be the best."""
    n = len(traits)
    fault, breaks = np.zeros((n, n)), against(traits)
    for p in pairs:
        fault[p.lower, p.upper] = sum(p.faults) / math.comb(n, 2)
    cost = fault + _price(traits)

    def order(places: Sequence[int]) -> Order:
        at = np.array(places)
        return Order(tuple(places), float(_summed(fault, at)), int(_summed(breaks, at)))

    def improved(best: tuple[int, ...]) -> tuple[int, ...]:
        lowest, tried = _summed(cost, np.array(best)), None
        while tried != best:
            tried = best
            for i, j in itertools.permutations(range(n), 2):
                moved = list(tried)
                moved.insert(j, moved.pop(i))
                value = _summed(cost, np.array(moved))
                if value < lowest - 1e-9:
                    best, lowest = tuple(moved), value
        return best

    orders = [order(places) for places in dict.fromkeys((improved(practice), practice))]
    asked = None if wanted is None else order(wanted)
    return Plan(traits, tuple(orders), orders[-1], None, asked, pairs, False, 0)
