"""The smallest addition of ink that brings the batch to the original.

``advise`` is pure: colours in, an ``Advice`` out. The physics is in ``film``, what the two
strips tell of the inks in ``advice_model``, the choice of inks in ``advice_search``, a
recipe guessed from colour in ``advice_infer`` and the wording in ``advice_words``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colorimetry import delta_e_2000
from calibration.flags import Flag
from drawdown.advice_infer import guess_mixes
from drawdown.advice_model import Fit, Reading, fit, paper_ground, reading
from drawdown.advice_search import Option, local_metric, search
from drawdown.advice_words import Facts, describe
from drawdown.cautions import CAUTIONS
from drawdown.inks import Shelf

# A guessed recipe is far less certain than a noted one.
INFERRED_SD = 0.15
GUESSES, MOST_GUESSES = 24, 8
FLOOD_SHARE = 0.30  # more white or base than this per batch: let down a portion instead


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
    if batch_grams is None:
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
) -> Advice:
    """Which ink to add, how much, and what it should come to.

    ``lab_original``, ``lab_batch`` (3,) CIELAB D50/2 of the two strips; their ensembles
    (m, 3), row by row of the same draw, or None; ``mix`` the recipe (any names the shelf
    finds, parts by weight), or None to guess one; ``paper_lab`` (3,) of the bare sheet;
    ``film_ratio`` batch over original, when it was measured. Raises ``WrongUsage`` for an
    ink that is not on the shelf.
    """
    data = reading(lab_original, lab_batch, lab_samples_original, lab_samples_batch)
    ground = paper_ground(paper_lab)
    inferred = mix is None
    if inferred:
        guesses = guess_mixes(shelf, data.lab_original, ground, GUESSES)
        mixes, log_prior = [g.mix for g in guesses], [g.log_prior for g in guesses]
        model = fit(shelf, mixes, log_prior, data, ground, film_ratio, INFERRED_SD, MOST_GUESSES)
        used = _mix_of(shelf, model)
    else:
        used = shelf.named_mix(mix)
        used = {name: parts for name, parts in used.items() if parts > 0}
        model = fit(shelf, [used], [0.0], data, ground, film_ratio)
    metric = local_metric(data.lab_original)
    de00_now = float(delta_e_2000(data.lab_original, data.lab_batch))
    in_mix = np.array([ink.name in used for ink in shelf])
    if de00_now <= tolerance:
        option, reason = None, "within"
    else:
        options = search(model, in_mix, metric)
        option, reason = _choose(options, de00_now)
    added = np.zeros(len(shelf)) if option is None else option.added
    predicted, u95, de00, high = _predict(model, data, added)
    return _advice(
        shelf, used, inferred, data, model, option, reason, batch_grams, tolerance,
        (predicted, u95, de00, high, de00_now),
    )  # fmt: skip


def _choose(options: list[Option], de00_now: float) -> tuple[Option | None, str]:
    best = options[0]
    before = next(option.rms_de00 for option in options if not option.added.any())
    if not best.added.any() or before - best.rms_de00 < max(0.3, 0.1 * before):
        return None, "no help"
    return best, "add"


def _predict(model, data: Reading, added: np.ndarray):
    """Lab, its u95, Delta E and its upper 95 % of the batch with ``added``."""
    if not added.any():
        de00 = float(delta_e_2000(data.lab_original, data.lab_batch))
        sd = np.sqrt(np.diag(data.covariance)[3:])
        return data.lab_batch, 1.96 * sd, de00, de00
    labs = model.lab_with(added[None])[:, 0]
    predicted = data.lab_batch + labs[0] - model.lab_batch[0]
    # The samples' distance to their own original: what is common to both strips cancels.
    others, weight = slice(model.heads, None), model.weight[model.heads :]
    after = data.lab_original - (model.target - labs)[others]
    des = delta_e_2000(
        np.broadcast_to(data.lab_original, (len(after) + 1, 3)), np.vstack([predicted, after])
    )
    high = _quantile(des[1:], weight, 0.95)
    spread = [
        _quantile(after[:, i], weight, 0.975) - _quantile(after[:, i], weight, 0.025)
        for i in range(3)
    ]
    return predicted, np.array(spread) / 2, float(des[0]), high


def _quantile(values: np.ndarray, weight: np.ndarray, q: float) -> float:
    """Quantile of weighted samples, between neighbours."""
    order = np.argsort(values)
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(q, middle / weight.sum(), values[order]))


def _mix_of(shelf: Shelf, model: Fit) -> dict[str, float]:
    """The best recipe of a fit in parts per 100, as it was for the original."""
    parts = model.original_parts[0]
    return {ink.name: round(100 * float(p), 2) for ink, p in zip(shelf, parts, strict=True) if p}


def _advice(
    shelf, used, inferred, data, model, option, reason, batch_grams, tolerance, outcome
) -> Advice:
    predicted, u95, de00, high, de00_now = outcome
    portion, additions, first = 1.0, (), ()
    if option is not None:
        share = float(np.clip(option.first_share, 0.5, 0.75))
        rows = [(ink, 100 * float(a)) for ink, a in zip(shelf, option.added, strict=True) if a > 0]
        rows.sort(key=lambda row: -row[1])
        additions = tuple((ink.name, round_parts(parts)) for ink, parts in rows)
        first = tuple((ink.name, round_parts(share * parts)) for ink, parts in rows)
        flood = sum(parts for ink, parts in rows if ink.kind in ("white", "base"))
        if flood > 100 * FLOOD_SHARE:
            portion = round(1 / (1 + sum(parts for _, parts in rows) / 100), 2)
    caution: tuple[str, ...] = ()
    if additions:
        special = {shelf.find(name).caution: name for name, _ in additions}
        caution = CAUTIONS + tuple(f"{name}: {text}." for text, name in special.items() if text)
    facts = Facts(
        shelf=shelf, reason=reason, additions=additions, first=first, portion=portion,
        batch_grams=batch_grams, mix=used, inferred=inferred,
        lab_original=data.lab_original, lab_now=data.lab_batch, lab_after=predicted,
        de00_now=de00_now, de00_after=de00, tolerance=tolerance, surprise=model.surprise,
        film_gap=float(np.log(model.film_batch[0] / model.film_original[0])),
    )  # fmt: skip
    return Advice(
        additions=additions,
        add_first=first,
        portion=portion,
        grams=_grams(additions, portion, batch_grams) if additions else None,
        grams_first=_grams(first, portion, batch_grams) if additions else None,
        predicted_lab_d50=predicted,
        predicted_u95=u95,
        predicted_de00=de00,
        predicted_de00_high95=high,
        note=describe(facts),
        mix_used=used,
        mix_inferred=inferred,
        caution=caution,
        flags=(),
    )
