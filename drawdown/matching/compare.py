"""Original against batch: CIEDE2000 with its interval, the verdict, and what would settle it.

Pure: two colours in, a frozen record of numbers and codes out. The theory is in README.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from calibration.colour.difference import delta_e_2000, lch_difference
from calibration.uncertainty.intervals import is_shown, probability_within, without_noise
from calibration.uncertainty.kernels import root_of
from drawdown import flags as fl
from drawdown.defaults import TOLERANCE_DE00
from drawdown.matching.film_or_ink import SURE_SAME, FilmApart, Pulls, film_apart
from drawdown.reading.budget import (
    DIFFERENT_LIGHT_SD,
    DIFFERENT_RIM,
    DIFFERENT_SEEN,
    PRIOR_SD,
    DifferenceU95,
    difference_u95,
)
from drawdown.reading.colour import Colour
from drawdown.reading.difference import (
    Setting,
    covariance,
    covariance_of_several,
    evenness_of,
    known_by_paper,
    light_sd_of,
    of_mirrors,
    rim_steps,
    shine_of,
)

SURE = 0.95
AT_TOLERANCE = 0.25  # Delta E: what nobody would call a distance from the tolerance
DRAWS = 4000
MATCH, NO_MATCH, TOO_CLOSE = "match", "no match", "too close to call"
# What would settle a verdict that is too close to call; the words are in wording/verdict.
Remedy = Literal[
    "let-dry", "one-photo", "by-eye", "pull-evenly", "even-light", "at-the-tolerance", "no-glare",
    "no-shadow", "nearer", "measure-card", "use-card", "read-again",
]  # fmt: skip


class Settle(NamedTuple):
    """What to do, and to which of the two where it is one of them."""

    code: Remedy
    role: str | None = None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Batch minus original.

    ``original`` and ``batch`` are the numbers of the two strips, None for a colour that no strip
    of a photo shows; ``lab_original_d50`` and ``lab_batch_d50`` (3,) the colours compared and
    ``d_lab_cov`` (3, 3) the covariance of their difference. ``de00`` is the best estimate of
    CIEDE2000, freed of the bias that noise gives near zero; ``de00_low95`` and ``de00_high95``
    its 95 % interval; ``p_within`` the probability that the true difference is within
    ``tolerance``. ``verdict`` is ``MATCH``, ``NO_MATCH`` or ``TOO_CLOSE``, None when a hard flag
    forbids one; ``settle`` what would settle one that is too close to call. ``film`` is None where
    no paper is known."""

    original: int | None
    batch: int | None
    lab_original_d50: np.ndarray
    lab_batch_d50: np.ndarray
    d_lab_cov: np.ndarray
    de00: float
    de00_low95: float
    de00_high95: float
    tolerance: float
    p_within: float
    verdict: str | None
    settle: Settle | None = None
    flags: tuple[fl.Flag, ...] = ()
    film: FilmApart | None = None

    @property
    def d_lab(self) -> np.ndarray:
        """(3,) the difference vector."""
        return np.asarray(self.lab_batch_d50 - self.lab_original_d50)

    @property
    def lch(self) -> tuple[float, float, float]:
        """dL*, dC*ab and signed dH*ab (CIE 15:2018, 8.2.1)."""
        return lch_difference(self.lab_original_d50, self.lab_batch_d50)

    @property
    def lch_u95(self) -> DifferenceU95:
        """Half widths of their 95 % intervals."""
        return difference_u95(self.lab_original_d50, self.lab_batch_d50, self.d_lab_cov)

    @property
    def film_ratio(self) -> float | None:
        """Film of the batch over the original's; None when not determined."""
        return None if self.film is None else self.film.ratio

    @property
    def de00_equal_film(self) -> float | None:
        """CIEDE2000 if both films were alike; None when not determined."""
        return None if self.film is None else self.film.de00_equal_film

    @property
    def film_first(self) -> bool:
        """Whether the strips are to be pulled again before any ink is spent."""
        return any(flag.kind is fl.FILM_DIFFERS for flag in self.flags)

    @property
    def film_alone(self) -> bool:
        """Whether it is the same ink for certain: then no ink is advised at all. Where film and
        mix look alike, the advice is for the case that the difference stays."""
        return self.film_first and self.film is not None and (self.film.p_within or 0) >= SURE_SAME


# One parameter for each thing that widens a difference.
def compare(
    original: Colour,
    batch: Colour,
    *,
    tolerance: float = TOLERANCE_DE00,
    other_inks: bool = False,
    nominal_card: bool = True,
    shaded_card: bool = False,
    across_photos: bool = False,
    hard: bool = False,
    wet_with_dry: bool = False,
    pulls: Pulls | None = None,
    again: Sequence[tuple[Colour, Colour]] = (),
) -> Comparison:
    """Compare two colours: strips of photos, out of the book, or from an instrument.

    ``again`` are original and batch as further photos show them; the two colours are then those
    that all photos together say (``several.joined``).

    ``other_inks`` (other tubes than the original's), ``nominal_card``, ``shaded_card`` and
    ``across_photos`` (not read together) widen the uncertainty; ``hard`` says that a hard flag was
    raised before; ``wet_with_dry`` that one was wet and nothing is known of how it dries: no match
    is then certain. Film is separated from ink where ``pulls`` says what is known of the paper."""
    glare = shine_of(original) > 0 or shine_of(batch) > 0
    metered = original.by_instrument and batch.by_instrument
    setting = Setting(other_inks, nominal_card, shaded_card, across_photos, glare, metered)
    lab_o, lab_b = original.lab_d50, batch.lab_d50
    rim, seen_rim = (0.0, 0.0) if across_photos else rim_steps(original, batch)
    own, common = (
        covariance(original, batch, rim, setting)
        if not again
        else covariance_of_several(again, setting)
    )
    cov = own + common
    mirrored = of_mirrors(again or ((original, batch),))
    best, low, high, p = _distance(lab_o, lab_b - lab_o, cov, mirrored, tolerance)
    own = own + np.outer(mirrored, mirrored) / 3  # the mean square of a share from 0 to 1
    cov = own + common
    flags = [fl.OTHER_INKS()] if other_inks and not metered else []
    flags += [fl.ACROSS_PHOTOS()] if across_photos and not metered else []
    flags += _light_flags(original, batch, rim, seen_rim)
    stopped = hard or any(f.hard for f in (*flags, *original.flags, *batch.flags))
    verdict = None if stopped else _verdict(p, low, best, tolerance)
    if wet_with_dry and verdict == MATCH:
        verdict = TOO_CLOSE
    film = None
    if pulls is not None and verdict is not None:
        trails = _trail(original), _trail(batch)
        film = film_apart(np.stack([lab_o, lab_b]), trails, cov, pulls, tolerance)
        if film.explains(best, tolerance):
            which = f"strip {_number(batch)}" if _number(batch) else "the batch"
            flags.append(fl.FILM_DIFFERS(fl.LIES_AS_THICK, which=which, ratio=film.ratio or 0.0))
    settle = None
    if verdict == TOO_CLOSE:
        apart = abs(best - tolerance)
        settle = (
            Settle("let-dry")
            if wet_with_dry
            else _settle(original, batch, (own, common), apart, setting)
        )
    return Comparison(
        _number(original), _number(batch), lab_o, lab_b, cov, best, low, high, tolerance, p,
        verdict, settle, tuple(flags), film,
    )  # fmt: skip


def _number(colour: Colour) -> int | None:
    return getattr(colour, "number", None)  # out of the book, none


def _trail(colour: Colour) -> np.ndarray:
    return np.asarray(getattr(colour, "trail_lab_d50", np.zeros((0, 3))))


def _distance(
    lab: np.ndarray, d: np.ndarray, cov: np.ndarray, mirrored: np.ndarray, tolerance: float
) -> tuple[float, float, float, float]:
    """Best estimate of CIEDE2000, its 95 % interval, and the probability of being within. A share
    of ``mirrored`` (3,) may belong to the difference."""
    normal = np.random.default_rng(7).standard_normal((DRAWS, 3))
    # The prior holds the estimate back a little where the reading is weak.
    prior = np.eye(3) * max(PRIOR_SD, float(np.linalg.norm(d))) ** 2
    keep = prior @ np.linalg.inv(prior + cov)
    held = keep @ d + normal @ root_of(keep @ cov).T
    zero = normal @ root_of(cov).T
    everything = delta_e_2000(lab, lab + np.concatenate([held, d + zero, zero]))
    de_held, de, de_zero = np.split(everything, 3)
    best = without_noise(de, de_zero)
    low, high = _interval(d, cov, best, de, de_held)
    within = probability_within(de_held, tolerance)
    if mirrored.any():
        # It may take a difference away, but never makes a match.
        share = np.random.default_rng(8).random((DRAWS, 1)) * mirrored
        less = delta_e_2000(lab, lab + held + share)
        low = min(low, _interval(d, cov + np.outer(mirrored, mirrored) / 3, best, de, less)[0])
        if best > tolerance:
            within = probability_within(less, tolerance)
    return best, low, high, within


def _interval(
    d: np.ndarray, cov: np.ndarray, best: float, de: np.ndarray, de_held: np.ndarray
) -> tuple[float, float]:
    """95 % interval of the true Delta E.

    Upper end: the 97.5 % quantile of the sampled Delta E. Lower end: the 2.5 % quantile of
    those samples that the probability of conformance counts, so that the two agree; zero when
    no difference at all is plausible."""
    high = float(np.quantile(de, 0.975))
    if not is_shown(d, cov):
        return 0.0, high
    return min(best, float(np.quantile(de_held, 0.025))), max(high, best)


def _verdict(p: float, low95: float, best: float, tolerance: float) -> str:
    """By probability; "no match" only when a difference is shown at all: a wide covariance
    makes any small tolerance improbable without showing one."""
    if p >= SURE:
        return MATCH
    if p <= 1 - SURE and low95 > 0 and best > tolerance:
        return NO_MATCH
    return TOO_CLOSE


def _light_flags(original: Colour, batch: Colour, rim: float, seen_rim: float) -> list[fl.Flag]:
    """The two stand in other light, or on other paper."""
    worst = max(light_sd_of(original), light_sd_of(batch))
    worst *= float(np.sqrt(known_by_paper(original, batch, worst**2)))
    if worst > DIFFERENT_LIGHT_SD:
        return [fl.DIFFERENT_LIGHT(fl.LIGHT_UNSURE, percent=100 * worst)]
    if abs(rim) <= DIFFERENT_RIM and abs(seen_rim) <= DIFFERENT_SEEN:
        return []
    step = rim if abs(rim) > DIFFERENT_RIM else seen_rim
    percent = 100 * (1 - float(np.exp(-abs(step))))
    strip = _number(batch if step < 0 else original) or 0
    return [fl.DIFFERENT_LIGHT(fl.PAPER_DARKER, strip=strip, percent=percent)]


def _settle(
    original: Colour, batch: Colour, parts: tuple[np.ndarray, np.ndarray], apart: float,
    setting: Setting,
) -> Settle:  # fmt: skip
    """The largest removable part of the uncertainty, as something to do. ``parts`` of the
    covariance are what a second photo draws anew, and what it does not; ``apart`` is how far the
    best estimate lies from the tolerance."""
    if setting.by_instrument:
        return Settle("read-again")
    if setting.across_photos:
        return Settle("one-photo")
    if setting.other_inks:
        return Settle("by-eye")
    light = 40 * max(light_sd_of(original), light_sd_of(batch))
    role = "batch" if evenness_of(batch) > evenness_of(original) else "original"
    uneven = max(evenness_of(original), evenness_of(batch)) / 2
    anew, same = (float(np.trace(part)) for part in parts)
    total = float(np.sqrt((anew + same) / 3))
    light *= float(np.sqrt(known_by_paper(original, batch, (light / 40) ** 2)))
    if uneven > max(light, 0.5 * total):
        return Settle("pull-evenly", role)
    if setting.glare and anew > same:
        return Settle("no-glare")
    if light > 0.5 * total:
        return Settle("even-light")
    if apart <= AT_TOLERANCE:
        return Settle("at-the-tolerance")
    if setting.glare:
        return Settle("no-glare")
    if setting.shaded_card:
        return Settle("no-shadow")
    return Settle("measure-card" if setting.nominal_card else "nearer")
