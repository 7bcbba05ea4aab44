"""Film apart from ink: how much of a difference is only a thicker or thinner film?

Thickness itself is never seen. What is seen is how each strip's colour runs from thick to
thin (its trail). A family of Kubelka-Munk films is laid through the strip's colour and the
bare paper; its members differ in how much the ink scatters (how opaque it is) and in the
spectrum behind the colour, and the trails say which members are likely. Each member tells
what the same ink would look like thinner or thicker. Several explanations of the difference
are then weighed against each other, each with some film on top: nothing but film; more or
less of one ink of the mix (transparent base over paper looks exactly like film, white nearly
does where paper shows through); and any other change of the mix.

Pure: colours in, a frozen record out. Films: P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448. The
weighing is Bayes' rule on a grid; the priors are our own judgement (no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.matching.film_family import LOG_FILM, Family, Mix, family, trail_fit

# Two pulls of one printmaker: standard deviation of the log of their film ratio.
FILM_SD = 0.25
MOST_LOG_FILM = 0.9
# Explanations and their weights: the same ink; another amount of one ink (shared among those
# of the mix, or base and colour when none is noted); of all inks at once; any other mix.
SAME_WEIGHT, ONE_WEIGHT, ALL_WEIGHT, OTHER_WEIGHT = 0.34, 0.26, 0.20, 0.20
# Sizes: what the films leave open even for the same ink, in Delta E per axis; the amount of
# one ink as a log; another mix in Delta E per axis.
MODEL_SD, AMOUNT_SD, OTHER_SD = 0.15, 0.3, 2.5
DRAWS = 1500
# A blurred or uneven thin end makes a covering ink look more transparent than it is, so that
# film may do less than the curve says: logs of the share it really does, for an ink that
# covers; for one whose colour goes BARES of the way to paper when 30 % thinner, a tenth of that.
STRETCH, BARES = np.array([-0.8, -0.4, 0.0, 0.15]), 0.10
# What counts as told: a film 30 % thinner changes the colour by less than HIDING (opaque);
# or its effect is known to a factor (else the trails are too short). A ratio is given only
# when the strips narrow it down to this share of what was thought before, or move it clearly.
THINNER, HIDING, VAGUE = float(np.log(0.7)), 1.0, 3.0
NARROWED = 0.7
# The ink is called the same outright when it is within tolerance at equal film with this
# probability (the upper end of the 95 % interval).
SURE_SAME = 0.975
ALIKE_SD = 0.05  # of the log ratio, when somebody took care to pull both strips alike


@dataclass(frozen=True)
class FilmApart:
    """Film and ink told apart.

    ``ratio`` film of the batch over the original's, median of what is probable, with the
    central 95 % (``ratio_low95``, ``ratio_high95``); None when the strips cannot tell.
    ``de00_equal_film`` CIEDE2000 if both were as thick as the original, median, and its
    central 95 %; None when not told. ``p_same`` the probability that film alone explains the
    difference; ``p_within`` that the inks at equal film are within tolerance; ``instead``
    what would explain it as well: (ink, more?, probability), likeliest first, the names BASE
    and COLOUR when no mix was noted. ``kind``: "told", "opaque" (film does not change this
    colour) or "short" (the trails do not show how it changes). ``effect_de00`` Delta E that a
    film 30 % thinner makes, None when not known. ``ratio_log_sd`` standard uncertainty of
    the ratio's natural logarithm."""

    kind: str
    ratio: float | None = None
    ratio_low95: float | None = None
    ratio_high95: float | None = None
    ratio_log_sd: float | None = None
    de00_equal_film: float | None = None
    de00_equal_film_low95: float | None = None
    de00_equal_film_high95: float | None = None
    p_same: float | None = None
    p_within: float | None = None
    instead: tuple[tuple[str, bool, float], ...] = ()
    effect_de00: float | None = None


def film_apart(
    lab_original,
    lab_batch,
    trail_original,
    trail_batch,
    difference_cov,
    paper_lab,
    mix: Mix | None = None,
    tolerance: float = 2.0,
    pulled_alike: bool = False,
) -> FilmApart:
    """Tell film from ink. Lab D50/2 of both strips (3,), their trails (k, 3), the covariance
    (3, 3) of the measured difference, the bare paper (3,) or None; ``mix`` when it is noted;
    ``pulled_alike`` when both strips were pulled with care as thick as each other. A trail
    may be empty: then little can be told."""
    lab_o, lab_b = np.asarray(lab_original, float), np.asarray(lab_batch, float)
    cov = np.asarray(difference_cov, float)
    ground = paper_ground(paper_lab)
    paper = lab_of_film(np.zeros(31), np.zeros(31), 0.0, ground)
    curves = family(np.stack([lab_o, lab_b]), ground, mix)
    fits = [
        trail_fit(trail, lab, paper, curve)
        for trail, lab, curve in zip(
            (trail_original, trail_batch), (lab_o, lab_b), curves.lab, strict=True
        )
    ]
    log_w = curves.log_prior + fits[0].log_likelihood + fits[1].log_likelihood
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    effect = np.linalg.norm((_at(curves.lab[0], THINNER) - lab_o) @ local_metric(lab_o).T, axis=-1)
    bares = effect / np.linalg.norm(local_metric(lab_o) @ (paper - lab_o))
    low, middle, high = _quantiles(effect, weight, (0.05, 0.5, 0.95))
    if high < HIDING:
        return _opaque(lab_o, lab_b, cov, float(high), tolerance)
    if high > VAGUE * max(low, HIDING):
        return FilmApart("short")
    film_sd = ALIKE_SD if pulled_alike else FILM_SD
    seen = [fit.seen for fit in fits]
    lab = np.stack([fit.lab for fit in fits])
    curves = replace(curves, lab=lab, seen=np.stack(seen))
    return _weigh(lab_o, lab_b, cov, curves, weight, bares, float(middle), tolerance, film_sd)


def _at(curves: np.ndarray, log_film: float) -> np.ndarray:
    """(c, 3) the curves at one film."""
    place = np.interp(log_film, LOG_FILM, np.arange(len(LOG_FILM)))
    low = min(int(place), len(LOG_FILM) - 2)
    return curves[:, low] + (place - low) * (curves[:, low + 1] - curves[:, low])


def _along(curves: np.ndarray, log_film: np.ndarray) -> np.ndarray:
    """(4, c, f, 3) each of the curves (c, films, 3) at its own films (4, c, f)."""
    step = LOG_FILM[1] - LOG_FILM[0]
    place = np.clip((log_film - LOG_FILM[0]) / step, 0, len(LOG_FILM) - 1.001)
    low = place.astype(int)
    c = np.arange(len(curves))[:, None]
    share = (place - low)[..., None]
    return (1 - share) * curves[c, low] + share * curves[c, low + 1]


def _opaque(lab_o, lab_b, cov, effect: float, tolerance: float) -> FilmApart:
    """Film cannot explain anything: the difference at equal film is the difference, give or
    take what a little film may do."""
    rng = np.random.default_rng(13)
    noise = rng.multivariate_normal(np.zeros(3), cov, DRAWS)
    noise += rng.standard_normal((DRAWS, 3)) @ (0.3 * effect * np.linalg.inv(local_metric(lab_o))).T
    everything = np.concatenate([lab_b + noise, lab_o + noise])
    de, zero = np.split(delta_e_2000(lab_o, everything), 2)
    best = float(np.sqrt(max(0.0, np.mean(de**2) - np.mean(zero**2))))
    low, high = np.quantile(de, (0.025, 0.975))
    shown = best > float(np.quantile(zero, 0.95))
    return FilmApart(
        "opaque",
        de00_equal_film=best,
        de00_equal_film_low95=float(min(low, best)) if shown else 0.0,
        de00_equal_film_high95=float(max(high, best)),
        p_same=0.0,
        p_within=float(np.mean(de <= tolerance)),
        effect_de00=effect,
    )


def _weigh(
    lab_o, lab_b, cov, curves: Family, weight, bares, effect, tolerance, film_sd
) -> FilmApart:
    """All explanations at all films, weighed by prior and fit."""
    keep = weight > 1e-3
    weight = weight[keep] / weight[keep].sum()
    f = LOG_FILM[np.abs(LOG_FILM) <= MOST_LOG_FILM]
    # At the original's film: the batch's own curve, as much thinner as the batch is thicker.
    share = np.clip(1 - bares[keep] / BARES, 0.1, 1.0)
    stretch = np.exp(STRETCH[:, None] * share)  # (4, c)
    place = f * stretch[..., None]
    thicker = _along(curves.lab[1][keep], -place) - lab_o  # (4, c, f, 3)
    # The other way round: the original's curve to the batch's film. What was seen counts most.
    thinner = lab_b - _along(curves.lab[0][keep], place)
    seen = [
        0.1 + _along(row[keep][..., None], p)
        for row, p in zip(curves.seen[::-1], (-place, place), strict=True)
    ]
    residual = (seen[0] * thicker + seen[1] * thinner) / (seen[0] + seen[1])
    residual = residual.reshape(-1, len(f), 3)
    weight = np.tile(weight / len(STRETCH), len(STRETCH))
    by_amount = np.tile(curves.by_amount[:, keep], (1, len(STRETCH), 1))
    to_lab = np.linalg.inv(local_metric(lab_o))
    n = len(curves.names)
    ink = np.zeros((n + 3, len(weight), 3, 3))  # nothing, when the ink is the same
    ink[1:-2] = AMOUNT_SD**2 * by_amount[..., :, None] * by_amount[..., None, :]
    ink[-2] = ink[1:-2].sum(axis=0)
    ink[-1] = OTHER_SD**2 * to_lab @ to_lab.T
    odds = np.array([SAME_WEIGHT, *[ONE_WEIGHT / n] * n, ALL_WEIGHT, OTHER_WEIGHT])
    total = ink + cov + MODEL_SD**2 * to_lab @ to_lab.T
    inverse = np.linalg.inv(total)
    logs = -0.5 * np.einsum("cfi,hcij,cfj->hcf", residual, inverse, residual)
    logs -= 0.5 * np.linalg.slogdet(total)[1][..., None]
    logs += np.log(odds)[:, None, None] + np.log(weight)[:, None] - 0.5 * (f / film_sd) ** 2
    w = np.exp(logs - logs.max())
    w /= w.sum()
    by_film = w.sum(axis=(0, 1))
    log_sd = float(np.sqrt(max(0.0, by_film @ f**2 - (by_film @ f) ** 2)))
    low, middle, high = _quantiles(f, by_film, (0.025, 0.5, 0.975))
    told = log_sd < NARROWED * film_sd or abs(middle) > log_sd or film_sd == ALIKE_SD
    ratios = np.exp([low, middle, high]) if told else [None] * 3
    p = w.sum(axis=(1, 2))
    de_low, de, de_high, within = _equal_film(lab_o, residual, ink, inverse, w, tolerance)
    return FilmApart(
        "told",
        ratio=_float(ratios[1]),
        ratio_low95=_float(ratios[0]),
        ratio_high95=_float(ratios[2]),
        ratio_log_sd=log_sd if told else None,
        de00_equal_film=de,
        de00_equal_film_low95=de_low,
        de00_equal_film_high95=de_high,
        p_same=float(p[0]),
        p_within=within,
        instead=_instead(curves.names, by_amount, lab_b - lab_o, inverse[0], w[1:-2]),
        effect_de00=effect,
    )


def _float(value) -> float | None:
    return None if value is None else float(value)


def _instead(names, by_amount, d, inverse, w) -> tuple[tuple[str, bool, float], ...]:
    """The inks of which another amount would explain the difference, and in which sense."""
    along = np.einsum("nci,cij,j->nc", by_amount, inverse, d)
    p = w.sum(axis=-1)
    total = p.sum(axis=-1)
    more = (p * along).sum(axis=-1) > 0
    order = np.argsort(-total)
    return tuple((names[i], bool(more[i]), float(total[i])) for i in order)


def _equal_film(lab_o, residual, ink, inverse, w, tolerance) -> tuple[float, ...]:
    """2.5 %, 50 % and 97.5 % of CIEDE2000 between the inks at equal film, and the probability
    that it is within tolerance."""
    rng = np.random.default_rng(17)
    # Evenly spaced through the weights: fewer draws tell more than at random.
    place = np.searchsorted(np.cumsum(w.ravel()), (np.arange(DRAWS) + 0.5) / DRAWS)
    h, c, f = np.unravel_index(np.minimum(place, w.size - 1), w.shape)
    gain = ink[h, c] @ inverse[h, c]
    mean = np.einsum("nij,nj->ni", gain, residual[c, f])
    left = ink[h, c] - gain @ ink[h, c]
    left = (left + left.swapaxes(-1, -2)) / 2 + 1e-8 * np.eye(3)
    draws = mean + np.einsum(
        "nij,nj->ni", np.linalg.cholesky(left), rng.standard_normal((DRAWS, 3))
    )
    de = delta_e_2000(lab_o, lab_o + draws)
    low, middle, high = np.quantile(de, (0.025, 0.5, 0.975))
    return float(low), float(middle), float(high), float(np.mean(de <= tolerance))


def _quantiles(values: np.ndarray, weight: np.ndarray, at) -> np.ndarray:
    order = np.argsort(values)
    total = np.cumsum(weight[order]) - weight[order] / 2
    return np.interp(at, total / weight.sum(), values[order])
