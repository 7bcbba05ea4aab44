"""Original against batch: CIEDE2000 with its interval, the verdict, and what would settle it.

Pure: two colours in, a frozen record of numbers and codes out. The theory is in README.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from calibration.colour.difference import delta_e_2000, lch_difference, local_metric
from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from calibration.uncertainty.intervals import is_shown, probability_within, without_noise
from calibration.uncertainty.kernels import root_of
from drawdown import flags as fl
from drawdown.defaults import TOLERANCE_DE00
from drawdown.matching.film_or_ink import SURE_SAME, FilmApart, Pulls, film_apart
from drawdown.reading.area import relit
from drawdown.reading.budget import (
    ACROSS_PHOTOS,
    CAMERA_FLOOR,
    CAMERA_SHARE,
    DIFFERENT_LIGHT_SD,
    DIFFERENT_RIM,
    DIFFERENT_SEEN,
    GLINT_SHINE,
    INSTRUMENT_FLOOR,
    LEAST_LIGHT_SD,
    LEFT_SHINE,
    OWN_SHARE,
    PRIOR_SD,
    SAME_PAPER_SD,
    SHADED_SHARE,
    SPOT_DE,
    STRAY_OWN,
    UNEVEN_DE,
    VEIL_Y,
    DifferenceU95,
    difference_u95,
)
from drawdown.reading.colour import Colour, StripReading

SURE = 0.95
AT_TOLERANCE = 0.25  # Delta E: what nobody would call a distance from the tolerance
DRAWS = 4000
# What nobody noted of a colour is taken at its worst that is still compared without a word: light
# known no better than ``DIFFERENT_LIGHT_SD``; and a reading of any one spot of a strip as uneven
# as an even one may be, off its mean by that much in some direction (root mean square).
UNKNOWN_LIGHT_SD, UNKNOWN_EVENNESS_DE00 = DIFFERENT_LIGHT_SD, UNEVEN_DE

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


@dataclass(frozen=True)
class _Setting:
    """How the two colours came about, as far as it widens their difference."""

    other_inks: bool
    nominal_card: bool
    shaded_card: bool
    across_photos: bool
    glare: bool
    by_instrument: bool  # both

    @property
    def card(self) -> str:
        if self.by_instrument:
            return "instrument"
        return "nominal" if self.nominal_card else "measured"


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
    glare = _shine(original) > 0 or _shine(batch) > 0
    metered = original.by_instrument and batch.by_instrument
    setting = _Setting(other_inks, nominal_card, shaded_card, across_photos, glare, metered)
    lab_o, lab_b = original.lab_d50, batch.lab_d50
    rim, seen_rim = (0.0, 0.0) if across_photos else _rim_steps(original, batch)
    own, common = (
        _covariance(original, batch, rim, setting) if not again else _of_several(again, setting)
    )
    cov = own + common
    mirrored = _of_mirrors(again or ((original, batch),))
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


def _covariance(
    original: Colour, batch: Colour, rim: float, setting: _Setting
) -> tuple[np.ndarray, np.ndarray]:
    """Two (3, 3) of the Lab difference: what another photo would draw anew (light, shine, and a
    share of the fit), and what it would have in common with this one (card, camera, film)."""
    d = batch.lab_d50 - original.lab_d50
    m = local_metric(original.lab_d50)
    to_lab = np.linalg.inv(m)
    metered = setting.by_instrument
    shaded = setting.shaded_card and not metered
    share = SHADED_SHARE if shaded else CAMERA_SHARE[setting.card]
    spots = [_spot(colour) for colour in (original, batch)]
    sds = (
        INSTRUMENT_FLOOR if metered else CAMERA_FLOOR[setting.other_inks],
        share * np.linalg.norm(m @ d),
        setting.across_photos * ACROSS_PHOTOS[setting.card],
        np.hypot(spots[0], spots[1]) / np.sqrt(3),
    )
    common = sum(sd**2 for sd in sds) * to_lab @ to_lab.T
    # Half of what the paper beside the strips disagrees in may be light.
    blank = sum(colour.light_sd is None for colour in (original, batch))
    light = (0.5 * rim) ** 2 + blank * UNKNOWN_LIGHT_SD**2
    slope = _by_light(batch.lab_d50)
    own = light * np.outer(slope, slope)
    for colour in (original, batch):
        veil = 0.0 if colour.by_instrument else STRAY_OWN * VEIL_Y
        mirrored_y = np.hypot(_left_shine(colour), veil)
        left = lab_to_xyz(colour.lab_d50) + mirrored_y * WHITE_D50
        off = xyz_to_lab(left) - colour.lab_d50
        own = own + np.outer(off, off)
    lit = (original.light_sd or 0.0) ** 2 + (batch.light_sd or 0.0) ** 2
    known = np.sqrt(_known_by_paper(original, batch, lit))
    dark, dim = (_of_members(original, batch, setting.across_photos, k) for k in (0.0, known))
    own = own + _positive(dim - dark) + OWN_SHARE * dark
    return np.asarray(own), np.asarray(common + (1 - OWN_SHARE) * dark)


def _spot(colour: Colour) -> float:
    """How far a reading of any one spot of a strip may be off its mean, Delta E, where nobody
    noted how even it is."""
    if colour.evenness_de00 is not None:
        return 0.0
    return SPOT_DE if colour.by_instrument else UNKNOWN_EVENNESS_DE00


def _shine(colour: Colour) -> float:
    """How much light is mirrored in parts of a strip, as a share of white; where it only glints, a
    little may lie everywhere."""
    level = colour.strip.shine_level if isinstance(colour, StripReading) else 0.0
    return max(level, GLINT_SHINE * _glints(colour))


def _left_shine(colour: Colour) -> float:
    """Standard uncertainty of what is left of it in the colour that was read."""
    glint = GLINT_SHINE / 3 * _glints(colour)
    return max(LEFT_SHINE * _shine(colour), glint)


def _glints(colour: Colour) -> bool:
    return any(flag.kind is fl.STRIP_GLARE for flag in colour.flags)


def _known_by_paper(original: Colour, batch: Colour, lit: float) -> float:
    """The share that is left of the variance of light between two strips (natural log), once
    the paper beside both has shown it; 1 where one shows none."""
    if not (isinstance(original, StripReading) and isinstance(batch, StripReading)):
        return 1.0
    if original.rim is None or batch.rim is None:
        return 1.0
    return SAME_PAPER_SD**2 / (SAME_PAPER_SD**2 + lit)


def _of_mirrors(pairs: Sequence[tuple[Colour, Colour]]) -> np.ndarray:
    """(3,) what to add to the Lab difference, in a share of 0 to 1 that nobody knows, for the
    mirror image that may cover the lighter strip wholly: as much light, taken off it, as brings it
    nearest to the other. Mirrored light only adds: it never parts two strips that are alike."""
    shifts = [_mirrored(original, batch) for original, batch in pairs]
    return np.asarray(photo_weights(pairs) @ np.array(shifts))


def _mirrored(original: Colour, batch: Colour) -> np.ndarray:
    level = max(_shine(original), _shine(batch))
    if level <= 0:
        return np.zeros(3)
    shares = np.linspace(0.0, level, 25)
    light, dark = original.lab_d50, batch.lab_d50
    side = -1 if light[0] >= dark[0] else 1
    if side > 0:
        light, dark = dark, light
    dull = xyz_to_lab(np.maximum(lab_to_xyz(light) - shares[:, None] * WHITE_D50, 1e-4))
    k = int(np.argmin(delta_e_2000(dull, dark)))
    return np.asarray(side * (dull[k] - light))


def _by_light(lab: np.ndarray) -> np.ndarray:
    """(3,) how Lab moves with the natural log of the light."""
    return np.asarray((xyz_to_lab(1.01 * lab_to_xyz(lab)) - lab) / 0.01)


def _positive(part: np.ndarray) -> np.ndarray:
    """A difference of covariances without what noise makes negative of it."""
    values, vectors = np.linalg.eigh(part)
    return np.asarray(vectors * np.maximum(values, 0.0) @ vectors.T)


def _of_several(
    pairs: Sequence[tuple[Colour, Colour]], setting: _Setting
) -> tuple[np.ndarray, np.ndarray]:
    """The same of the weighed mean of several photos: own parts average out, common ones stay."""
    parts = [_covariance(o, b, _rim_steps(o, b)[0], setting) for o, b in pairs]
    weights = photo_weights(pairs)
    own = sum(w**2 * part[0] for w, part in zip(weights, parts, strict=True))
    common = sum(w * part[1] for w, part in zip(weights, parts, strict=True))
    return np.asarray(own), np.asarray(common)


def photo_weights(pairs: Sequence[tuple[Colour, Colour]]) -> np.ndarray:
    """(k,) what each photo counts: the less, the less sure its light."""
    sd = np.array([max(LEAST_LIGHT_SD, _light_sd(o), _light_sd(b)) for o, b in pairs])
    weights = 1 / sd**2
    return np.asarray(weights / weights.sum())


def _of_members(original: Colour, batch: Colour, across_photos: bool, share: float) -> np.ndarray:
    """(3, 3) covariance of the difference of both ensembles, member by member, with that
    ``share`` of what they drew of the light."""
    one, two = (
        relit(c, share) if isinstance(c, StripReading) else c.members(k)
        for k, c in ((1, original), (2, batch))
    )
    if len(one) != len(two):  # not drawn together
        return np.asarray(np.cov(one.T) + np.cov(two.T))
    if across_photos:
        # Members of two photos have nothing in common: pair them off otherwise.
        one = np.roll(one, len(one) // 2, axis=0)
    return np.atleast_2d(np.cov((two - one).T))


def _light_sd(colour: Colour) -> float:
    return UNKNOWN_LIGHT_SD if colour.light_sd is None else colour.light_sd


def _evenness(colour: Colour) -> float:
    return _spot(colour) if colour.evenness_de00 is None else colour.evenness_de00


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


def _rim_steps(original: Colour, batch: Colour) -> tuple[float, float]:
    """How much lighter the paper beside the batch is than beside the original, natural log:
    in even light, and as the photo shows it. 0 where one of them shows no paper."""
    if not (isinstance(original, StripReading) and isinstance(batch, StripReading)):
        return 0.0, 0.0
    if original.rim is None or batch.rim is None:
        return 0.0, 0.0
    even = batch.rim.even_log - original.rim.even_log
    seen = batch.rim.seen_log - original.rim.seen_log
    return float(np.mean(even)), float(np.mean(seen))


def _light_flags(original: Colour, batch: Colour, rim: float, seen_rim: float) -> list[fl.Flag]:
    """The two stand in other light, or on other paper."""
    worst = max(_light_sd(original), _light_sd(batch))
    worst *= float(np.sqrt(_known_by_paper(original, batch, worst**2)))
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
    setting: _Setting,
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
    light = 40 * max(_light_sd(original), _light_sd(batch))
    role = "batch" if _evenness(batch) > _evenness(original) else "original"
    uneven = max(_evenness(original), _evenness(batch)) / 2
    anew, same = (float(np.trace(part)) for part in parts)
    total = float(np.sqrt((anew + same) / 3))
    light *= float(np.sqrt(_known_by_paper(original, batch, (light / 40) ** 2)))
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
