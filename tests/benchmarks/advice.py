"""How good is the advice? A closed loop against hidden inks.

    python tests/benchmarks/advice.py [--cases 300] [--seed 1] [--trails 0.08]
        [--knows batch] [--wrong]

Hidden are the true inks of studios (``advice_inks.py``): other pigments than the starter's, their
spectra, the surface, the paper and the usual film. The shelf knows them from fitted strips.
(``--rough 1``: instead the starter's own pigments, changed, with the stand-ins as the shelf.)
A recipe gives the original; the batch strays from it by 10 to 40 % in one or more inks. The
program sees colours of strips whose films vary by 20 %, with the errors of rendered photos
(``photo_noise.py``), and what ``--knows`` says of the mix (weighed to 2 %): the original's, the
batch's own, both, the original's given as if it were the batch's (recipe), the names of the inks
alone (inks), that it was let down in white or base (thin), or nothing. With ``--wrong`` another
colour went into the batch than the recipe says, and only ``--knows batch`` or ``both`` know it.
Its advice is followed for up to three additions, each weighed to 2 %, with a new strip each time,
and another strip where it asks for one. Judged is the true Delta E 2000 between original and batch
at equal film.
``--trails`` also tells it the ratio of both films, with that error of its logarithm. ``--film
stroke`` compares the batch with a little ink weighed out afresh by the original's recipe (to 2 %),
both pulled in one stroke (films alike to 3 %). With ``--film`` let-downs in base and tints in white
have figures of their own.
Nothing here is measured ink: real inks will do worse.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS, smooth_spectrum
from drawdown.ink import film
from drawdown.ink.forward import mix_of
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.advise import advise
from drawdown.matching.batch_history import Step
from drawdown.matching.film_or_ink import ALIKE_SD
from tests.benchmarks.advice_inks import Studio
from tests.benchmarks.advice_inks import studio as hidden_studio
from tests.kits.advice_kit import reading

TOLERANCE = 2.0
FILM_SPREAD = 0.20  # strips differ by up to this
RECIPE_SD = 0.02  # what was weighed for the original against what was noted
WEIGHING_SD = 0.02
NOISE = np.loadtxt(
    Path(__file__).with_name("data") / "photo_noise.csv", delimiter=",", skiprows=1
)  # photo_noise.py makes it
ADVICE = "advice, first part each time"
MOST_STRIPS = 3  # of one batch, however often another is asked for
ALIKE = 25  # photos whose strips were about as far apart, to draw the noise of a reading from


@dataclass
class World:
    """The truth, which the advice never sees."""

    k: np.ndarray
    s: np.ndarray
    k1: float
    k2: float
    paper: np.ndarray
    film: float

    def lab(self, parts: np.ndarray, film_factor: float = 1.0) -> np.ndarray:
        k, s = mix_of(parts, self.k, self.s)
        ground = film.internal_from_measured(self.paper, self.k1, self.k2)
        inside = film.reflectance(k, s, self.film * film_factor, ground)
        return xyz_to_lab(film.measured_from_internal(inside, self.k1, self.k2) @ XYZ_D50_WEIGHTS)


@dataclass
class Case:
    world: World
    recipe: np.ndarray
    batch: np.ndarray
    noted: dict[str, float]  # the original's mix
    own: dict[str, float]  # the batch's
    original_film: float
    paper_lab: np.ndarray
    way: str  # thinned in white, base, both; or alone


def _smooth(rng, shape: int, sd: float) -> np.ndarray:
    """Random smooth factors (shape, 31): four Gaussian bumps, log sd about ``sd``."""
    nm = np.arange(400, 701, 10)
    centre = rng.uniform(380, 720, (shape, 4, 1))
    width = rng.uniform(35, 120, (shape, 4, 1))
    bumps = rng.normal(0, 1, (shape, 4, 1)) * np.exp(-(((nm - centre) / width) ** 2) / 2)
    return np.exp(sd * bumps.sum(axis=1))


def near_world(rng, shelf: Shelf, rough: float = 1.0) -> tuple[World, np.ndarray]:
    """The shelf's own inks, changed; ``rough`` multiplies how far."""
    n = len(shelf)
    strength = np.exp(rough * rng.normal(0, 0.2, (n, 1)))
    k = np.array([i.k for i in shelf]) * strength * np.exp(rough * rng.normal(0, 0.15, (n, 1)))
    s = np.array([i.s for i in shelf]) * strength * np.exp(rough * rng.normal(0, 0.15, (n, 1)))
    k, s = k * _smooth(rng, n, 0.15 * rough), s * _smooth(rng, n, 0.15 * rough)
    paper_lab = np.array([rng.uniform(92, 96), rng.normal(0, 0.5), rng.uniform(0, 5)])
    world = World(
        k, s, rng.uniform(0.03, 0.045), rng.uniform(0.5, 0.68),
        smooth_spectrum(paper_lab), np.exp(rng.normal(0, 0.2)),
    )  # fmt: skip
    return world, paper_lab


def other_world(studio: Studio) -> tuple[World, np.ndarray]:
    """A studio whose inks the shelf knows only from fits."""
    paper = smooth_spectrum(studio.paper_lab)
    world = World(studio.k, studio.s, studio.k1, studio.k2, paper, studio.film)
    return world, studio.paper_lab


def make_case(rng, shelf: Shelf, world: World, paper_lab: np.ndarray, wrong: bool = False) -> Case:
    """A recipe, and a batch of it that went wrong; ``wrong``: by another colour."""
    n = len(shelf)
    kinds = np.array([i.kind for i in shelf])
    colours = np.flatnonzero(kinds == "colour")
    while True:
        recipe = np.zeros(n)
        chosen = rng.choice(colours, size=rng.choice([1, 2, 3], p=[0.35, 0.45, 0.2]), replace=False)
        recipe[chosen] = rng.uniform(0.1, 1.0, chosen.size)
        if rng.random() < 0.25:
            recipe[rng.choice(np.flatnonzero(kinds == "black"))] = rng.uniform(0.05, 0.3)
        way = rng.choice(["white", "base", "both", "alone"], p=[0.5, 0.25, 0.15, 0.1])
        total = recipe.sum()
        down = total * rng.uniform(1.0, 12.0)
        share = {"white": (1, 0), "base": (0, 1), "both": (0.5, 0.5), "alone": (0, 0)}[way]
        for kind, part in zip(("white", "base"), share, strict=True):
            recipe[np.flatnonzero(kinds == kind)[0]] = part * down
        recipe /= recipe.sum()
        used = np.flatnonzero(recipe)
        off = used[rng.random(used.size) < 0.6]
        if off.size == 0:
            continue
        batch = recipe.copy()
        if wrong:
            taken = rng.choice(chosen)
            batch[rng.choice(np.setdiff1d(colours, chosen))] = batch[taken]
            batch[taken] = 0.0
            off = np.flatnonzero(batch)
        batch[off] *= 1 + rng.choice([-1, 1], off.size) * rng.uniform(0.1, 0.4, off.size)
        batch /= batch.sum()
        if delta_e_2000(world.lab(recipe), world.lab(batch)) > TOLERANCE:
            break
    noted = {
        shelf.inks[i].name: float(100 * recipe[i] * np.exp(rng.normal(0, RECIPE_SD))) for i in used
    }
    film_factor = rng.uniform(1 - FILM_SPREAD, 1 + FILM_SPREAD)
    own = {
        shelf.inks[i].name: float(100 * batch[i] * np.exp(rng.normal(0, RECIPE_SD)))
        for i in np.flatnonzero(batch)
    }
    return Case(world, recipe, batch, noted, own, film_factor, paper_lab, str(way))


@dataclass
class Photo:
    """A photo's readings of the original's strip and a new one of the batch, and what the
    program believes of them."""

    original: np.ndarray
    batch: np.ndarray
    difference_cov: np.ndarray
    common_sd: np.ndarray
    film_ratio: float | None  # batch over original, as the strips' trails tell it
    film_log_sd: float


STROKE_SD = 0.03  # of the log ratio of two films that are pulled in one stroke


def take_photo(
    rng, case: Case, batch: np.ndarray, trails: float | None = None, told_by: str | None = None
) -> Photo:
    """Strips with uneven films, read with the errors of a photo whose strips were about as far
    apart; errors are laid on this colour by the local CIEDE2000 metric."""
    film_batch = rng.uniform(1 - FILM_SPREAD, 1 + FILM_SPREAD)
    kept, film_kept = case.recipe, case.original_film
    if told_by == "stroke":
        kept = kept * np.exp(rng.normal(0, RECIPE_SD, len(kept)))
        kept, film_kept = kept / kept.sum(), film_batch * np.exp(rng.normal(0, STROKE_SD))
    one = case.world.lab(kept, film_kept)
    two = case.world.lab(batch, film_batch)
    ratio = film_batch / film_kept * np.exp(rng.normal(0, trails or 1.0))
    gap = float(delta_e_2000(one, two))
    near = np.abs(NOISE[:, -1] - gap).argsort()[:ALIKE]
    row = NOISE[rng.choice(near)]
    back = np.linalg.inv(local_metric(one))
    root = np.zeros((3, 3))
    root[np.tril_indices(3)] = row[7:13]
    root = back @ root
    card = np.sqrt((back**2) @ row[[13, 14, 14]] ** 2)
    original = one + back @ row[1:4]
    return Photo(
        original, original + (two - one) + back @ row[4:7], root @ root.T, card,
        ratio if trails else 1.0 if told_by == "stroke" else None,
        trails or ALIKE_SD,
    )  # fmt: skip


def exact_cost(case: Case) -> float:
    """Ink, in shares of the batch, that would restore the recipe exactly, inks only added."""
    used = case.recipe > 0
    return float((case.batch[used] / case.recipe[used]).max() - 1)


# Ways to decide: each returns {index of ink: share of the batch's weight} ------------------


@dataclass
class Move:
    """What to do: ``step`` {index of ink: share of the batch}, ``portion`` of the batch that
    goes on, the interval promised for the distance afterwards, seconds it took to say so."""

    step: dict[int, float]
    portion: float = 1.0
    promised: tuple[float, float] | None = None
    took: float = 0.0
    look_again: bool = False  # pull another strip of the same batch first


KNOWS = ("original", "batch", "both", "recipe", "inks", "thin", "nothing")


def told(case: Case, shelf: Shelf, knows: str) -> dict[str, dict[str, float] | None]:
    """What the program is told of both mixes."""
    names = tuple(case.own)
    thin = tuple(n for n in names if shelf.find(n).kind in ("white", "base"))
    return {
        "original": {"original_mix": case.noted},
        "batch": {"mix": case.own},
        "both": {"mix": case.own, "original_mix": case.noted},
        "recipe": {"mix": case.noted},
        "inks": {"inks": names},
        "thin": {"inks": thin},
        "nothing": {},
    }[knows]


def by_advice(
    case, shelf, photo, past, *, first=True, knows="original", learn=True, knowledge=None
):
    story, added = [], {}
    for earlier, put_in in past if learn else []:
        data = reading(
            earlier.original, earlier.batch, None, None, earlier.difference_cov, earlier.common_sd
        )
        story.append(Step(data, added, earlier.film_ratio, earlier.film_log_sd))
        added = {shelf.names[i]: share for i, share in put_in.items()}
    mixes = told(case, shelf, knows)
    if not learn and past:  # the mix as it should be now
        noted = dict(mixes.get("mix") or mixes["original_mix"])
        for _, put_in in past:
            whole = sum(noted.values())
            for i, share in put_in.items():
                noted[shelf.names[i]] = noted.get(shelf.names[i], 0.0) + share * whole
        mixes = mixes | {"mix": noted}
    started = time.perf_counter()
    data = reading(photo.original, photo.batch, None, None, photo.difference_cov, photo.common_sd)
    now = Step(data, dict(added or {}), photo.film_ratio, photo.film_log_sd)
    answer = advise(
        (*story, now), shelf, mixes.get("mix"), original_mix=mixes.get("original_mix"),
        inks=mixes.get("inks", ()),
        tolerance=TOLERANCE, paper_lab=case.paper_lab, knowledge=knowledge,
    )  # fmt: skip
    took = time.perf_counter() - started
    rows = answer.add_first if first else answer.additions
    step = {shelf.names.index(name): parts / 100 for name, parts in rows}
    return Move(step, answer.portion, answer.first_de00_95, took, answer.look_again)


def by_three_bands(case, shelf, photo, past):
    """Kubelka-Munk on three bands, the recipe taken as noted, one or two inks."""
    original, batch = photo.original, photo.batch
    if delta_e_2000(original, batch) <= TOLERANCE:
        return Move({})
    bands = np.repeat([0, 1, 2], [10, 10, 11])
    mean = lambda v: np.array([[row[bands == b].mean() for b in bands] for row in v])  # noqa: E731
    k, s = mean([i.k for i in shelf]), mean([i.s for i in shelf])
    ground = film.internal_from_measured(smooth_spectrum(case.paper_lab))
    noted = np.array([case.noted.get(name, 0.0) for name in shelf.names])
    noted = noted / noted.sum()

    def labs(parts):
        inside = film.reflectance(*mix_of(parts, k, s), 1.0, ground)
        return xyz_to_lab(film.measured_from_internal(inside) @ XYZ_D50_WEIGHTS)

    n = len(shelf)
    steps = np.geomspace(0.002, 1.5, 18)
    one = [{i: a} for i in range(n) for a in steps]
    added = np.array([[row.get(i, 0.0) for i in range(n)] for row in one])
    now = labs(noted[None])
    gaps = original - (batch + labs(noted + added) - now)
    best = one[int(delta_e_2000(np.zeros_like(gaps) + original, original - gaps).argmin())]
    (lead, _), few = next(iter(best.items())), {}
    two = [{lead: a, j: b} for j in range(n) if j != lead for a in steps for b in steps[::2]]
    added = np.array([[row.get(i, 0.0) for i in range(n)] for row in two])
    gaps = original - (batch + labs(noted + added) - now)
    distance = delta_e_2000(np.zeros_like(gaps) + original, original - gaps)
    few = two[int(distance.argmin())]
    return Move(few)


def by_hue(case, shelf, photo, past):
    """A dab (2 %) of the single ink whose colour lies nearest in the wanted direction."""
    original, batch = photo.original, photo.batch
    if delta_e_2000(original, batch) <= TOLERANCE:
        return Move({})
    ground = film.internal_from_measured(smooth_spectrum(case.paper_lab))
    labs = xyz_to_lab(
        film.measured_from_internal(
            film.reflectance([i.k for i in shelf], [i.s for i in shelf], 1.0, ground)
        )
        @ XYZ_D50_WEIGHTS
    )
    towards = labs - batch
    wanted = original - batch
    cosine = (towards @ wanted) / np.linalg.norm(towards, axis=1) / np.linalg.norm(wanted)
    return Move({int(cosine.argmax()): 0.02})


@dataclass
class Followed:
    """What came of it: true distance before and after each of three steps, ink added in
    shares of the first batch, whether each promised interval held, seconds per decision."""

    distance: list[float]
    added: float
    kept: list[tuple[float, float, float]]
    took: list[float]
    batches: list[np.ndarray]
    photos: list[Photo]
    steps: list[dict[int, float]]  # what went in after each photo
    way: str = ""  # of thinning, as of the case


def follow(
    rng, case: Case, decide, trails: float | None = None, told_by: str | None = None
) -> Followed:
    """Follow ``decide`` for up to three additions."""
    batch, weight, out = case.batch.copy(), 1.0, Followed([], 0.0, [], [], [], [], [])
    goal = case.world.lab(case.recipe)
    out.distance.append(float(delta_e_2000(goal, case.world.lab(batch))))
    past, done = [], False
    for _ in range(3):
        if not done:
            pulled = 0
            while True:
                photo = take_photo(rng, case, batch, trails, told_by)
                move = decide(photo, past)
                out.took.append(move.took)
                out.batches.append(batch)
                out.photos.append(photo)
                pulled += 1
                if not move.look_again or pulled >= MOST_STRIPS:
                    break
                past = [*past, (photo, {})]
                out.steps.append({})
            done = not move.step
            out.steps.append(move.step)
            past = [*past, (photo, move.step)]
            batch = batch * move.portion
            for ink, share in move.step.items():
                amount = move.portion * share * np.exp(rng.normal(0, WEIGHING_SD))
                batch[ink] += amount
                out.added += amount * weight
            weight *= batch.sum()
            batch = batch / batch.sum()
        out.distance.append(float(delta_e_2000(goal, case.world.lab(batch))))
        if move.promised is not None and not done:
            out.kept.append((*move.promised, out.distance[-1]))
    return out


CASES_PER_STUDIO = 30


def cases_of(cases: int, seed: int, rough: float | None, wrong: bool = False):
    """(case, shelf) one after another: other pigments in a new studio every so often, or with
    ``rough`` the starter's own."""
    for number in range(cases):
        rng = np.random.default_rng([seed, number])
        if rough is not None:
            shelf = starter_shelf()
            world, paper = near_world(rng, shelf, rough)
        else:
            if number % CASES_PER_STUDIO == 0:
                home = hidden_studio(seed * 1000 + number, NOISE)
            shelf, (world, paper) = home.shelf, other_world(home)
        yield make_case(rng, shelf, world, paper, wrong), shelf


def run(cases: int, seed: int, knows: str = "original", baselines: bool = True,
        rough: float | None = None, trails: float | None = None, quick: bool = False,
        wrong: bool = False, told_by: str | None = None):  # fmt: skip
    asked = {
        ADVICE: {"first": True},
        "advice, all of it each time": {"first": False},
        "advice that forgets earlier photos": {"first": True, "learn": False},
    }
    if quick:
        asked = {ADVICE: asked[ADVICE]}
    ways = {
        name: lambda *a, how=how: by_advice(*a, knows=knows, **how) for name, how in asked.items()
    }
    if baselines:
        ways |= {"three-band mixing": by_three_bands, "nearest hue, 2 % dabs": by_hue}
    results = {name: [] for name in ways}
    delta_e_2000(np.zeros((1, 3)), np.ones((1, 3)))  # load it before the clock runs
    for number, (case, shelf) in enumerate(cases_of(cases, seed, rough, wrong)):
        for name, decide in ways.items():
            rng = np.random.default_rng([seed, number, 1])
            results[name].append(
                follow(
                    rng,
                    case,
                    lambda *a, way=decide, case=case, shelf=shelf: way(case, shelf, *a),
                    trails,
                    told_by,
                )
            )
            results[name][-1].way = case.way
    return results


def report(results) -> None:
    for name, rows in results.items():
        d, added = np.array([r.distance for r in rows]), np.array([r.added for r in rows])
        print(f"\n{name} ({len(d)} cases)")
        print("  step   within 2   median   90 %   95 %   made worse by this addition")
        for step in range(4):
            worse = (d[:, step] > d[:, max(0, step - 1)] + 0.05).mean()
            print(
                f"  {step}      {100 * (d[:, step] <= TOLERANCE).mean():5.1f} %  "
                f"{np.median(d[:, step]):6.2f} {np.quantile(d[:, step], 0.9):6.2f} "
                f"{np.quantile(d[:, step], 0.95):6.2f}   {100 * worse:.1f} %"
            )
        print(
            f"  ink added: median {100 * np.median(added):.1f} %, "
            f"90 % of cases {100 * np.quantile(added, 0.9):.1f} %"
        )
        # Who is told to weigh something must not end far away.
        weighed = np.array([bool(r.added) for r in rows])
        print(
            f"  ink was weighed in {100 * weighed.mean():.0f} % of the cases; of these "
            f"{100 * (d[weighed, 3] > 4).mean():.0f} % end beyond Delta E 4"
        )
        print(f"  photos taken: mean {np.mean([len(r.photos) for r in rows]):.2f}")
        kept = np.array([k for r in rows for k in r.kept])
        if len(kept):
            low, high, true = kept.T
            held, above = ((low <= true) & (true <= high)).mean(), (true > high).mean()
            print(
                f"  interval for the next step: holds {100 * held:.1f} % of {len(kept)} (above "
                f"it {100 * above:.1f} %), median width {np.median(high - low):.2f}"
            )
        seconds = np.concatenate([r.took for r in rows])
        if seconds.any():
            print(
                f"  time for one advice: median {1e3 * np.median(seconds):.0f} ms, "
                f"slowest {1e3 * seconds.max():.0f} ms"
            )


def time_of_shelves() -> None:
    """One advice for shelves of 20, 40 and 60 inks, with and without a mix."""
    from dataclasses import replace

    print("inks on the shelf   mix noted, third photo   mix guessed, first photo")
    for size in (20, 40, 60):
        rng = np.random.default_rng(size)
        inks = [
            replace(ink, name=f"{ink.name}-{turn}" if turn else ink.name, starter="",
                    k=ink.k * _smooth(rng, 1, 0.3)[0], kind=ink.kind if turn == 0 else "colour")
            for turn in range(size // 20)
            for ink in starter_shelf()
        ]  # fmt: skip
        shelf = Shelf(tuple(inks))
        times = {True: [], False: []}
        for number in range(12):
            case = make_case(rng, shelf, *near_world(rng, shelf))
            past = [
                (take_photo(rng, case, case.batch), {2: 0.002}),
                (take_photo(rng, case, case.batch), {3: 0.002}),
            ]
            for mix in times:
                photo = take_photo(rng, case, case.batch)
                move = by_advice(
                    case, shelf, photo, past if mix else [], knows="original" if mix else "nothing"
                )
                if number:
                    times[mix].append(move.took)
        cells = [
            f"median {1e3 * np.median(t):4.0f}, slowest {1e3 * max(t):4.0f} ms"
            for t in times.values()
        ]
        print(f"{size:6d}              {cells[0]}   {cells[1]}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--knows", choices=KNOWS, default="original", help="whose mix is known")
    parser.add_argument("--wrong", action="store_true", help="another colour is in the batch")
    parser.add_argument("--quick", action="store_true", help="the advice alone, no comparisons")
    parser.add_argument(
        "--rough", type=float,
        help="the starter's own pigments, changed so much (1 is usual), instead of others",
    )  # fmt: skip
    parser.add_argument("--shelves", action="store_true", help="time against size of shelf alone")
    parser.add_argument(
        "--trails", type=float, help="the strips' trails tell the film ratio, this exactly (log)"
    )
    parser.add_argument("--film", choices=("none", "stroke"), help="what tells the films")
    given = parser.parse_args()
    if given.shelves:
        time_of_shelves()
        return
    cases = cases_of(given.cases, given.seed, given.rough, given.wrong)
    costs = [exact_cost(case) for case, _ in cases if not given.wrong] or [np.nan]
    print(f"To restore the recipes exactly would take {100 * np.median(costs):.1f} % (median).")
    results = run(given.cases, given.seed, given.knows, not given.quick, given.rough,
                  given.trails, given.quick, given.wrong, given.film)  # fmt: skip
    report(results)
    if given.film:
        for way in ("base", "white"):
            some = {n: [r for r in rows if r.way == way] for n, rows in results.items()}
            report({f"{n}, thinned in {way}": rows for n, rows in some.items()})


if __name__ == "__main__":
    main()
