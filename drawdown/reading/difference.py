"""How sure a difference of two colours is: its covariance, and mirrored light that may be in it.

Pure. Lab is D50; a covariance is of batch minus original. The theory is in matching/README.md, the
sizes are in ``budget``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from drawdown import flags as fl
from drawdown.reading.area import relit
from drawdown.reading.budget import (
    ACROSS_PHOTOS,
    CAMERA_FLOOR,
    CAMERA_SHARE,
    DIFFERENT_LIGHT_SD,
    GLINT_SHINE,
    INSTRUMENT_FLOOR,
    LEAST_LIGHT_SD,
    LEFT_SHINE,
    OWN_SHARE,
    SAME_PAPER_SD,
    SHADED_SHARE,
    SPOT_DE,
    STRAY_OWN,
    UNEVEN_DE,
    VEIL_Y,
)
from drawdown.reading.colour import Colour, StripReading

# What nobody noted of a colour is taken at its worst that is still compared without a word: light
# known no better than ``DIFFERENT_LIGHT_SD``; and a reading of any one spot of a strip as uneven
# as an even one may be, off its mean by that much in some direction (root mean square).
UNKNOWN_LIGHT_SD, UNKNOWN_EVENNESS_DE00 = DIFFERENT_LIGHT_SD, UNEVEN_DE


@dataclass(frozen=True)
class Setting:
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


def covariance(
    original: Colour, batch: Colour, rim: float, setting: Setting
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
    known = np.sqrt(known_by_paper(original, batch, lit))
    dark, dim = (_of_members(original, batch, setting.across_photos, k) for k in (0.0, known))
    own = own + _positive(dim - dark) + OWN_SHARE * dark
    return np.asarray(own), np.asarray(common + (1 - OWN_SHARE) * dark)


def _spot(colour: Colour) -> float:
    """How far a reading of any one spot of a strip may be off its mean, Delta E, where nobody
    noted how even it is."""
    if colour.evenness_de00 is not None:
        return 0.0
    return SPOT_DE if colour.by_instrument else UNKNOWN_EVENNESS_DE00


def shine_of(colour: Colour) -> float:
    """How much light is mirrored in parts of a strip, as a share of white; where it only glints, a
    little may lie everywhere."""
    level = colour.strip.shine_level if isinstance(colour, StripReading) else 0.0
    return max(level, GLINT_SHINE * _glints(colour))


def _left_shine(colour: Colour) -> float:
    """Standard uncertainty of what is left of it in the colour that was read."""
    glint = GLINT_SHINE / 3 * _glints(colour)
    return max(LEFT_SHINE * shine_of(colour), glint)


def _glints(colour: Colour) -> bool:
    return any(flag.kind is fl.STRIP_GLARE for flag in colour.flags)


def known_by_paper(original: Colour, batch: Colour, lit: float) -> float:
    """The share that is left of the variance of light between two strips (natural log), once
    the paper beside both has shown it; 1 where one shows none."""
    if not (isinstance(original, StripReading) and isinstance(batch, StripReading)):
        return 1.0
    if original.rim is None or batch.rim is None:
        return 1.0
    return SAME_PAPER_SD**2 / (SAME_PAPER_SD**2 + lit)


def of_mirrors(pairs: Sequence[tuple[Colour, Colour]]) -> np.ndarray:
    """(3,) what to add to the Lab difference, in a share of 0 to 1 that nobody knows, for the
    mirror image that may cover the lighter strip wholly: as much light, taken off it, as brings it
    nearest to the other. Mirrored light only adds: it never parts two strips that are alike."""
    shifts = [_mirrored(original, batch) for original, batch in pairs]
    return np.asarray(photo_weights(pairs) @ np.array(shifts))


def _mirrored(original: Colour, batch: Colour) -> np.ndarray:
    level = max(shine_of(original), shine_of(batch))
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


def covariance_of_several(
    pairs: Sequence[tuple[Colour, Colour]], setting: Setting
) -> tuple[np.ndarray, np.ndarray]:
    """The same of the weighed mean of several photos: own parts average out, common ones stay."""
    parts = [covariance(o, b, rim_steps(o, b)[0], setting) for o, b in pairs]
    weights = photo_weights(pairs)
    own = sum(w**2 * part[0] for w, part in zip(weights, parts, strict=True))
    common = sum(w * part[1] for w, part in zip(weights, parts, strict=True))
    return np.asarray(own), np.asarray(common)


def photo_weights(pairs: Sequence[tuple[Colour, Colour]]) -> np.ndarray:
    """(k,) what each photo counts: the less, the less sure its light."""
    sd = np.array([max(LEAST_LIGHT_SD, light_sd_of(o), light_sd_of(b)) for o, b in pairs])
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


def light_sd_of(colour: Colour) -> float:
    """Standard uncertainty of the light, natural log; what is at most compared where unknown."""
    return UNKNOWN_LIGHT_SD if colour.light_sd is None else colour.light_sd


def evenness_of(colour: Colour) -> float:
    """Root mean square of a strip's colour about its mean, Delta E; its worst where unknown."""
    return _spot(colour) if colour.evenness_de00 is None else colour.evenness_de00


def rim_steps(original: Colour, batch: Colour) -> tuple[float, float]:
    """How much lighter the paper beside the batch is than beside the original, natural log:
    in even light, and as the photo shows it. 0 where one of them shows no paper."""
    if not (isinstance(original, StripReading) and isinstance(batch, StripReading)):
        return 0.0, 0.0
    if original.rim is None or batch.rim is None:
        return 0.0, 0.0
    even = batch.rim.even_log - original.rim.even_log
    seen = batch.rim.seen_log - original.rim.seen_log
    return float(np.mean(even)), float(np.mean(seen))
