"""The smallest addition of ink that brings the batch to the original.

``advise`` is pure: colours in, an ``Advice`` out. The physics is in ``film``, what the
strips tell of batch and inks in ``advice_model``, the choice of inks in ``advice_search``,
amounts in ``advice_amounts``, a recipe guessed from colour in ``advice_infer``, what it
comes to in ``advice_outcome`` and the wording in ``advice_words``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import UnderLamp
from calibration.errors import WrongUsage
from drawdown.defaults import SCALE_STEP_G
from drawdown.flags import STAND_IN_INKS, Flag
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.prior import Knowledge
from drawdown.ink.shelf import Ink, Shelf
from drawdown.matching.addition_search import Option, local_metric, search
from drawdown.matching.amounts import round_grams, round_parts, weigh_out
from drawdown.matching.batch_history import RATIO_SD, Reading, Step, pulls, reading
from drawdown.matching.batch_model import ORIGINAL_SD, Fit, fit
from drawdown.matching.guess_mix import guess_mixes
from drawdown.matching.outcome import high_now, interval, other_lamps, predict
from drawdown.wording.advice import Facts, describe
from drawdown.wording.cautions import CAUTIONS

__all__ = ["Advice", "advise", "round_grams", "round_parts"]

# A colour that no mixture of the shelf's inks comes nearer to (Delta E) is of other inks.
FOREIGN_DE = 8.0
# A guessed recipe is far less certain than a noted one.
INFERRED_SD = 0.15
GUESSES, MOST_GUESSES = 40, 10
# How much of the addition to put in first: the surer, the more; and more after the first time,
# when the batch has shown how it answers.
FIRST_SHARES, NEXT_SHARES = (0.4, 1.0), (0.75, 1.0)
# An addition that leaves more than this of the distance, or this many tolerances, is futile.
FUTILE_SHARE, FUTILE_TIMES = 0.7, 4.0
SAME_HUE = 0.94  # cosine of 20 degrees
SURE_WITHIN = 0.95  # probability of being within tolerance at equal film that ends the work
HARDLY_WITHIN = 0.1
MOST_PULLS = 3  # strips of one batch before it is taken as it reads
LEAST_GAIN, LEAST_GAIN_SHARE = 0.3, 0.1  # Delta E and share: less is not worth opening a tin


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
    in parts per 100; ``mix_inferred`` says that it was guessed from the colour.
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
    note: str
    mix_used: dict[str, float]
    mix_inferred: bool
    caution: tuple[str, ...]
    flags: tuple[Flag, ...]
    knife_tips: tuple[str, ...] = ()
    first_de00_95: tuple[float, float] | None = None
    p_within: float | None = None
    look_again: bool = False
    lamps: tuple[UnderLamp, ...] = ()


def advise(
    lab_original,
    lab_batch,
    lab_samples_original,
    lab_samples_batch,
    shelf: Shelf,
    mix: dict[str, float] | None = None,
    batch_grams: float | None = None,
    tolerance: float = 2.0,
    paper_lab=None,
    film_ratio: float | None = None,
    film_log_sd: float = RATIO_SD,
    settled: bool = True,
    matched: bool = False,
    scale_step: float = SCALE_STEP_G,
    story: tuple[Step, ...] = (),
    added: dict[str, float] | None = None,
    knowledge: Knowledge | None = None,
    difference_cov=None,
    common_sd=None,
    film_effect: float | None = None,
) -> Advice:
    """Which ink to add, how much, and what it should come to.

    ``lab_original``, ``lab_batch`` (3,) CIELAB D50/2 of the two strips; their ensembles
    (m, 3), row by row of the same draw, or None; better, ``difference_cov`` (3, 3) and
    ``common_sd`` (3,) as ``reading`` takes them. ``mix`` is the recipe (any names the shelf
    finds, parts by weight) as at the first photo, or None to guess one; ``paper_lab`` (3,)
    the bare sheet; ``film_ratio`` batch over original, when it was measured, with
    ``film_log_sd`` the standard uncertainty of its logarithm; ``settled`` False when the
    photo left the verdict open, ``matched`` True when it says match; ``scale_step`` grams the
    scale can show. ``story`` holds the earlier photos of this batch, and ``added`` what went
    in since the last of them (share of the batch by ink of the shelf). ``knowledge`` is what
    was learnt of the inks before. ``film_effect``, the Delta E of a film 30 % thinner as the
    strips show it or None, helps to guess a recipe.
    Raises ``WrongUsage`` for an ink that is not on the shelf.
    """
    _check(batch_grams, tolerance, film_ratio, scale_step)
    data = reading(
        lab_original, lab_batch, lab_samples_original, lab_samples_batch, difference_cov, common_sd
    )
    steps = (*story, Step(data, dict(added or {}), film_ratio, film_log_sd))
    ground = paper_ground(paper_lab)
    de00_now = float(delta_e_2000(data.lab_original, data.lab_batch))
    inferred = mix is None
    foreign = None
    if inferred:
        guesses = guess_mixes(shelf, data.lab_original, ground, GUESSES, film_effect)
        mixes, log_prior = [g.mix for g in guesses], [g.log_prior for g in guesses]
        foreign = guesses[0].misfit if guesses[0].misfit > FOREIGN_DE else None
    else:
        mixes, log_prior = [shelf.named_mix(mix)], [0.0]
    recipe_sd, heads = (INFERRED_SD, MOST_GUESSES) if inferred else (ORIGINAL_SD, 1)
    model = fit(shelf, mixes, log_prior, steps, ground, recipe_sd, heads, knowledge)
    used = {name: round(parts, 2) for name, parts in mixes[model.recipe].items()}

    best, nothing = _choose(model, shelf, used, inferred, data, tolerance)
    if matched or foreign or (de00_now <= tolerance and not story):
        best = nothing  # a photo that says so is believed, or looked at again
    nearest = predict(model, data, best.added)
    outcome = nearest
    reachable = not best.added.any() or _worth(outcome.de00, de00_now, tolerance)
    if not reachable:
        best, outcome = nothing, predict(model, data, nothing.added)
    share = float(np.clip(best.first_share, *(NEXT_SHARES if story else FIRST_SHARES)))
    amounts = weigh_out(shelf, best.added, share, batch_grams, scale_step)
    if amounts.additions:  # what the scale shows is what goes in
        outcome = predict(model, data, amounts.shares)
    again = not amounts.additions and HARDLY_WITHIN < nothing.within < SURE_WITHIN
    again = again and pulls(steps) < MOST_PULLS and not foreign
    lamps = () if foreign else other_lamps(model, amounts.shares)
    facts = Facts(
        shelf=shelf, amounts=amounts, batch_grams=batch_grams, scale_step=scale_step, mix=used,
        inferred=inferred, settled=settled, reachable=reachable, look_again=again,
        hue_on_shelf=_hue_on_shelf(shelf, data.lab_original, ground),
        lab_original=data.lab_original, lab_after=outcome.lab, lab_nearest=nearest.lab,
        de00_nearest=nearest.de00, de00_now=de00_now, de00_before=_before(story),
        de00_after=outcome.de00, de00_equal_film=outcome.de00_equal_film,
        p_within=nothing.within, tolerance=tolerance, surprise=model.surprise,
        freedom=model.freedom, lamps=lamps, story=bool(story), newest_added=bool(added),
        learnt=knowledge is not None, foreign=foreign,
    )  # fmt: skip
    return Advice(
        additions=amounts.additions,
        add_first=amounts.first,
        portion=amounts.portion,
        grams=amounts.grams if amounts.additions else None,
        grams_first=amounts.grams_first if amounts.additions else None,
        predicted_lab_d50=outcome.lab,
        predicted_u95=outcome.u95,
        predicted_de00=outcome.de00,
        predicted_de00_high95=outcome.de00_high95 if amounts.additions else high_now(data),
        note=describe(facts),
        mix_used={} if foreign else used,
        mix_inferred=inferred,
        caution=_cautions([shelf.find(name) for name in amounts.inks]),
        flags=_flags(shelf, used, amounts.inks),
        knife_tips=amounts.knife_tips,
        first_de00_95=interval(model, data, amounts.first_shares) if amounts.additions else None,
        p_within=nothing.within,
        look_again=again,
        lamps=lamps,
    )


def _choose(
    model: Fit, shelf: Shelf, used: dict[str, float], inferred: bool, data: Reading,
    tolerance: float,
) -> tuple[Option, Option]:  # fmt: skip
    """The best thing to do, and doing nothing (which may be the best)."""
    in_mix = np.array([ink.name in used for ink in shelf])
    thins = np.array([ink.kind in ("white", "base") for ink in shelf])
    options = search(
        model, in_mix, local_metric(data.lab_original), tolerance, thins if inferred else None
    )
    best, nothing = options[0], next(o for o in options if not o.added.any())
    gain = nothing.rms_de00 - best.rms_de00
    if nothing.within >= SURE_WITHIN or gain < max(LEAST_GAIN, LEAST_GAIN_SHARE * nothing.rms_de00):
        best = nothing
    return best, nothing


def _before(story: tuple[Step, ...]) -> float | None:
    """The distance that the photo before this one read."""
    if not story:
        return None
    last = story[-1].reading
    return float(delta_e_2000(last.lab_original, last.lab_batch))


def _worth(de00_after: float, de00_now: float, tolerance: float) -> bool:
    """Whether an addition that may not reach the tolerance is still worth its ink."""
    if de00_after <= tolerance:
        return True
    return de00_after <= FUTILE_SHARE * de00_now and de00_after <= FUTILE_TIMES * tolerance


def _hue_on_shelf(shelf: Shelf, lab: np.ndarray, ground: np.ndarray) -> bool:
    """Whether some ink, alone or thinned to a tenth, is as colourful in about this hue."""
    k, s = np.array([ink.k for ink in shelf]), np.array([ink.s for ink in shelf])
    labs = np.concatenate([lab_of_film(k * t, s * t, 1.0, ground) for t in (1.0, 0.1)])
    chroma, wanted = np.hypot(labs[:, 1], labs[:, 2]), np.hypot(*lab[1:])
    cosine = labs[:, 1:] @ lab[1:] / np.maximum(chroma * wanted, 1e-9)
    return bool(wanted < 5 or ((cosine > SAME_HUE) & (chroma > 0.8 * wanted)).any())


def _check(
    batch_grams: float | None, tolerance: float, film_ratio: float | None, scale_step: float
) -> None:
    for what, value in (
        ("batch's weight", batch_grams),
        ("tolerance", tolerance),
        ("scale's step", scale_step),
    ):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise WrongUsage(
                f"the {what} is given as {value}",
                "no amount can be worked out from that",
                "give a number above 0",
            )
    if film_ratio is not None and not (np.isfinite(film_ratio) and film_ratio > 0):
        raise ValueError("film_ratio must be above 0")


def _cautions(inks: list[Ink]) -> tuple[str, ...]:
    if not inks:
        return ()
    return CAUTIONS + tuple(f"{ink.name}: {ink.caution}." for ink in inks if ink.caution)


def _flags(shelf: Shelf, used: dict[str, float], added: tuple[str, ...]) -> tuple[Flag, ...]:
    """Say so when the advice rests on the stand-ins."""
    names = set(used) | set(added)
    stand_ins = added and any(ink.starter and ink.name in names for ink in shelf)
    return (STAND_IN_INKS(),) if stand_ins else ()
