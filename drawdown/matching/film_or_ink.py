"""Film apart from ink: how much of a difference is only a thicker or thinner film?

Pure: colours in, a frozen record of numbers and codes out. The theory is in README.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.uncertainty.intervals import (
    interval_with,
    probability_within,
    quantiles,
    without_noise,
)
from drawdown.defaults import TOLERANCE_DE00
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.shelf import InkMix
from drawdown.matching.film_family import LOG_FILM, OWN_FILM, OverBars, family, trail_fit

# Two pulls: the log of their film ratio is as often that of a practised hand as that of any other
# (weight, standard deviation); 95 % of all lie between 0.3 and 3. Our own judgement, no source.
HANDS = ((0.5, 0.25), (0.5, 0.7))
FILMS = LOG_FILM[np.abs(LOG_FILM) <= 1.301]  # that are thought of, as logs of the ratio
# Explanations and their weights: the same ink; another amount of one ink (shared among those
# of the mix, or base and colour when none is noted); of all inks at once; any other mix.
SAME_WEIGHT, ONE_WEIGHT, ALL_WEIGHT, OTHER_WEIGHT = 0.34, 0.26, 0.20, 0.20
# Sizes: what the films leave open even for the same ink, in Delta E per axis, over paper and over
# a bar; the amount of one ink as a log; another mix in Delta E per axis.
SAME_INK_SD, SAME_ON_BAR_SD, AMOUNT_SD, OTHER_SD = 0.15, 0.4, 0.3, 2.5
FILM_DRAWS = 1500
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


Hands = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Pulls:
    """What is known of how both strips were pulled: the bare paper (3,), the ``mix`` when it is
    noted, whether both were pulled with care as thick as each other, and both over a black bar
    where they cross one."""

    paper_lab_d50: np.ndarray
    mix: InkMix | None = None
    alike: bool = False
    bars: OverBars | None = None


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
    film 30 % thinner makes, None when not known. ``over_bar``: both strips' colours over a black
    bar were used."""

    kind: str
    ratio: float | None = None
    ratio_low95: float | None = None
    ratio_high95: float | None = None
    de00_equal_film: float | None = None
    de00_equal_film_low95: float | None = None
    de00_equal_film_high95: float | None = None
    p_same: float | None = None
    p_within: float | None = None
    instead: tuple[tuple[str, bool, float], ...] = ()
    effect_de00: float | None = None
    over_bar: bool = False

    def explains(self, de00: float, tolerance: float) -> bool:
        """Whether the film accounts for a difference: within tolerance at equal film, though
        not as the strips lie."""
        return (
            self.ratio is not None
            and self.de00_equal_film is not None
            and de00 > tolerance >= self.de00_equal_film
        )


def film_apart(
    labs: np.ndarray,
    trails: tuple[np.ndarray, np.ndarray],
    cov: np.ndarray,
    pulls: Pulls,
    tolerance: float = TOLERANCE_DE00,
) -> FilmApart:
    """Tell film from ink. ``labs`` (2, 3) Lab D50/2 of original and batch, their ``trails``
    (k, 3) each, the covariance (3, 3) of the measured difference. A trail may be empty: then
    little is known."""
    lab_o, bars = labs[0], pulls.bars
    ground = paper_ground(pulls.paper_lab_d50)
    paper = lab_of_film(np.zeros(31), np.zeros(31), 0.0, ground)
    curves = family(labs, ground, pulls.mix, bars)
    fits = [
        trail_fit(trail, lab, paper, curve[..., :3])
        for trail, lab, curve in zip(trails, labs, curves.lab, strict=True)
    ]
    log_likelihood, bent, seen = (np.stack(part) for part in zip(*fits, strict=True))
    lab = np.concatenate([bent, curves.lab[..., 3:]], axis=-1)
    log_w = curves.log_prior + log_likelihood.sum(axis=0)
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    thin = _at(curves.lab[0, ..., :3], THINNER)
    effect = np.linalg.norm((thin - lab_o) @ local_metric(lab_o).T, axis=-1)
    bares = effect / np.linalg.norm(local_metric(lab_o) @ (paper - lab_o))
    low, middle, high = map(float, quantiles(effect, (0.05, 0.5, 0.95), weight))
    if high < HIDING:
        return _opaque(labs, cov, high, tolerance)
    if high > VAGUE * max(low, HIDING):
        return FilmApart("short")
    hands = ((1.0, ALIKE_SD),) if pulls.alike else HANDS
    residual, weight, keep = _residuals(lab, seen, weight, bares)
    by_amount = np.tile(curves.by_amount[:, keep], (1, len(STRETCH), 1))
    spreads = _spreads(lab_o, cov, bars)
    weighed = _weigh(spreads, residual, weight, by_amount, hands)
    told = _told(labs, weighed, by_amount, curves.names, tolerance, hands, middle)
    return told if bars is None else replace(told, over_bar=True)


@dataclass(frozen=True, eq=False)
class _Spreads:
    """Covariances (d, d) of a difference: as measured, ``cov``; what films leave open even for the
    same ink, ``same``; what another mix may do, ``other``."""

    cov: np.ndarray
    same: np.ndarray
    other: np.ndarray


def _spreads(lab_o: np.ndarray, cov: np.ndarray, bars: OverBars | None) -> _Spreads:
    """Over paper alone (d = 3), or over paper and bar (d = 6)."""
    parts = [(lab_o, cov, SAME_INK_SD)]
    if bars is not None:
        parts.append((bars.on_bar[0], bars.difference_covariance, SAME_ON_BAR_SD))
    size = 3 * len(parts)
    whole, same, other = np.zeros((3, size, size))
    for k, (lab, measured, same_sd) in enumerate(parts):
        at = slice(3 * k, 3 * k + 3)
        to_lab = np.linalg.inv(local_metric(lab))
        whole[at, at], same[at, at] = measured, same_sd**2 * to_lab @ to_lab.T
        other[at, at] = OTHER_SD**2 * to_lab @ to_lab.T
    return _Spreads(whole, same, other)


def _log_prior(hands: Hands) -> np.ndarray:
    """(films,) the log of how probable each film ratio is before anything is seen."""
    spread = [share / sd * np.exp(-0.5 * (FILMS / sd) ** 2) for share, sd in hands]
    return np.asarray(np.log(np.sum(spread, axis=0) + 1e-300))


def _at(curves: np.ndarray, log_film: float) -> np.ndarray:
    """(c, 3) the curves at one film."""
    place = np.interp(log_film, LOG_FILM, np.arange(len(LOG_FILM)))
    low = min(int(place), len(LOG_FILM) - 2)
    return np.asarray(curves[:, low] + (place - low) * (curves[:, low + 1] - curves[:, low]))


def _along(curves: np.ndarray, log_film: np.ndarray) -> np.ndarray:
    """(4, c, f, 3) each of the curves (c, films, 3) at its own films (4, c, f)."""
    step = LOG_FILM[1] - LOG_FILM[0]
    place = np.clip((log_film - LOG_FILM[0]) / step, 0, len(LOG_FILM) - 1.001)
    low = place.astype(int)
    c = np.arange(len(curves))[:, None]
    share = (place - low)[..., None]
    return np.asarray((1 - share) * curves[c, low] + share * curves[c, low + 1])


def _opaque(labs: np.ndarray, cov: np.ndarray, effect: float, tolerance: float) -> FilmApart:
    """Film cannot explain anything: the difference at equal film is the difference, give or
    take what a little film may do."""
    lab_o, lab_b = labs
    rng = np.random.default_rng(13)
    noise = rng.multivariate_normal(np.zeros(3), cov, FILM_DRAWS)
    noise += (
        rng.standard_normal((FILM_DRAWS, 3)) @ (0.3 * effect * np.linalg.inv(local_metric(lab_o))).T
    )
    everything = np.concatenate([lab_b + noise, lab_o + noise])
    de, zero = np.split(delta_e_2000(lab_o, everything), 2)
    best = without_noise(de, zero)
    low, high = interval_with(best, de)
    shown = best > float(np.quantile(zero, 0.95))
    return FilmApart(
        "opaque",
        de00_equal_film=best,
        de00_equal_film_low95=low if shown else 0.0,
        de00_equal_film_high95=high,
        p_same=0.0,
        p_within=probability_within(de, tolerance),
        effect_de00=effect,
    )


def _residuals(
    curves: np.ndarray, seen: np.ndarray, weight: np.ndarray, bares: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What is left of the difference (c, f, d) once the films are made alike, for each curve that
    counts and each film; the curves' weights (c,), and which of the family's they are."""
    keep = weight > 1e-3
    weight = weight[keep] / weight[keep].sum()
    # At the original's film: the batch's own curve, as much thinner as the batch is thicker.
    share = np.clip(1 - bares[keep] / BARES, 0.1, 1.0)
    stretch = np.exp(STRETCH[:, None] * share)  # (4, c)
    place = FILMS * stretch[..., None]
    original, batch = curves[:, keep, OWN_FILM, None]  # (c, 1, d)
    thicker = _along(curves[1][keep], -place) - original  # (4, c, f, d)
    # The other way round: the original's curve to the batch's film. What was seen counts most.
    thinner = batch - _along(curves[0][keep], place)
    to_original, to_batch = (
        0.1 + _along(row[keep][..., None], p)
        for row, p in zip(seen[::-1], (-place, place), strict=True)
    )
    residual = (to_original * thicker + to_batch * thinner) / (to_original + to_batch)
    weight = np.tile(weight / len(STRETCH), len(STRETCH))
    return residual.reshape(-1, *residual.shape[2:]), weight, keep


@dataclass(frozen=True, eq=False)
class _Weighed:
    """The explanations (h: the same ink, each ink's amount, all of them, another mix) with every
    curve (c) and film (f): ``w`` (h, c, f) their probabilities, ``ink`` (h, c, d, d) how far each
    may move the colour, ``inverse`` that of the whole covariance, ``residual`` (c, f, d)."""

    w: np.ndarray
    ink: np.ndarray
    inverse: np.ndarray
    residual: np.ndarray


def _weigh(
    spreads: _Spreads, residual: np.ndarray, weight: np.ndarray, by_amount: np.ndarray,
    hands: Hands,
) -> _Weighed:  # fmt: skip
    """All explanations at all films, weighed by prior and fit."""
    n = len(by_amount)
    ink = np.zeros((n + 3, len(weight), *spreads.cov.shape))  # nothing, when the ink is the same
    ink[1:-2] = AMOUNT_SD**2 * by_amount[..., :, None] * by_amount[..., None, :]
    ink[-2] = ink[1:-2].sum(axis=0)
    ink[-1] = spreads.other
    odds = np.array([SAME_WEIGHT, *[ONE_WEIGHT / n] * n, ALL_WEIGHT, OTHER_WEIGHT])
    total = ink + spreads.cov + spreads.same
    inverse = np.linalg.inv(total)
    logs = -0.5 * np.einsum("cfi,hcij,cfj->hcf", residual, inverse, residual)
    logs -= 0.5 * np.linalg.slogdet(total)[1][..., None]
    logs += np.log(odds)[:, None, None] + np.log(weight)[:, None] + _log_prior(hands)
    w = np.exp(logs - logs.max())
    w /= w.sum()
    return _Weighed(w, ink, inverse, residual)


def _told(
    labs: np.ndarray, weighed: _Weighed, by_amount: np.ndarray, names: tuple[str, ...],
    tolerance: float, hands: Hands, effect: float,
) -> FilmApart:  # fmt: skip
    """The answer; a ratio only where the strips say one."""
    w = weighed.w
    by_film = w.sum(axis=(0, 1))
    log_sd = float(np.sqrt(max(0.0, by_film @ FILMS**2 - (by_film @ FILMS) ** 2)))
    logs = quantiles(FILMS, (0.025, 0.5, 0.975), by_film)
    before = float(np.sqrt(sum(share * sd**2 for share, sd in hands)))
    narrow = log_sd < NARROWED * before or abs(logs[1]) > log_sd or hands is not HANDS
    low, ratio, high = (float(x) for x in np.exp(logs)) if narrow else (None, None, None)
    de_low, de, de_high, within = _equal_film(labs[0], weighed, tolerance)
    as_lies = weighed.residual[:, len(FILMS) // 2].mean(axis=0)
    return FilmApart(
        "told",
        ratio=ratio,
        ratio_low95=low,
        ratio_high95=high,
        de00_equal_film=de,
        de00_equal_film_low95=de_low,
        de00_equal_film_high95=de_high,
        p_same=float(w.sum(axis=(1, 2))[0]),
        p_within=within,
        instead=_instead(names, by_amount, as_lies, weighed.inverse[0], w[1:-2]),
        effect_de00=effect,
    )


def _instead(
    names: tuple[str, ...], by_amount: np.ndarray, d: np.ndarray, inverse: np.ndarray,
    w: np.ndarray,
) -> tuple[tuple[str, bool, float], ...]:  # fmt: skip
    """The inks of which another amount would explain the difference, and in which sense."""
    along = np.einsum("nci,cij,j->nc", by_amount, inverse, d)
    p = w.sum(axis=-1)
    total = p.sum(axis=-1)
    more = (p * along).sum(axis=-1) > 0
    order = np.argsort(-total)
    return tuple((names[i], bool(more[i]), float(total[i])) for i in order)


def _equal_film(
    lab_o: np.ndarray, weighed: _Weighed, tolerance: float
) -> tuple[float, float, float, float]:
    """2.5 %, 50 % and 97.5 % of CIEDE2000 between the inks at equal film, and the probability
    that it is within tolerance."""
    rng = np.random.default_rng(17)
    w, ink = weighed.w, weighed.ink
    # Evenly spaced through the weights: fewer draws tell more than at random.
    place = np.searchsorted(np.cumsum(w.ravel()), (np.arange(FILM_DRAWS) + 0.5) / FILM_DRAWS)
    h, c, f = np.unravel_index(np.minimum(place, w.size - 1), w.shape)
    gain = (ink[h, c] @ weighed.inverse[h, c])[:, :3]  # of the colour over paper alone
    mean = np.einsum("nij,nj->ni", gain, weighed.residual[c, f])
    left = ink[h, c, :3, :3] - gain @ ink[h, c][..., :3]
    left = (left + left.swapaxes(-1, -2)) / 2 + 1e-8 * np.eye(3)
    draws = mean + np.einsum(
        "nij,nj->ni", np.linalg.cholesky(left), rng.standard_normal((FILM_DRAWS, 3))
    )
    de = delta_e_2000(lab_o, lab_o + draws)
    low, middle, high = np.quantile(de, (0.025, 0.5, 0.975))
    return float(low), float(middle), float(high), probability_within(de, tolerance)
