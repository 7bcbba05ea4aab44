"""What may have gone into original and batch: the mixes that were noted, what may have gone wrong
with them, and where none was noted a plausible recipe for a colour.

One photo cannot tell which pigments are in an ink; a guess only finds a mixture of inks on the
shelf that looks like it, so that the direction of an addition can be worked out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.colour.difference import local_metric
from drawdown.ink.forward import film_slopes, lab_of_mix
from drawdown.ink.prior import FILM_COMMON_SD, FILM_SD, ROWS
from drawdown.ink.shelf import Shelf
from drawdown.matching.batch_history import Step, added_in_all

Mix = Mapping[str, float]  # names of the shelf -> parts by weight
ORIGINAL_SD = 0.05  # weighing error of a noted mix
BATCH_SD = 0.25  # how far a batch strays from its recipe
ADDED_SD = 0.03  # weighing error of an addition
# A guessed recipe is far less certain than a noted one.
INFERRED_SD = 0.15
SAME_SHARE = 0.0005  # of the whole: less is no other mix
THINS = ("white", "base")  # kinds of ink


@dataclass(frozen=True, eq=False)
class Recipe:
    """One thing that may be so: the mix of the original and that of the batch, and how they hang
    together. ``sd``, of the logarithms, is how far the noted mix is from what was weighed.
    Of the two, ``strays`` is the one that is off it by ``stray_sd``; ``apart`` says that it has a
    mix of its own. ``wide`` are inks whose amount in it nobody knows, with their own width."""

    original: Mix
    batch: Mix
    log_prior: float = 0.0
    sd: float = ORIGINAL_SD
    strays: str = "batch"
    stray_sd: float = BATCH_SD
    apart: bool = False
    wide: Mix = field(default_factory=dict)

    @property
    def by_mistake(self) -> tuple[str | None, str | None]:
        """The ink that went in by mistake, and the one whose place it took."""
        missing = set(self.original) ^ set(self.batch) if not self.apart else set()
        return next(iter(self.wide), None), next(iter(missing - set(self.wide)), None)

    @property
    def lead(self) -> list[list[float]]:
        """How the parts of (original, batch) follow their (common, straying) unknowns."""
        one, other = [self.sd, 0.0], [0.0 if self.apart else self.sd, 1.0]
        return [one, other] if self.strays == "batch" else [other, one]


@dataclass(frozen=True, eq=False)
class Recipes:
    """Several recipes side by side (g), each of up to m inks; empty places have no parts.
    The unknowns of a recipe, standard normal: m inks' own (ROWS each), m parts that both have in
    common, m by which one strays, m of each addition, films: usual, original's, each photo's."""

    inks: np.ndarray  # (g, m) places on the shelf
    parts: np.ndarray  # (g, 2, m) by weight: the original's, the batch's
    lead: np.ndarray  # (g, 2, 2) how the logarithms of both follow the common and the straying
    stray_sd: np.ndarray  # (g, m) what the straying is multiplied by
    least_stray_sd: np.ndarray  # (g, m) the same before anything was seen
    film_ratios: tuple[float | None, ...]  # of each photo
    ratio_sd: tuple[float, ...]  # of their logarithms
    ground: np.ndarray
    added: np.ndarray  # (photos, g, m) shares of the batch's first weight, the first all zero

    @property
    def photos(self) -> int:
        return len(self.film_ratios)

    @property
    def size(self) -> int:
        return int(self.inks.shape[1] * (ROWS + 1 + self.photos) + 2 + self.photos)

    @property
    def films(self) -> tuple[np.ndarray, np.ndarray]:
        """(2 + photos, 1 + photos) how the strips' log films follow their unknowns, and
        (1 + photos,) what they are to begin with: a ratio ties a film to the original's."""
        follow = np.zeros((2 + self.photos, 1 + self.photos))
        first = np.zeros(1 + self.photos)
        follow[0], follow[1, 0] = FILM_COMMON_SD, FILM_SD
        for photo, (ratio, sd) in enumerate(zip(self.film_ratios, self.ratio_sd, strict=True), 1):
            follow[1 + photo, photo] = FILM_SD if ratio is None else sd
            if ratio is not None:
                follow[1, photo], first[photo] = FILM_SD, np.log(ratio)
        return follow, first

    @property
    def at_stray(self) -> slice:
        """Where the unknowns stand by which one of both strays."""
        m = self.inks.shape[1]
        return slice(m * (ROWS + 1), m * (ROWS + 2))

    def reach(self, strip: int) -> tuple[np.ndarray, np.ndarray]:
        """(g, m) twice: what a unit of the common and of the straying unknowns does to the
        logarithms of the original's (0) or the batch's (1) parts."""
        common, stray = self.lead[:, strip, :, None].swapaxes(0, 1)
        return common + 0 * self.stray_sd, stray * self.stray_sd

    def unpack(
        self, theta: np.ndarray, row: int | slice = slice(None)
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Unknowns (g, size) of all recipes, or (..., size) of one ``row`` -> inks' unknowns
        (..., m, ROWS), parts of the strips (..., 1 + photos, m), log films (..., 1 + photos)."""
        m, photos = self.inks.shape[1], self.photos
        z = theta[..., : m * ROWS].reshape(*theta.shape[:-1], m, ROWS)
        rest = theta[..., m * ROWS : -2 - photos]
        rest = rest.reshape(*theta.shape[:-1], 1 + photos, m)
        strips = []
        for strip in (0, 1):
            common, stray = (reach[row] for reach in self.reach(strip))
            parts = self.parts[row, strip] * np.exp(
                common * rest[..., 0, :] + stray * rest[..., 1, :]
            )
            strips.append(parts / parts.sum(-1, keepdims=True))
        for photo in range(1, photos):
            more = self.added[photo][row] * np.exp(ADDED_SD * rest[..., 1 + photo, :])
            strips.append(strips[-1] + more)
        share = np.stack(strips, axis=-2)
        share = share / share.sum(-1, keepdims=True)
        follow, first = self.films
        return z, share, theta[..., -2 - photos :] @ follow + first


def lay_out(
    shelf: Shelf, recipes: list[Recipe], steps: tuple[Step, ...], ground: np.ndarray
) -> Recipes:
    """Recipes side by side, with all that went in later."""
    places = {ink.name: i for i, ink in enumerate(shelf)}
    put_in = added_in_all(steps)
    inks_of = []
    for recipe in recipes:
        inside = [n for mix in (recipe.original, recipe.batch) for n, p in mix.items() if p > 0]
        inks_of.append(list(dict.fromkeys([*inside, *(name for one in put_in for name in one)])))
    shape = len(recipes), max(len(names) for names in inks_of)
    inks, stray = np.zeros(shape, dtype=int), np.zeros(shape)
    parts, added = np.zeros((shape[0], 2, shape[1])), np.zeros((len(steps), *shape))
    for row, (recipe, names) in enumerate(zip(recipes, inks_of, strict=True)):
        inks[row, : len(names)] = [places[name] for name in names]
        stray[row] = recipe.stray_sd
        for i, name in enumerate(names):
            parts[row, :, i] = recipe.original.get(name, 0.0), recipe.batch.get(name, 0.0)
            stray[row, i] = recipe.wide.get(name, recipe.stray_sd)
            added[:, row, i] = [one.get(name, 0.0) for one in put_in]
    return Recipes(
        inks, parts, np.array([recipe.lead for recipe in recipes]), stray, stray,
        tuple(step.film_ratio for step in steps), tuple(step.film_log_sd for step in steps),
        ground, added,
    )  # fmt: skip


# Noted mixes -----------------------------------------------------------------------------

# A mix that was noted as the batch's may be the recipe that it strayed from, the original's: how
# often it is the batch's indeed, before anything is seen.
AS_NOTED = 0.75
# A wrong ink: how often before anything is seen; how far its amount is from that of the ink whose
# place it took; how much of it may have got in beside the others, and how far from that.
SUSPECTED, MOST_SUSPECTED = 0.1, 24
SWAPPED_SD, GOT_IN, GOT_IN_SD = 0.4, (0.01, 0.1), 0.8


def noted_recipes(mix: Mix | None, original_mix: Mix | None) -> list[Recipe]:
    """What may be so where the batch's mix was noted, or the original's, or both."""
    if mix is None or original_mix is None:
        one = original_mix or mix or {}
        off = (
            Recipe(one, one, np.log(1 - AS_NOTED)),
            Recipe(one, one, np.log(AS_NOTED), strays="original"),
        )
        return [replace(off[0], log_prior=0.0)] if mix is None else list(off)
    if alike(mix, original_mix):
        return [Recipe(mix, original_mix)]
    return [Recipe(original_mix, mix, stray_sd=ORIGINAL_SD, apart=True)]


# Where the inks are known and not how much of each: parts of white and base to all the colours;
# black to one colour; how far each ink's parts are from that. Colours that were named without white
# or base: what it costs that they were let down all the same.
LET_DOWN, BLACK_PART, AMOUNT_SD = (0.7, 3.0, 12.0, 50.0), 0.3, 0.7
PRICE_UNNAMED = 1.0


def named_recipes(shelf: Shelf, names: Collection[str]) -> list[Recipe]:
    """What may be so where all that is known is which inks (names of the shelf, a colour or black
    among them) went in: each way to let them down, with amounts that nobody knows."""
    kind = {ink.name: ink.kind for ink in shelf}
    thins = [name for name in names if kind[name] in THINS]
    tints = {n: BLACK_PART if kind[n] == "black" else 1.0 for n in names if n not in thins}
    whole = sum(tints.values())
    recipes = [] if thins else [Recipe(tints, tints, 0.0, AMOUNT_SD)]
    unnamed = [[ink.name] for ink in shelf if ink.kind in THINS]
    for let_down in [thins] if thins else unnamed:
        for share in LET_DOWN:
            mix = tints | {name: share * whole / len(let_down) for name in let_down}
            recipes.append(Recipe(mix, mix, 0.0 if thins else -PRICE_UNNAMED, AMOUNT_SD))
    return recipes


def suspicions(shelf: Shelf, recipe: Recipe, lab: np.ndarray, ground: np.ndarray) -> list[Recipe]:
    """What else may be so where ``recipe`` does not explain the colours: in the one that strays
    another ink took the place of one that was noted, or got in beside them. Those that look most
    like its colour ``lab`` (3,), each as likely before anything is seen."""
    mix: Mix = getattr(recipe, recipe.strays)
    whole = sum(mix.values())
    kind = {ink.name: ink.kind for ink in shelf}
    tints = {name for name in shelf.names if kind[name] in ("colour", "black")}
    found: list[tuple[Mix, Mix]] = []  # a mix, and what of it nobody knows the amount of
    for other in (name for name in shelf.names if name not in mix):
        for taken, amount in mix.items():
            if (other in tints) == (taken in tints):
                swapped = {n: p for n, p in mix.items() if n != taken}
                found.append((swapped | {other: amount}, {other: SWAPPED_SD}))
        if other in tints:
            found += [(dict(mix) | {other: s * whole}, {other: GOT_IN_SD}) for s in GOT_IN]
    if not found:
        return []
    parts = np.array([[one.get(name, 0.0) for name in shelf.names] for one, _ in found])
    labs = lab_of_mix(shelf.k, shelf.s, parts, 1.0, ground)
    away = np.linalg.norm((labs - lab) @ local_metric(lab).T, axis=1)
    prior = recipe.log_prior + np.log(SUSPECTED / len(found))
    return [
        replace(recipe, **{recipe.strays: found[i][0]}, wide=found[i][1], log_prior=float(prior))
        for i in away.argsort()[:MOST_SUSPECTED]
    ]


def alike(one: Mix, other: Mix) -> bool:
    """Whether two mixes are one, but for what a scale leaves open."""
    whole, of_other = sum(one.values()), sum(other.values())
    return all(
        abs(one.get(ink, 0.0) / whole - other.get(ink, 0.0) / of_other) <= SAME_SHARE
        for ink in {*one, *other}
    )


# Guessing --------------------------------------------------------------------------------

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
    shelf: Shelf, lab: np.ndarray, ground: np.ndarray, count: int,
    film_effect: float | None = None, thins: Collection[str] = (),
) -> list[Guess]:  # fmt: skip
    """Plausible recipes for ``lab`` (3,), best first: of each way to let down (white, base,
    both, neither) the best few, up to ``count`` in all and at least one. ``film_effect`` is
    the Delta E that a film 30 % thinner makes, where the strips show it; ``thins`` names the white
    and base of the shelf that were used, where that is known."""
    lab = np.asarray(lab, dtype=float)
    root = local_metric(lab)
    kinds = [ink.kind for ink in shelf]
    white, base = ([kinds.index(kind)] if kind in kinds else [] for kind in ("white", "base"))
    # On a shelf that lacks one of them, two ways are one, at the price of the latter.
    ways: dict[tuple[int, ...], float] = {
        (): PRICE_ALONE, (*white, *base): PRICE_BOTH, (*base,): PRICE_BASE, (*white,): 0.0
    }  # fmt: skip
    if thins:
        ways = {tuple(i for i, name in enumerate(shelf.names) if name in thins): 0.0}
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
