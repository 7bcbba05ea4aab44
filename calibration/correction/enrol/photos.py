"""Read a printed card on a photo: beside a card with known values, or alone on a raw photo, by its
bare paper and the camera's own matrix.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from calibration import flags as fl
from calibration.card.definition import CardDefinition
from calibration.colour.spaces import (
    WHITE_D50,
    WHITE_D65,
    adaptation,
    colour_temperature,
    xyz_to_lab,
)
from calibration.correction.correct import Correction, correct
from calibration.correction.enrol.measured import (
    DULL_CHROMA,
    PhotoReading,
    light_uncertainty,
    refuse_other_card,
    shared_uncertainty,
)
from calibration.correction.lamp_field import sample_light
from calibration.correction.map_fit import RAW, Candidate
from calibration.correction.patches import INSET_SHARE, PatchReadings, read_patches
from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from calibration.locate.find_card import CardView, locate
from calibration.locate.not_found import BY_HAND
from calibration.locate.sheet import Sheet, rectify
from calibration.photo.open import Photo
from calibration.uncertainty.gauss_newton import Normal, reweighed


@dataclass(frozen=True)
class CameraErrors:
    """What a camera's way from its numbers to colours leaves open: standard uncertainties of L*,
    a* and b*, each for greys and by unit of chroma; that of a* grows up to ``most_chroma``."""

    l_star: tuple[float, float]
    a_star: tuple[float, float]
    b_star: tuple[float, float]
    most_chroma: float = np.inf

    def of(self, lab_d50: np.ndarray) -> np.ndarray:
        """(n, 3) at colours (n, 3)."""
        chroma = np.hypot(lab_d50[:, 1], lab_d50[:, 2])
        capped = np.minimum(chroma, self.most_chroma)
        parts = zip((self.l_star, self.a_star, self.b_star), (chroma, capped, chroma), strict=True)
        return np.stack([own + share * c for (own, share), c in parts], axis=1)


SIZE_SLACK = 0.03  # a print may be this much larger or smaller than drawn
SKEW_SLACK_MM = 2.0  # beyond this the two cards do not lie in one plane
MOST_HELD_OUT_DE = 3.5  # a known card that fits worse passes on nothing of use
MOST_UNEVEN = 0.10  # log light left over across the card to enrol, after the lamp's field
CRUSHED_SHARE = 0.25  # of a patch's pixels with a channel in the last levels near black
CHROMA_OF_LIGHT = 0.3
WHITE_L = (84.0, 103.0)  # bare white paper in the same light
# What the matrix of a camera leaves open in a print's dyes in daylight, beyond what the card's own
# patches show (standard uncertainties): of L*, with its share of chroma, of a* from ``DULL_CHROMA``
# on, and of b* as a share of chroma. From two published and six invented sensors, rendered prints
# and eleven lamps of the CIE (tests/benchmarks/enrol.py --raw).
MATRIX = CameraErrors((1.0, 0.018), (0.0, 2.4 / DULL_CHROMA), (0.0, 0.055), DULL_CHROMA)
DAYLIGHT_K = 4700.0  # colour temperature below which it is lamp light: a matrix errs more there
_SHOOT = "lay both cards flat side by side in soft even light, nothing mirrored, and shoot again"


def check_pair(known: CardDefinition, own: CardDefinition) -> None:
    """Raise unless these two cards look different in a photo and one has known values."""
    if known.provenance != "measured":
        raise BadFile(
            f'the known card ("{known.title}") has its colours as drawn, not as measured',
            "what it passed on to another print would be a guess",
            "give a card with measured values: one read by an instrument, or a chart whose "
            "maker states its colours",
        )
    for card, what in ((known, "known card"), (own, "card to enrol")):
        if not card.markers:
            raise BadFile(
                f"the definition of the {what} has no markers",
                "without them its place in the photo is not known",
                "add printed markers at the chart's corners, and name them in the definition",
            )
    if known.dictionary == own.dictionary:
        shared = sorted({m.id for m in known.markers} & {m.id for m in own.markers})
        if shared:
            raise WrongUsage(
                f"both cards have the marker {shared[0]}",
                "in a photo, two copies of one card look the same",
                "enrol a slip beside a known frame, a frame beside a known slip, or either "
                "beside a chart with other markers",
            )


def check_alone(own: CardDefinition) -> None:
    """Raise ``BadFile`` unless photos of this card alone can tell its colours."""
    white = own.with_role("white") & (own.expected_lab_d50[:, 0] > WHITE_L[0])
    if own.provenance == "measured" or not white.any() or not own.markers:
        raise BadFile(
            f'the definition of "{own.title}" cannot be enrolled from photos of it alone',
            "that takes a card as drawn, with markers and with fields of bare white paper",
            "give a card with known values beside it, or readings of an instrument",
        )


@dataclass(frozen=True, eq=False, repr=False)
class OnSheet:
    """A card found on a photo: seen from straight above, and its fields read."""

    view: CardView
    sheet: Sheet
    readings: PatchReadings


def on_sheet(photo: Photo, own: CardDefinition) -> OnSheet:
    """Find and read card ``own``. Raises ``PhotoUnfit`` where it cannot be found, is burnt out or
    far too dark."""
    view = locate(photo, (own,))
    sheet = rectify(photo, view)
    readings = read_patches(sheet, own, view.place_error_mm)
    _refuse_bad_exposure(readings, own, "the card")
    return OnSheet(view, sheet, readings)


def read_alone(photo: Photo, own: CardDefinition) -> PhotoReading:
    """The colours of card ``own`` on a raw photo, against its bare paper. Its colours as drawn have
    a say in the camera's matrix, as far as a printer can be trusted.

    Raises ``BadFile`` for a photo that is not raw or of an unknown camera, ``PhotoUnfit`` for one
    in lamp light, or when the card cannot be found or read."""
    by_daylight = photo.profile.by_daylight
    if by_daylight is None:
        raise BadFile(
            f"{photo.path} is no raw photo of a camera that is known here",
            "without a card of known values beside it, only numbers in proportion to light and the "
            "camera's own matrix tell the colours of a print",
            "shoot raw (DNG), or lay a card with known values beside it and name it as `known`",
        )
    seen, matrix = on_sheet(photo, own), photo.profile.to_xyz_d50
    white = seen.readings.usable & own.with_role("white")
    _refuse_lamp(seen.readings.rgb[white], by_daylight, matrix)
    return against_paper(seen, own, matrix, RAW, MATRIX)


def against_paper(
    seen: OnSheet,
    own: CardDefinition,
    to_xyz_d50: np.ndarray,
    candidates: tuple[Candidate, ...],
    camera: CameraErrors,
) -> PhotoReading:
    """The colours of card ``own`` on a photo that shows it alone, with its bare paper for white, by
    the fits ``candidates`` from the profile's ``to_xyz_d50``. Raises ``PhotoUnfit``."""
    readings = seen.readings
    samples = sample_light(seen.sheet, own, readings)
    usable = readings.usable & (_crushed(seen.sheet, own) <= CRUSHED_SHARE)
    correction = correct(readings, samples, own, to_xyz_d50, candidates)
    for flag in correction.flags:
        if flag.hard or flag.kind is fl.CARD_SHADED:
            raise flag.unfit()
    rgb, places = np.where(usable[:, None], readings.rgb, 0.5), readings.centre_mm
    lab = xyz_to_lab(correction.xyz_d50(correction.light(rgb, places)))
    refuse_other_card(own, np.where(usable[:, None], lab, np.nan))
    members = xyz_to_lab(correction.ensemble_xyz_d50(rgb, places)).std(axis=0)
    level_log = float(np.mean(correction.field.scatter_at(places)))
    return PhotoReading(
        lab_d50=np.where(usable[:, None], lab, np.nan),
        u_alone=_u_alone(lab, readings, usable, level_log),
        u_shared=np.hypot(members, camera.of(lab)),
        placed=(0.0, 0.0, 0.0),
        held_out_median=correction.held_out_median,
    )


def _refuse_lamp(white_rgb: np.ndarray, by_daylight: np.ndarray, to_xyz: np.ndarray) -> None:
    """Raise ``PhotoUnfit`` where the light on bare paper (n, 3), balanced for D65, is a lamp's."""
    rgb = np.median(white_rgb, axis=0) * by_daylight
    xyz = adaptation(WHITE_D50, WHITE_D65) @ to_xyz @ rgb
    kelvin = colour_temperature(xyz)
    if not kelvin > DAYLIGHT_K:
        raise PhotoUnfit(
            f"the raw photo was taken in lamp light (its white is that of {kelvin:.0f} K)",
            "the matrix of a camera is made for daylight, and errs twice as much under a lamp",
            "lay the card by a window, with the lamps off, and shoot again",
        )


def read_photo(photo: Photo, known: CardDefinition, own: CardDefinition) -> PhotoReading:
    """The colours of card ``own`` on a photo, by the values of card ``known``.

    Raises ``PhotoUnfit`` when one of them cannot be found or read, or when they do not share
    plane and light."""
    with _about("the known card"):
        view = locate(photo, (known,))
    with _about("the card to enrol"):
        own_view = locate(photo, (own,))
    placed = _placed(view, own_view)
    sheet = rectify(photo, view)
    readings = read_patches(sheet, known, view.place_error_mm)
    own_sheet = rectify(photo, own_view)
    own_readings = read_patches(own_sheet, own, own_view.place_error_mm)
    _refuse_bad_exposure(readings, known, "the known card")
    _refuse_bad_exposure(own_readings, own, "the card to enrol")
    samples = sample_light(sheet, known, readings)
    with _about("the known card"):
        correction = correct(readings, samples, known, photo.profile.to_xyz_d50)
    _refuse_poor(correction)
    usable = own_readings.usable & (_crushed(own_sheet, own) <= CRUSHED_SHARE)
    places = view.to_mm(own_view.to_px(own_readings.centre_mm))
    rgb = np.where(usable[:, None], own_readings.rgb, 0.5)
    light = correction.light(rgb, places)
    tilt, level_log = _light_left(light, places, usable & own.with_role("white"), view)
    light = light / np.exp(tilt)[:, None]
    lab = xyz_to_lab(correction.xyz_d50(light))
    refuse_other_card(own, np.where(usable[:, None], lab, np.nan))
    _refuse_shade(lab, usable & own.with_role("white"))
    field_log = float(np.mean(correction.field.scatter_at(places)))
    if samples.surface.max(initial=0) < 1:
        field_log = float(np.hypot(field_log, 0.03))  # no paper or table links the two lights
    return PhotoReading(
        lab_d50=np.where(usable[:, None], lab, np.nan),
        u_alone=_u_alone(lab, own_readings, usable, float(np.hypot(field_log, level_log))),
        u_shared=shared_uncertainty(lab, known, correction.held_out_de),
        placed=placed,
        held_out_median=correction.held_out_median,
    )


def _u_alone(
    lab_d50: np.ndarray, readings: PatchReadings, usable: np.ndarray, level_log: float
) -> np.ndarray:
    """(n, 3) what light, known to ``level_log`` (natural log), and noise leave open in L*a*b*."""
    u_light = light_uncertainty(lab_d50, level_log, CHROMA_OF_LIGHT)
    relative = np.where(usable[:, None], readings.noise, 0.0)
    relative = relative / np.where(usable[:, None], readings.rgb, 1.0)
    u_noise = light_uncertainty(lab_d50, 1.0, 1.0) * np.sqrt(np.mean(relative**2, 1))[:, None]
    return np.hypot(u_light, u_noise)


@contextmanager
def _about(which: str):
    """Say which of the two cards a failure is about; corners by hand are no help here."""
    try:
        yield
    except PhotoUnfit as unfit:
        todo = unfit.todo.replace(f", or {BY_HAND}", "").replace(BY_HAND, _SHOOT)
        raise PhotoUnfit(f"{which}: {unfit.seen}", unfit.why, todo) from unfit


def _placed(view: CardView, own_view: CardView) -> tuple[float, float, float]:
    """Where the printed card lies on the known card's plane: x, y (mm) of its middle, and
    degrees. Two cards in one plane differ by a shift and a turn alone."""
    width, height = own_view.card.size_mm
    corners = np.array([m.corners_mm.mean(axis=0) for m in own_view.card.markers])
    seen = view.to_mm(own_view.to_px(corners))
    a, b = corners - corners.mean(axis=0), seen - seen.mean(axis=0)
    # Best shift, turn and size (complex numbers: b = factor * a).
    p, q = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    factor = np.vdot(p, q) / np.vdot(p, p)
    size = abs(factor)
    skew = float(np.abs(q - factor * p).max())
    if abs(size - 1) > SIZE_SLACK or skew > SKEW_SLACK_MM:
        seen_words = (
            f"the card to enrol looks {100 * size:.0f} % as large as it should beside the known "
            f"card, and its corners {skew:.1f} mm out of place"
        )
        raise PhotoUnfit(
            seen_words,
            "the two do not lie in one plane, or one was not printed at 100 %, or is bent; the "
            "light on both would not be the same",
            "check the card's 100 mm scale with a ruler, and lay both cards flat on one table",
        )
    middle = view.to_mm(own_view.to_px(np.array([width / 2, height / 2])))
    return float(middle[0]), float(middle[1]), float(np.degrees(np.angle(factor)))


def _refuse_bad_exposure(readings: PatchReadings, card: CardDefinition, which: str) -> None:
    white = card.with_role("white")
    if not white.any():
        white = card.expected_lab_d50[:, 0] >= card.expected_lab_d50[:, 0].max() - 5
    burnt = int((readings.clipped[white] > 0.02).sum() - np.isnan(readings.rgb[white, 0]).sum())
    if burnt > 0.34 * white.sum():
        kind = fl.OVEREXPOSED(f"{burnt} of {int(white.sum())} white fields of {which}")
        raise PhotoUnfit(kind.seen, kind.kind.why, kind.kind.todo)
    levels = readings.rgb[white & np.isfinite(readings.rgb[:, 0])]
    if len(levels) and float(np.median(levels)) < 0.05:
        kind = fl.UNDEREXPOSED(f"the white of {which} reaches {100 * np.median(levels):.0f} %")
        raise PhotoUnfit(kind.seen, kind.kind.why, kind.kind.todo)


def _refuse_poor(correction: Correction) -> None:
    for flag in correction.flags:
        if flag.hard or flag.kind in (fl.CARD_SHADED, fl.CARD_FADED):
            raise PhotoUnfit(f"the known card: {flag.seen}", flag.kind.why, flag.kind.todo)
    if correction.held_out_median > MOST_HELD_OUT_DE:
        kind = fl.POOR_CORRECTION(f"{correction.held_out_median:.1f}")
        why = "values taken from this photo would be off by as much"
        raise PhotoUnfit(f"the known card: {kind.seen}", why, _SHOOT)


def _crushed(sheet: Sheet, card: CardDefinition) -> np.ndarray:
    """(n,) share of each patch's pixels that have a channel at the end near black."""
    out = np.ones(len(card.patches))
    for i, (x, y, w, h) in enumerate(card.rects_mm):
        dx, dy = INSET_SHARE * w, INSET_SHARE * h
        part = sheet.crushed[sheet.window((x + dx, y + dy, w - 2 * dx, h - 2 * dy))]
        out[i] = float(part.mean()) if part.size else 1.0
    return out


def _light_left(
    light: np.ndarray, places_mm: np.ndarray, white: np.ndarray, view: CardView
) -> tuple[np.ndarray, float]:
    """What light the lamp's field has missed on the printed card, from its whites.

    They are one bare paper, so a slope across them is light: log light (n,) to take off, 0
    in the middle of the card. The slope carried over to the known card's middle, halved,
    is how far the level may be off: the second value. Raises ``PhotoUnfit`` for a card that
    lies in uneven light."""
    if white.sum() < 4:
        return np.zeros(len(light)), 0.01
    values = np.log(np.maximum(light[white], 1e-6)).mean(axis=1)
    middle = places_mm.mean(axis=0)
    design = np.column_stack([np.ones(white.sum()), (places_mm[white] - middle) / 100])
    # Held back: a slope of 20 % in 100 mm would be much, where one white is read to 1 %.
    hold = Normal.of_sds(np.array([np.inf, 20.0, 20.0]))

    def weigh(left: np.ndarray) -> np.ndarray:
        # A white with dirt or glare on it must not tip the plane.
        return 1 / (1 + (left / max(0.006, 2 * np.median(np.abs(left)))) ** 2) ** 2

    plane, _ = reweighed(design, values, hold, weigh)
    miss = np.abs(values - design @ plane)
    slope = plane[1:] / 100
    tilt = (places_mm - middle) @ slope
    uneven = float(max(np.ptp(tilt), 2 * np.median(miss)))
    if uneven > MOST_UNEVEN:
        raise PhotoUnfit(
            f"the light on the card to enrol varies by {100 * uneven:.0f} % in a way that its "
            "surroundings do not show",
            "a shadow or a mirrored lamp on it would be taken for its colour",
            _SHOOT,
        )
    known_middle = np.asarray(view.card.size_mm) / 2
    level = abs(float((middle - known_middle) @ slope)) / 2
    return tilt, float(np.hypot(level, np.median(miss)))


def _refuse_shade(lab_d50: np.ndarray, white: np.ndarray) -> None:
    if not white.any():
        return
    level = float(np.median(lab_d50[white, 0]))
    if not WHITE_L[0] <= level <= WHITE_L[1]:
        raise PhotoUnfit(
            f"the white of the card to enrol reads L* {level:.0f}",
            "bare white paper lies between 88 and 98: one of the cards is in shade or shines, or "
            "the card is not on white paper",
            _SHOOT,
        )
