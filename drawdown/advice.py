"""The smallest addition of ink that brings the batch to the original.

``advise`` is pure: colours in, an ``Advice`` out. The physics is in ``film``, what the two
strips tell of the inks in ``advice_model``, the choice of inks in ``advice_search``, a
recipe guessed from colour in ``advice_infer`` and the wording in ``advice_words``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colorimetry import delta_e_2000
from calibration.errors import WrongUsage
from calibration.flags import STAND_IN_INKS, Flag
from drawdown.advice_infer import guess_mixes
from drawdown.advice_model import (
    ORIGINAL_SD,
    Fit,
    Reading,
    fit,
    lab_of_film,
    paper_ground,
    reading,
)
from drawdown.advice_search import local_metric, search
from drawdown.advice_words import Facts, describe
from drawdown.cautions import CAUTIONS
from drawdown.inks import Ink, Shelf

# A guessed recipe is far less certain than a noted one.
INFERRED_SD = 0.15
GUESSES, MOST_GUESSES = 40, 10
FLOOD_PARTS = 30.0  # more white or base than this to 100: let down a portion instead
FIRST_SHARES = (0.5, 0.75)  # how much of the addition to put in first
# An addition that leaves more than this of the distance, or this many tolerances, is futile.
FUTILE_SHARE, FUTILE_TIMES = 0.7, 4.0
SAME_HUE = 0.94  # cosine of 20 degrees
LEAST_GAIN, LEAST_GAIN_SHARE = 0.3, 0.1  # Delta E and share: less is not worth opening a tin


@dataclass(frozen=True, eq=False)
class Advice:
    """What to add.

    ``additions`` and ``add_first`` are (ink, parts per 100 parts of the ink they go into, by
    weight); ``add_first`` is the part that is safe to add before the next strip, as nothing
    can be taken out. ``portion`` is the share of the batch they go into: 1, or less when
    the batch would be flooded and a portion of it is to be let down instead. ``grams`` and
    ``grams_first`` are the same in grams (None when the batch's weight is not known).
    ``predicted_lab_d50`` (3,) and ``predicted_de00`` are for all additions, pulled as thick
    as the original; ``predicted_u95`` (3,) is the half width of the central 95 % of the
    model's samples in L*, a*, b*, and ``predicted_de00_high95`` the value that 95 % of them
    stay below. ``mix_used`` is in parts per 100; ``mix_inferred`` says that it was guessed
    from the colour.
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


def round_grams(grams: float) -> float:
    """As a studio scale shows it: 0.1 g, below one gram 0.01 g."""
    return round(grams, 1 if grams >= 1 else 2)


def round_parts(parts: float) -> float:
    """Parts per 100 to two figures, and to a whole part from 10 up."""
    if parts >= 10:
        return float(round(parts))
    return float(f"{parts:.2g}")


def _grams(rows, portion: float, batch_grams: float | None):
    if batch_grams is None or not rows:
        return None
    return tuple((name, round_grams(parts / 100 * portion * batch_grams)) for name, parts in rows)


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
    settled: bool = True,
) -> Advice:
    """Which ink to add, how much, and what it should come to.

    ``lab_original``, ``lab_batch`` (3,) CIELAB D50/2 of the two strips; their ensembles
    (m, 3), row by row of the same draw, or None; ``mix`` the recipe (any names the shelf
    finds, parts by weight), or None to guess one; ``paper_lab`` (3,) of the bare sheet;
    ``film_ratio`` batch over original, when it was measured; ``settled`` False when the photo
    left the verdict open. Raises ``WrongUsage`` for an
    ink that is not on the shelf.
    """
    _check(batch_grams, tolerance, film_ratio)
    data = reading(lab_original, lab_batch, lab_samples_original, lab_samples_batch)
    ground = paper_ground(paper_lab)
    de00_now = float(delta_e_2000(data.lab_original, data.lab_batch))
    inferred = mix is None
    if inferred:
        guesses = guess_mixes(shelf, data.lab_original, ground, GUESSES)
        mixes, log_prior = [g.mix for g in guesses], [g.log_prior for g in guesses]
    else:
        mixes, log_prior = [shelf.named_mix(mix)], [0.0]
    if de00_now <= tolerance:
        return _leave(data, de00_now, _rounded(mixes[0]), inferred, settled)

    recipe_sd, heads = (INFERRED_SD, MOST_GUESSES) if inferred else (ORIGINAL_SD, 1)
    model = fit(shelf, mixes, log_prior, data, ground, film_ratio, recipe_sd, heads)
    used = _rounded(mixes[model.recipe])
    in_mix = np.array([ink.name in used for ink in shelf])
    options = search(model, in_mix, local_metric(data.lab_original))
    best, nothing = options[0], next(o for o in options if not o.added.any())
    if nothing.rms_de00 - best.rms_de00 < max(LEAST_GAIN, LEAST_GAIN_SHARE * nothing.rms_de00):
        best = nothing
    outcome = _predict(model, data, best.added)
    reachable = not best.added.any() or _worth(outcome.de00, de00_now, tolerance)
    if not reachable:
        best, outcome = nothing, _predict(model, data, nothing.added)

    rows = [(ink, 100 * float(a)) for ink, a in zip(shelf, best.added, strict=True) if a > 0]
    rows.sort(key=lambda row: -row[1])
    additions = tuple((ink.name, round_parts(parts)) for ink, parts in rows)
    share = float(np.clip(best.first_share, *FIRST_SHARES))
    first = tuple((ink.name, round_parts(share * parts)) for ink, parts in rows)
    portion = 1.0
    if sum(parts for ink, parts in rows if ink.kind in ("white", "base")) > FLOOD_PARTS:
        portion = round(100 / (100 + sum(parts for _, parts in rows)), 2)
    grams = _grams(additions, portion, batch_grams)
    facts = Facts(
        shelf=shelf, additions=additions, grams=grams, portion=portion,
        batch_grams=batch_grams, mix=used, inferred=inferred, reachable=reachable,
        hue_on_shelf=_hue_on_shelf(shelf, data.lab_original, ground),
        lab_original=data.lab_original, lab_after=outcome.lab, de00_now=de00_now,
        de00_after=outcome.de00, de00_equal_film=outcome.de00_equal_film,
        tolerance=tolerance, surprise=model.surprise,
    )  # fmt: skip
    return Advice(
        additions=additions,
        add_first=first,
        portion=portion,
        grams=grams,
        grams_first=_grams(first, portion, batch_grams),
        predicted_lab_d50=outcome.lab,
        predicted_u95=outcome.u95,
        predicted_de00=outcome.de00,
        predicted_de00_high95=outcome.de00_high95,
        note=describe(facts),
        mix_used=used,
        mix_inferred=inferred,
        caution=_cautions([ink for ink, _ in rows]),
        flags=_flags(shelf, used, [ink for ink, _ in rows]),
    )


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


def _check(batch_grams: float | None, tolerance: float, film_ratio: float | None) -> None:
    for what, value in (("batch's weight", batch_grams), ("tolerance", tolerance)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise WrongUsage(
                f"the {what} is given as {value}",
                "no amount can be worked out from that",
                "give a number above 0",
            )
    if film_ratio is not None and not (np.isfinite(film_ratio) and film_ratio > 0):
        raise ValueError("film_ratio must be above 0")


def _leave(
    data: Reading, de00: float, used: dict[str, float], inferred: bool, settled: bool
) -> Advice:
    """The advice to add nothing because the batch is within tolerance."""
    u95 = 1.96 * np.sqrt(np.diag(data.covariance)[3:])
    note = "The batch is within tolerance: leave it as it is."
    if not settled:
        note = "Add nothing yet: it may well be within tolerance, and this photo cannot settle it."
    return Advice(
        (), (), 1.0, None, None, data.lab_batch, u95, de00, _high_now(data), note, used, inferred,
        (), (),
    )  # fmt: skip


def _cautions(inks: list[Ink]) -> tuple[str, ...]:
    if not inks:
        return ()
    return CAUTIONS + tuple(f"{ink.name}: {ink.caution}." for ink in inks if ink.caution)


def _flags(shelf: Shelf, used: dict[str, float], added: list[Ink]) -> tuple[Flag, ...]:
    """Say so when the advice rests on the stand-ins."""
    names = set(used) | {ink.name for ink in added}
    stand_ins = added and any(ink.starter and ink.name in names for ink in shelf)
    return (STAND_IN_INKS(),) if stand_ins else ()


@dataclass(frozen=True, eq=False)
class _Outcome:
    lab: np.ndarray
    u95: np.ndarray
    de00: float
    de00_high95: float
    de00_equal_film: float


def _predict(model: Fit, data: Reading, added: np.ndarray) -> _Outcome:
    """What the batch with ``added`` should come to, from the measured batch and the model's
    change; the spread from the samples."""
    labs = model.lab_with(np.stack([added, 0 * added]))  # (r, 2, 3)
    lab = data.lab_batch.copy()
    if added.any():
        lab += labs[0, 0] - model.lab_batch[0]
    # Each sample's distance to its own original: what is common to both strips cancels.
    others, weight = slice(model.heads, None), model.weight[model.heads :]
    after = data.lab_original - (model.target - labs[:, 0])[others]
    equal_film = data.lab_original - (model.target - labs[:, 1])[0]
    everything = np.vstack([lab, equal_film, after])
    de00 = delta_e_2000(np.broadcast_to(data.lab_original, everything.shape), everything)
    spread = [
        _quantile(after[:, i], weight, 0.975) - _quantile(after[:, i], weight, 0.025)
        for i in range(3)
    ]
    if not added.any():  # no model is needed for what was measured
        u95 = 1.96 * np.sqrt(np.diag(data.covariance)[3:])
        return _Outcome(lab, u95, float(de00[0]), _high_now(data), float(de00[1]))
    high = max(_quantile(de00[2:], weight, 0.95), float(de00[0]))
    return _Outcome(lab, np.array(spread) / 2, float(de00[0]), high, float(de00[1]))


def _high_now(data: Reading) -> float:
    """Upper 95 % of the distance as measured, from the difference's covariance."""
    step = np.hstack([-np.eye(3), np.eye(3)])
    root = np.linalg.cholesky(step @ data.covariance @ step.T)
    draws = data.lab_batch + np.random.default_rng(7).standard_normal((400, 3)) @ root.T
    return float(
        np.quantile(delta_e_2000(np.broadcast_to(data.lab_original, (400, 3)), draws), 0.95)
    )


def _quantile(values: np.ndarray, weight: np.ndarray, q: float) -> float:
    """Quantile of weighted samples, between neighbours."""
    order = np.argsort(values)
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(q, middle / weight.sum(), values[order]))


def _rounded(mix: dict[str, float]) -> dict[str, float]:
    return {name: round(parts, 2) for name, parts in mix.items()}
