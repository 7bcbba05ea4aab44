"""The smallest addition of ink that brings the batch to the original.

Pure: colours in, a frozen record of numbers and codes out. The theory is in README.md.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.illuminants import UnderLamp
from calibration.errors import WrongUsage
from drawdown.defaults import TOLERANCE_DE00
from drawdown.flags import STAND_IN_INKS, Flag
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.prior import Knowledge
from drawdown.ink.shelf import Ink, Shelf
from drawdown.matching.addition_search import (
    MOVED_GUESSED_SD,
    MOVED_NAMED_SD,
    MOVED_SD,
    Option,
    high_now,
    interval,
    other_lamps,
    predict,
    prices,
    search,
    small_part,
)
from drawdown.matching.amounts import UNWEIGHED, WayOut, Weighing, mixed_afresh, weigh_out
from drawdown.matching.batch_history import Reading, Step, pulls
from drawdown.matching.batch_model import TEMPER, Fit, fit
from drawdown.matching.compare import MATCH, TOO_CLOSE
from drawdown.matching.learn import contradicts
from drawdown.matching.recipes import (
    INFERRED_SD,
    THINS,
    Mix,
    Recipe,
    guess_mixes,
    named_recipes,
    noted_recipes,
    suspicions,
)

# A colour that no mixture of the shelf's inks comes nearer to (Delta E) is of other inks.
FOREIGN_DE = 8.0
# How far from what the noted mixes can give a wrong ink is thought of: see learn.SURPRISING.
SUSPICIOUS = 1.0
GUESSES, MOST_GUESSES = 40, 10
# How much of the addition to put in first: the surer, the more; and more after the first time,
# when the batch has shown how it answers.
FIRST_SHARES, NEXT_SHARES = (0.4, 1.0), (0.75, 1.0)
# An addition that leaves more than this of the distance, or this many tolerances, is futile.
FUTILE_SHARE, FUTILE_TIMES = 0.7, 2.0
SAME_HUE = 0.94  # cosine of 20 degrees
SURE_WITHIN = 0.95  # probability of being within tolerance at equal film that ends the work
HARDLY_WITHIN = 0.1
MOST_PULLS = 3  # strips of one batch before it is taken as it reads
LEAST_GAIN, LEAST_GAIN_SHARE = 0.3, 0.1  # Delta E and share: less is not worth opening a tin
GUESSED_GAIN_SHARE = 0.3  # where nobody said what is in the batch: then it is better to ask


# What of the mix nobody told.
NOTHING, AMOUNTS, COLOURS, ALL = "", "amounts", "colours", "all"


@dataclass(frozen=True, eq=False)
class Basis:
    """What an advice rests on.

    ``inks`` are those in the mix or advised; ``lab_nearest`` (3,) and ``de00_nearest`` what the
    best addition would come to even if it is not advised; ``de00_now`` the distance as read,
    ``de00_before`` what the photo before this one read (None for a first photo) and
    ``de00_equal_film`` the probable distance if both films were alike. ``settled``: the photo left
    no verdict open; ``reachable``: some addition is worth its ink; ``hue_on_shelf``: some ink has
    about the original's hue; ``surprising``: other amounts of the noted inks would not make such a
    difference; ``newest_added``: ink went in since the photo before; ``learnt``: earlier batches
    taught something of the inks; ``foreign`` Delta E to the nearest mixture, if none looks like the
    strip. ``way_out`` says what can become of a batch that nothing here brings near; ``by_mistake``
    are the ink that seems to be in it by mistake and the one whose place it took, if any.
    ``unknown`` says what nobody told of the mix: ``NOTHING``, ``AMOUNTS`` (the inks were named),
    ``COLOURS`` (white or base was) or ``ALL``."""

    inks: tuple[Ink, ...]
    lab_original: np.ndarray
    lab_nearest: np.ndarray
    de00_nearest: float
    de00_now: float
    de00_before: float | None
    de00_equal_film: float
    tolerance: float
    weighing: Weighing
    settled: bool
    reachable: bool
    hue_on_shelf: bool
    surprising: bool
    newest_added: bool
    learnt: bool
    foreign: float | None
    way_out: WayOut | None = None
    by_mistake: tuple[str | None, str | None] = (None, None)
    unknown: str = NOTHING

    def kind(self, name: str) -> str:
        """White, base, black or colour: what an ink of the mix or the advice is."""
        return next(ink.kind for ink in self.inks if ink.name == name)


@dataclass(frozen=True, eq=False)
class Advice:
    """What to add.

    ``additions`` and ``add_first`` are (ink, parts per 100 parts of the ink they go into, by
    weight); ``add_first`` is the part that is safe to add before the next strip, as nothing
    can be taken out. ``portion`` is the share of the batch they go into: 1, or less when
    the batch would be flooded and a portion of it is to be corrected instead. ``grams`` and
    ``grams_first`` are the same in grams (None when the batch's weight is not known), and
    ``knife_tips`` the inks of which there is less than the scale shows.
    ``predicted_lab_d50`` (3,) and ``predicted_de00`` are for all additions, pulled as thick
    as the original; ``predicted_u95`` (3,) is the half width of the central 95 % of the
    model's samples in L*, a*, b*, and ``predicted_de00_high95`` the value that 95 % of them
    stay below; ``first_de00_95`` the shortest interval that holds 95 % of them, for the
    distance at equal film after the first part, None when nothing is to be added.
    ``p_within`` is the probability that the batch is within tolerance as it is, both films
    alike, from all photos of it so far; ``look_again`` says that another strip of the same
    batch should come before any ink. ``lamps`` are predicted distances after all additions
    under other lamps. ``mix_used`` is
    in parts per 100; ``mix_inferred`` says that it was guessed from the colour. ``basis`` is what
    it all rests on: the sentences are made from it (wording/advice).
    """

    additions: tuple[tuple[str, float], ...]
    add_first: tuple[tuple[str, float], ...]
    portion: float
    grams: tuple[tuple[str, float], ...] | None
    grams_first: tuple[tuple[str, float], ...] | None
    predicted_lab_d50: np.ndarray
    predicted_u95: np.ndarray
    predicted_de00: float
    predicted_de00_high95: float
    mix_used: dict[str, float]
    mix_inferred: bool
    flags: tuple[Flag, ...]
    basis: Basis = field(repr=False)
    knife_tips: tuple[str, ...] = ()
    first_de00_95: tuple[float, float] | None = None
    p_within: float | None = None
    look_again: bool = False
    lamps: tuple[UnderLamp, ...] = ()


# Long by what it says of its parameters.
def advise(
    steps: tuple[Step, ...],
    shelf: Shelf,
    mix: Mix | None = None,
    *,
    original_mix: Mix | None = None,
    inks: Collection[str] = (),
    tolerance: float = TOLERANCE_DE00,
    paper_lab: np.ndarray | None = None,
    weighing: Weighing = UNWEIGHED,
    verdict: str | None = None,
    knowledge: Knowledge | None = None,
    film_effect: float | None = None,
    lamps: Mapping[str, np.ndarray] = MappingProxyType({}),
) -> Advice:
    """Which ink to add, how much, and what it should come to.

    ``steps`` are the photos of the batch, this one last; ``mix`` what the batch was mixed from (any
    names the shelf finds, parts by weight) as at the first of them, ``original_mix`` what the
    original was; with neither, both are guessed, of ``inks`` where these were named (or only white
    or base); ``paper_lab`` (3,) the bare sheet; ``verdict`` what this photo's comparison came to;
    ``knowledge`` what was learnt of the inks before; ``film_effect`` Delta E of a film 30 % thinner
    as the strips show it, which helps to guess a recipe; ``lamps`` (name -> (31, 3)) come
    beside the usual ones. Raises ``WrongUsage`` for an ink that is not on the shelf."""
    now = steps[-1].reading
    _check(weighing, tolerance, steps[-1].film_ratio)
    ground = paper_ground(paper_lab)
    names = tuple(shelf.find(ink).name for ink in inks)
    unknown = _unknown(shelf, mix or original_mix, names)
    inferred = bool(unknown)
    if unknown in (NOTHING, AMOUNTS):
        recipes, foreign = _noted(shelf, mix, original_mix, names), None
    else:
        recipes, foreign = _guessed(shelf, names, now.lab_original, ground, film_effect)
    temper, moved = {
        NOTHING: (1.0, MOVED_SD), AMOUNTS: (1.0, MOVED_NAMED_SD),
    }.get(unknown, (TEMPER, MOVED_GUESSED_SD))  # fmt: skip
    model = as_noted = fit(shelf, recipes, steps, ground, MOST_GUESSES, knowledge, temper)
    surprising = contradicts(model.surprise, model.freedom)
    if not inferred and contradicts(model.surprise, model.freedom, SUSPICIOUS):
        labs = {"original": now.lab_original, "batch": steps[0].reading.lab_batch}
        recipes += [
            other for one in recipes for other in suspicions(shelf, one, labs[one.strays], ground)
        ]
        model = fit(shelf, recipes, steps, ground, MOST_GUESSES, knowledge, TEMPER)
    used = {n: round(p, 2) for n, p in recipes[model.recipe].batch.items()}
    if unknown == AMOUNTS:
        likely = 100 * model.original_parts[0]
        used = {n: round(float(p), 2) for n, p in zip(shelf.names, likely, strict=True) if p > 0}
    de00_now = _distance(now)
    best, nothing = _choose(model, shelf, recipes[model.recipe], unknown == ALL, now, tolerance)
    if verdict == MATCH or foreign or (de00_now <= tolerance and (inferred or len(steps) == 1)):
        best = nothing  # a photo that says so is believed, or looked at again
    nearest = predict(model, now, best.added)
    reachable = not best.added.any() or _worth(nearest.de00, de00_now, tolerance)
    if not reachable:
        best = nothing
    share = float(np.clip(best.first_share, *(NEXT_SHARES if len(steps) > 1 else FIRST_SHARES)))
    amounts = weigh_out(shelf, best.added, share, weighing)
    outcome = predict(model, now, amounts.shares)  # what the scale shows is what goes in
    chosen = recipes[model.recipe]
    out = not (reachable or foreign or verdict == MATCH)
    basis = Basis(
        inks=tuple(ink for ink in shelf if ink.name in {*used, *amounts.inks}),
        lab_original=now.lab_original, lab_nearest=nearest.lab, de00_nearest=nearest.de00,
        de00_before=_distance(steps[-2].reading) if len(steps) > 1 else None,
        de00_now=de00_now, de00_equal_film=outcome.de00_equal_film, tolerance=tolerance,
        weighing=weighing, settled=verdict != TOO_CLOSE,
        hue_on_shelf=_hue_on_shelf(shelf, now.lab_original, ground),
        reachable=reachable, surprising=surprising,
        newest_added=bool(steps[-1].added), learnt=knowledge is not None, foreign=foreign,
        way_out=_way_out(model, chosen, inferred, tolerance, weighing) if out else None,
        by_mistake=(None, None) if inferred else chosen.by_mistake, unknown=unknown,
    )  # fmt: skip
    return Advice(
        additions=amounts.additions, add_first=amounts.first, portion=amounts.portion,
        grams=amounts.grams, grams_first=amounts.grams_first, knife_tips=amounts.knife_tips,
        predicted_lab_d50=outcome.lab, predicted_u95=outcome.u95, predicted_de00=outcome.de00,
        predicted_de00_high95=outcome.de00_high95 if amounts.additions else high_now(now),
        first_de00_95=(
            interval(model, now, amounts.first_shares, moved) if amounts.additions else None
        ),
        mix_used={} if foreign else used, mix_inferred=inferred, p_within=nothing.within,
        look_again=not (amounts.additions or foreign) and _unsettled(nothing.within, steps),
        lamps=() if foreign else other_lamps(as_noted, amounts.shares, lamps),
        flags=_flags(basis, amounts.inks), basis=basis,
    )  # fmt: skip


def _unknown(shelf: Shelf, mix: Mix | None, names: tuple[str, ...]) -> str:
    """What nobody told of a mix whose inks have these ``names``."""
    if mix is not None:
        return NOTHING
    if not names:
        return ALL
    return COLOURS if all(shelf.find(name).kind in THINS for name in names) else AMOUNTS


def _noted(
    shelf: Shelf, mix: Mix | None, original_mix: Mix | None, names: tuple[str, ...]
) -> list[Recipe]:
    """What may be so of both mixes, where one was noted or their inks are known by name."""
    if mix is None and original_mix is None:
        return named_recipes(shelf, names)
    noted = (None if one is None else shelf.named_mix(dict(one)) for one in (mix, original_mix))
    return noted_recipes(*noted)


def _guessed(
    shelf: Shelf, thins: tuple[str, ...], lab_original: np.ndarray, ground: np.ndarray,
    film_effect: float | None,
) -> tuple[list[Recipe], float | None]:  # fmt: skip
    """Recipes that may be behind the original, thinned with ``thins`` if that is known, and how far
    the nearest misses it where it is of other inks than the shelf's."""
    guesses = guess_mixes(shelf, lab_original, ground, GUESSES, film_effect, thins)
    misfit = guesses[0].misfit
    recipes = [Recipe(g.mix, g.mix, g.log_prior, INFERRED_SD) for g in guesses]
    return recipes, misfit if misfit > FOREIGN_DE else None


def _choose(
    model: Fit, shelf: Shelf, recipe: Recipe, unasked: bool, now: Reading, tolerance: float,
) -> tuple[Option, Option]:  # fmt: skip
    """The best thing to do, and doing nothing (which may be the best)."""
    in_mix = np.array([ink.name in recipe.original for ink in shelf])
    dear = prices(shelf, recipe.original, now.lab_original, unasked)
    options = search(model, shelf, in_mix, dear, local_metric(now.lab_original), tolerance)
    best, nothing = options[0], next(o for o in options if not o.added.any())
    gain = nothing.rms_de00 - best.rms_de00
    least = GUESSED_GAIN_SHARE if unasked else LEAST_GAIN_SHARE
    if nothing.within >= SURE_WITHIN or gain < max(LEAST_GAIN, least * nothing.rms_de00):
        best = nothing
    return best, nothing


def _way_out(
    model: Fit, recipe: Recipe, inferred: bool, tolerance: float, weighing: Weighing
) -> WayOut:
    """What becomes of a batch that no addition brings near."""
    if inferred:
        return WayOut()
    fresh, grams = mixed_afresh(recipe.original, weighing)
    return WayOut(fresh, grams, small_part(model, tolerance))


def _unsettled(within: float, steps: tuple[Step, ...]) -> bool:
    """Whether one more strip of the batch as it is would tell more."""
    return HARDLY_WITHIN < within < SURE_WITHIN and pulls(steps) < MOST_PULLS


def _distance(seen: Reading) -> float:
    return float(delta_e_2000(seen.lab_original, seen.lab_batch))


def _worth(de00_after: float, de00_now: float, tolerance: float) -> bool:
    """Whether an addition that may not reach the tolerance is still worth its ink."""
    if de00_after <= tolerance:
        return True
    return de00_after <= FUTILE_SHARE * de00_now and de00_after <= FUTILE_TIMES * tolerance


def _hue_on_shelf(shelf: Shelf, lab: np.ndarray, ground: np.ndarray) -> bool:
    """Whether some ink, alone or thinned to a tenth, is as colourful in about this hue."""
    labs = np.concatenate([lab_of_film(shelf.k * t, shelf.s * t, 1.0, ground) for t in (1.0, 0.1)])
    chroma, wanted = np.hypot(labs[:, 1], labs[:, 2]), np.hypot(*lab[1:])
    cosine = labs[:, 1:] @ lab[1:] / np.maximum(chroma * wanted, 1e-9)
    return bool(wanted < 5 or ((cosine > SAME_HUE) & (chroma > 0.8 * wanted)).any())


def _check(weighing: Weighing, tolerance: float, film_ratio: float | None) -> None:
    for what, value in (
        ("batch's weight", weighing.batch_g),
        ("tolerance", tolerance),
        ("scale's step", weighing.step_g),
    ):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise WrongUsage(
                f"the {what} is given as {value}",
                "no amount can be worked out from that",
                "give a number above 0",
            )
    if film_ratio is not None and not (np.isfinite(film_ratio) and film_ratio > 0):
        raise ValueError("film_ratio must be above 0")


def _flags(basis: Basis, added: tuple[str, ...]) -> tuple[Flag, ...]:
    """Say so when the advice rests on the stand-ins."""
    return (STAND_IN_INKS(),) if added and any(ink.starter for ink in basis.inks) else ()
