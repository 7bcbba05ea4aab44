"""Exposures of one scene tell how a phone renders light and dark. With its curve undone, ordinary
photos measure a card's own colours against its bare paper. Theory: README.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.correction.enrol.measured import PhotoReading
from calibration.correction.enrol.photos import (
    CameraErrors,
    OnSheet,
    against_paper,
    on_sheet,
)
from calibration.correction.lamp_field import TINTS, on_card
from calibration.correction.map_fit import LAST_LEVEL, Candidate, curve_precision
from calibration.correction.patches import PatchReadings
from calibration.correction.tone_curve import KNOTS, tone_basis
from calibration.errors import BadFile, PhotoUnfit
from calibration.locate.sheet import Sheet
from calibration.photo.open import Photo
from calibration.uncertainty.gauss_newton import Normal, reweighed

# Prior standard deviations: of the curve's bends and slopes; of the ratio of two exposures, in log
# light, where the files note time, aperture and speed; of the curve's power where they do not: the
# ratio is then what greys show, as if the phone added no contrast.
BENDS, SLOPES = 0.5, 1.2
STATED_SD, POWER_SD = 0.03, 0.15
# What else may differ between two exposures: the balance of the channels, and the slope of the
# light over 100 mm.
TINT_SD, SLOPE_SD = 0.02, 0.03
# Log light that an even patch may be off, and more of it for colours, which phones work over after
# the curve: for each unit of chroma as drawn. The channels and neighbours err alike.
PATCH_SD, OF_CHROMA, AS_ONE = 0.01, 0.001, 3.0
GREY = 6.0  # chroma as drawn
LEAST_STOPS = 0.4
MOST_TINT, MOST_SLOPE = 0.06, 0.10  # beyond: other light, in log
MOST_MISFIT = 0.03  # median misfit of greys, log light: one curve does not explain both
OTHER_LOG, OTHER_SHARE, LEAST_PLACES, STEP_MM = 0.35, 0.4, 40, 6.0
# What a phone's own rendering of colours leaves open, beyond what the card's patches show: of L*
# and of a* and b*, with their share of chroma (standard uncertainties). From rendered photos.
PHONE = CameraErrors((0.7, 0.015), (0.8, 0.08), (0.8, 0.08))


@dataclass(frozen=True, eq=False)
class Exposures:
    """What several exposures of one card tell: ``tone`` the curve (its mean (KNOTS,) undoes it, as
    ``undo_tone`` does), ``ratio_log`` (k,) how much more light the first one got than each of the
    others, ``tint_log`` (k, 2) and ``slope_log`` (k, 2) what else differs, per 100 mm, ``misfit``
    (k,) what greys are off in the middle, all in natural logs."""

    tone: Normal
    ratio_log: np.ndarray
    tint_log: np.ndarray
    slope_log: np.ndarray
    misfit: np.ndarray


def read_exposures(photos: Sequence[Photo], own: CardDefinition) -> tuple[PhotoReading, ...]:
    """The colours of card ``own`` on each of several exposures of one scene, against its bare
    paper; its colours as drawn have a say, as far as a printer can be trusted.

    Raises ``BadFile`` for photos of different colour profiles, ``PhotoUnfit`` when they do not
    show one scene in one light, are exposed alike, or were worked over place by place."""
    first = photos[0].profile
    if not all(np.array_equal(p.profile.to_xyz_d50, first.to_xyz_d50) for p in photos):
        raise BadFile(
            "the photos have different colour profiles",
            "the same colour is then written in other numbers, and their ratio says nothing",
            "give two photos of one phone, as it saved them",
        )
    seen = [on_sheet(photo, own) for photo in photos]
    told = [_stated_log(photos[0], other) for other in photos[1:]]
    found = curve_of([one.readings for one in seen], own, told)
    _refuse_other_scene(seen, own, found)
    _refuse_unlike(found, told)
    fits = tuple(Candidate(BENDS, linear, haze=0.003, curve=found.tone) for linear in (0.03, 0.08))
    return tuple(against_paper(one, own, first.to_xyz_d50, fits, PHONE) for one in seen)


def _stated_log(one: Photo, other: Photo) -> float | None:
    """How much more light the first got, by the notes of both files; None where they are silent."""
    (time, stop, speed), (time_2, stop_2, speed_2) = one.exposure, other.exposure
    if min(time, speed, time_2, speed_2) <= 0:
        return None
    wider = 2 * np.log(stop_2 / stop) if min(stop, stop_2) > 0 else 0.0
    return float(np.log(time / time_2) + np.log(speed / speed_2) + wider)


def curve_of(
    readings: Sequence[PatchReadings], own: CardDefinition, told: Sequence[float | None]
) -> Exposures:
    """The tone curve that makes every patch's light the same multiple in two exposures.

    As the curve's logarithm is a sum of splines, ``log u + B(u) t``, that is a straight line's
    problem (after Debevec and Malik 1997), with the tint and slope of the light beside it. ``told``
    (k) are the ratios that the files note. Any power of the curve would fit as well, with another
    ratio (Grossberg and Nayar 2003): so far as the ratio is unknown, the curve is."""
    usable = np.all([r.usable for r in readings], axis=0)
    chroma = np.hypot(*own.expected_lab_d50[usable, 1:].T)
    place = readings[0].centre_mm[usable] / 100
    others, first = len(readings) - 1, readings[0].rgb[usable]
    design = np.zeros((others, len(first), 3, KNOTS + 4 * others))
    gap, ratio = np.zeros((others, len(first), 3)), np.zeros(others)
    variance = np.full(gap.shape, PATCH_SD**2) + (OF_CHROMA * chroma[:, None]) ** 2
    for k, reading in enumerate(readings[1:]):
        rgb, at = reading.rgb[usable], KNOTS + 4 * k
        for one in (readings[0], reading):
            relative = np.hypot(one.noise[usable], LAST_LEVEL) / one.rgb[usable]
            variance[k] += relative**2
        seen_log = np.log(first / rgb)
        ratio[k] = np.median(seen_log[chroma < GREY]) if told[k] is None else told[k]
        gap[k] = seen_log - ratio[k]
        design[k, ..., :KNOTS] = tone_basis(rgb) - tone_basis(first)
        design[k, ..., at : at + 2] = TINTS[1:].T
        design[k, ..., at + 2 : at + 4] = (place - place.mean(axis=0))[:, None]
    sds = np.array([1.0] * KNOTS + [TINT_SD, TINT_SD, SLOPE_SD, SLOPE_SD] * others)
    precision = np.diag(sds**-2)
    precision[:KNOTS, :KNOTS] = curve_precision(BENDS, SLOPES)
    rows, sd = design.reshape(-1, design.shape[-1]), np.sqrt(variance.ravel())

    def weigh(left: np.ndarray) -> np.ndarray:
        length = np.abs(left) / sd
        usual = max(1.0, float(np.median(length)) / 0.67)  # of a normal value: 0.67
        return (1 + (length / (4 * usual)) ** 2) ** -2 / (AS_ONE * (usual * sd) ** 2)

    prior = Normal(np.zeros(len(precision)), precision)
    best, weight = reweighed(rows, gap.ravel(), prior, weigh, sd**-2)
    covariance = np.linalg.inv(rows.T @ (rows * weight[:, None]) + precision)[:KNOTS, :KNOTS]
    shares = [POWER_SD if t is None else STATED_SD / max(abs(t), STATED_SD) for t in told]
    power = min(shares) * _power(first, best[:KNOTS])
    left, extra = (gap.ravel() - rows @ best).reshape(gap.shape), best[KNOTS:].reshape(-1, 4)
    return Exposures(
        tone=Normal(best[:KNOTS], np.linalg.inv(covariance + np.outer(power, power))),
        ratio_log=ratio,
        tint_log=extra[:, :2],
        slope_log=extra[:, 2:],
        misfit=np.median(np.abs(left[:, chroma < GREY]).max(axis=2), axis=1),
    )


def _power(rgb: np.ndarray, tone: np.ndarray) -> np.ndarray:
    """(KNOTS,) how a curve changes with a power of it, per unit: ``B(u) d = log u + B(u) t``."""
    basis = tone_basis(rgb.ravel())
    log_light = np.log(rgb.ravel()) + basis @ tone
    smooth = curve_precision(BENDS, SLOPES) / 100
    return np.asarray(np.linalg.solve(basis.T @ basis + smooth, basis.T @ log_light))


_AGAIN = (
    "lay the phone on a stack of books or hold it still, touch nothing in the picture, and take "
    "both photos one after the other, the second about a stop darker"
)


def _refuse_other_scene(seen: Sequence[OnSheet], own: CardDefinition, found: Exposures) -> None:
    """Raise ``PhotoUnfit`` unless what lies around the card is the same in all of them."""
    for one, ratio in zip(seen[1:], found.ratio_log, strict=True):
        x0, y0 = np.maximum(seen[0].sheet.origin_mm, one.sheet.origin_mm) + STEP_MM
        ends = [s.sheet.to_mm(np.array(s.sheet.shape[::-1]) - 1.0) for s in (seen[0], one)]
        x1, y1 = np.minimum(*ends) - STEP_MM
        grid = np.meshgrid(np.arange(x0, x1, STEP_MM), np.arange(y0, y1, STEP_MM))
        places = np.stack(grid, axis=-1).reshape(-1, 2)
        places = places[~on_card(places, own, 3.0)]
        levels = [_log_light(s.sheet, places, found.tone.mean) for s in (seen[0], one)]
        off = np.abs(levels[0] - levels[1] - ratio)
        off = off[np.isfinite(off)]
        if len(off) >= LEAST_PLACES and (off > OTHER_LOG).mean() > OTHER_SHARE:
            raise PhotoUnfit(
                "the photos do not show the same scene: what lies around the card is another in "
                f"{100 * (off > OTHER_LOG).mean():.0f} % of the places",
                "only the same surfaces in the same light tell how the phone renders light",
                _AGAIN,
            )


def _log_light(sheet: Sheet, places_mm: np.ndarray, tone: np.ndarray) -> np.ndarray:
    """(n,) log of the light around places (n, 2); NaN where it is burnt out, black or not seen."""
    size = max(1, round(STEP_MM * sheet.px_per_mm))
    x, y = np.rint(sheet.to_px(places_mm)).astype(int).T
    luma = cv2.blur(sheet.rgb_linear, (size, size))[y, x].mean(axis=1)
    good = sheet.inside[y, x] & (sheet.clipped[y, x] < 0.1) & (luma > 0.002)
    luma = np.maximum(luma, 1e-6)
    return np.where(good, np.log(luma) + tone_basis(luma) @ tone, np.nan)


def _refuse_unlike(found: Exposures, told: Sequence[float | None]) -> None:
    """Raise ``PhotoUnfit`` where the two exposures cannot tell the curve."""
    stops = np.abs([r if t is None else t for r, t in zip(found.ratio_log, told, strict=True)])
    stops = stops / np.log(2)
    if stops.min() < LEAST_STOPS:
        raise PhotoUnfit(
            f"the photos are exposed alike ({stops.min():.1f} of a stop apart)",
            "the phone's curve shows only where the same surface gets more light and less",
            "make the second photo about a stop darker: tap the paper, slide the exposure down",
        )
    tint, slope = np.abs(found.tint_log).max(), np.abs(found.slope_log).max()
    if tint > MOST_TINT or slope > MOST_SLOPE:
        what = (
            f"its colour by {100 * tint:.0f} %" if tint > MOST_TINT
            else f"across the card by {100 * slope:.0f} % in 100 mm"
        )  # fmt: skip
        raise PhotoUnfit(
            f"the light on the card changed between the photos, {what}",
            "a surface then differs for more reasons than its exposure",
            _AGAIN + "; nobody's shadow on the card, and the white balance held",
        )
    if found.misfit.max() > MOST_MISFIT:
        raise PhotoUnfit(
            f"no one curve explains both photos: greys are off by {100 * found.misfit.max():.0f} %",
            "the phone has worked them over place by place (HDR, night mode, a filter)",
            "turn such modes off and take both photos again; or shoot raw (DNG)",
        )
