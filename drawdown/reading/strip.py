"""From a strip on the sheet to its colour: Lab D50, 2 degree, with what it rests on."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.difference import delta_e_2000
from calibration.colour.optimal_colours import within_optimal
from calibration.colour.spaces import xyz_to_lab
from calibration.correction.correct import Correction
from calibration.correction.lamp_field import on_card
from calibration.errors import PhotoUnfit
from calibration.locate.sheet import Sheet
from calibration.uncertainty.intervals import K95
from drawdown import flags as fl
from drawdown.reading.area import Area, area_of, read_areas
from drawdown.reading.budget import UNEVEN_DE, card_sd, evenness_u95
from drawdown.reading.colour import Colour, Rim, StripReading
from drawdown.strips.strip import Strip

MOST_BODY_PIXELS = 6000
# Slices of the trail: along the pull, how much of the width, and what is left out at both ends.
TRAIL_STEP_MM, TRAIL_WIDTH, TRAIL_END_MM = 1.5, 0.6, 1.8
MIXED_DE = 8.0
BEYOND_DE = 12.0
# Ink over a printed bar is darker than this share of the strip's usual light.
ON_BAR, EDGE_MM = 0.72, 1.5
# The ring of paper looked at beside a strip, the part of it that is paper for certain, the least of
# that, and how far (log) paper may be from it.
RIM_MM, RIM_NEAR_MM, RIM_PIXELS, RIM_ALIKE = (0.9, 6.0), 2.0, 60, 0.10


def measure(
    strip: Strip,
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    ink: np.ndarray | None = None,
    jpeg_quality: int | None = None,
) -> StripReading:
    """Colour of one strip's body; of all its ink when nothing of it is even (the strip then
    carries a hard flag). Raises ``PhotoUnfit`` for a strip without pixels."""
    (reading,) = measure_together((strip,), sheet, correction, card, ink, jpeg_quality)
    return reading


def measure_together(
    strips: Sequence[Strip],
    sheet: Sheet,
    correction: Correction,
    card: CardDefinition,
    ink: np.ndarray | None = None,
    jpeg_quality: int | None = None,
) -> tuple[StripReading, ...]:
    """Strips that lie so close to each other that they share their light."""
    seen = [_area(strip, sheet, correction) for strip in strips]
    areas = [area for area, _ in seen]
    samples = read_areas(areas, correction, strips[0].number, jpeg_quality)
    out = []
    for k, (strip, (area, cells)) in enumerate(zip(strips, seen, strict=True)):
        colour = colour_of(area, samples[:, k], correction, card)
        lab = area.lab_d50
        evenness = float(np.sqrt(np.mean(delta_e_2000(xyz_to_lab(cells), lab) ** 2)))
        reading = StripReading(
            strip=strip,
            lab_d50=lab,
            lab_samples=colour.lab_samples,
            lab_u95=colour.lab_u95,
            evenness_de00=evenness,
            evenness_u95=evenness_u95(evenness, len(cells)),
            light_sd=float(correction.field.scatter_at(area.xy_mm)),
            trail_lab_d50=_trail(strip, sheet, correction),
            rim=paper_beside(strip, sheet, correction, card, strip.mask if ink is None else ink),
            flags=strip.flags + _flags(strip, sheet, colour, evenness, card),
        )
        out.append(reading)
    return tuple(out)


def colour_of(
    area: Area, samples: np.ndarray, correction: Correction, card: CardDefinition
) -> Colour:
    """The colour of an area with its ensemble (m, 3), and with what card and camera leave open in
    all colours alike."""
    nominal, misfit = correction.nominal, correction.misfit_de
    sd = card_sd(area.lab_d50, nominal=nominal, misfit_de=misfit)
    if not nominal:
        sd = np.hypot(sd, np.median(card.u_lab, axis=0))
    u95 = K95 * np.hypot(samples.std(axis=0), sd)
    return Colour(lab_d50=area.lab_d50, lab_samples=samples, lab_u95=u95)


def _area(strip: Strip, sheet: Sheet, correction: Correction) -> tuple[Area, np.ndarray]:
    rows, columns = np.nonzero(_body(strip, sheet))
    if len(rows) == 0:
        raise PhotoUnfit(
            f"strip {strip.number} has no part that can be measured",
            "streaks, glare or printing cover all of it",
            "pull the strip again, or shoot with the lamp from another side",
        )
    step = max(1, len(rows) // MOST_BODY_PIXELS)
    rows, columns = rows[::step], columns[::step]
    rgb = sheet.rgb_linear[rows, columns].astype(float)
    xy_mm = sheet.to_mm(np.stack([columns, rows], axis=-1))
    xyz = correction.xyz_d50(correction.light(rgb, xy_mm))
    return area_of(rgb, xyz, xy_mm, sheet.crushed[rows, columns])


def _body(strip: Strip, sheet: Sheet) -> np.ndarray:
    """(h, w) bool: the strip's body, never where the ink is much darker than in most of the
    strip: there it lies on a printed bar."""
    if not strip.body.any():
        return strip.mask
    luma = sheet.rgb_linear[..., 1] + sheet.rgb_linear[..., 0] + sheet.rgb_linear[..., 2]
    size = 2 * max(1, round(EDGE_MM * sheet.px_per_mm)) + 1
    inner = cv2.erode(strip.mask.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    if not inner.any():
        return strip.body
    usual = float(np.median(luma[inner]))
    off_bar: np.ndarray = strip.body & (luma > ON_BAR * usual)
    if off_bar.sum() >= 0.3 * strip.body.sum():
        return off_bar
    near: np.ndarray = inner & (np.abs(luma / usual - 1) < 0.12)
    return near if near.any() else strip.body


def paper_beside(
    strip: Strip, sheet: Sheet, correction: Correction, card: CardDefinition, ink: np.ndarray
) -> Rim | None:
    """The paper within ``RIM_MM`` of the strip; ``ink`` is the mask of all strips. What lies right
    beside the ink is paper, and what is farther off as long as it looks the same: print, notes
    and, around a narrow offcut, the table do not."""
    rows, columns = np.nonzero(strip.mask)
    reach = int(np.ceil(RIM_MM[1] * sheet.px_per_mm)) + 1
    top, left = max(rows.min() - reach, 0), max(columns.min() - reach, 0)
    crop = np.s_[top : rows.max() + reach + 1, left : columns.max() + reach + 1]
    own, all_ink = strip.mask[crop], ink[crop]
    if any(flag.kind is fl.STRIP_BY_HAND for flag in strip.flags):
        own = _own_ink(own, np.log(np.maximum(sheet.rgb_linear[crop], 1e-5)))
        all_ink = (all_ink & ~strip.mask[crop]) | own
    far, others = (
        cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, 3) / sheet.px_per_mm
        for mask in (own, all_ink)
    )
    ring = (far <= RIM_MM[1]) & (others > RIM_MM[0]) & sheet.inside[crop]
    ring &= sheet.clipped[crop] < 0.2
    rows, columns = np.nonzero(ring)
    xy_mm = sheet.to_mm(np.stack([columns + left, rows + top], axis=-1))
    free = ~on_card(xy_mm, card, 1.0)
    rgb = sheet.rgb_linear[crop][rows[free], columns[free]].astype(float)
    near = far[rows[free], columns[free]] < RIM_NEAR_MM
    if near.sum() < RIM_PIXELS:
        return None
    light = np.log(np.maximum(correction.light(rgb, xy_mm[free]), 1e-6))
    level = light.mean(axis=1)
    low, high = np.quantile(level[near], (0.5, 0.9))
    beside = np.median(light[near & (level >= low) & (level <= high)], axis=0)
    paper = np.abs(light - beside).max(axis=1) < RIM_ALIKE
    if not paper.any():  # print of many colours
        return None
    seen = np.log(np.maximum(rgb[paper], 1e-6))
    return Rim(np.median(light[paper], axis=0), np.median(seen, axis=0))


def _own_ink(place: np.ndarray, seen_log: np.ndarray) -> np.ndarray:
    """(h, w) the ink that a place by hand (h, w) is part of, which need not end where that does:
    what hangs together with it and is nearer to its colour than to the lightest there."""
    level = seen_log.mean(axis=2)
    paper = np.median(seen_log[level >= np.quantile(level, 0.9)], axis=0)
    step = np.median(seen_log[place], axis=0) - paper
    if not step @ step > RIM_ALIKE**2:
        return place
    alike = (seen_log - paper) @ step > 0.5 * (step @ step)
    _, labels = cv2.connectedComponents(alike.astype(np.uint8), connectivity=4)
    hit = np.bincount(labels[place & alike], minlength=1)
    return np.asarray(labels == hit.argmax()) if hit.any() else place


def slices_along(
    strip: Strip, sheet: Sheet, correction: Correction
) -> tuple[np.ndarray, np.ndarray]:
    """(k,) mm along the pull from the strip's middle, and (k, 3) Lab, of slices across its whole
    length, thick start first as far as one can tell. The middle of the width alone, with no glare;
    the median of a slice, so that a scratch that shows paper does not count as a thinner film; nor
    does the blur at the very ends."""
    along, lab, _ = _slices(strip, sheet, correction)
    return along, lab


def _slices(
    strip: Strip, sheet: Sheet, correction: Correction
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Place and colour of slices, and (k,) bool which are even."""
    axis = np.asarray(strip.axis, dtype=float)
    rows, columns = np.nonzero(strip.mask)
    place = sheet.to_mm(np.stack([columns, rows], axis=-1)) - strip.corners_mm.mean(axis=0)
    along = place @ axis
    keep = np.abs(place @ np.array([-axis[1], axis[0]])) < TRAIL_WIDTH / 2 * strip.width_mm
    keep &= np.abs(along) < strip.length_mm / 2 - TRAIL_END_MM
    keep &= (sheet.clipped[rows, columns] < 0.05) & (sheet.crushed[rows, columns] < 0.5)
    rows, columns, along = rows[keep], columns[keep], along[keep]
    if len(rows) == 0:
        return np.zeros(0), np.zeros((0, 3)), np.zeros(0, bool)
    slot = np.floor((along - along.min()) / TRAIL_STEP_MM).astype(int)
    counts = np.bincount(slot)
    even = np.bincount(slot, strip.body[rows, columns]) > 0.4 * counts
    order = np.argsort(slot, kind="stable")
    parts = np.split(order, np.cumsum(counts)[:-1])
    used = np.flatnonzero(counts >= 0.4 * np.median(counts[counts > 0]))
    pixels = sheet.rgb_linear[rows, columns]
    rgb = np.array([np.median(pixels[parts[i]], axis=0) for i in used], dtype=float)
    at = np.array([along[parts[i]].mean() for i in used])
    xy_mm = strip.corners_mm.mean(axis=0) + np.outer(at, axis)
    lab: np.ndarray = xyz_to_lab(correction.xyz_d50(correction.light(rgb, xy_mm)))
    return at, lab, even[used]


def _trail(strip: Strip, sheet: Sheet, correction: Correction) -> np.ndarray:
    """(k, 3) Lab of ``slices_along`` but for what lies between the even ones and was left out of
    the body (a bar, glare): no film of it."""
    _, lab, even = _slices(strip, sheet, correction)
    if not even.any():
        return lab
    place = np.arange(len(even))
    first, last = np.flatnonzero(even)[[0, -1]]
    film: np.ndarray = lab[even | (place < first) | (place > last)]
    return film


def _flags(
    strip: Strip, sheet: Sheet, colour: Colour, evenness: float, card: CardDefinition
) -> tuple[fl.Flag, ...]:
    out = []
    lab = colour.lab_d50
    beyond = lab - xyz_to_lab(within_optimal(colour.xyz_d50))
    if np.linalg.norm(beyond / colour.widest_u95) > 1.0:
        out.append(fl.STRIP_IMPOSSIBLE(f"{delta_e_2000(lab, lab - beyond):.0f}"))
    # Of the whole strip, not of its body: burnt-out pixels never enter the body.
    lost = float((sheet.clipped[strip.mask] > 0.2).mean())
    if lost > 0.5:
        out.append(fl.STRIP_CLIPPED(f"{100 * lost:.0f}"))
    crushed = float((sheet.crushed[strip.mask] > 0.5).mean())
    if crushed > 0.3:
        out.append(fl.STRIP_TOO_VIVID(f"{100 * crushed:.0f}"))
    if evenness > MIXED_DE:
        out.append(fl.STRIP_MIXED(f"{evenness:.0f}"))
    elif evenness > UNEVEN_DE:
        out.append(fl.STRIP_UNEVEN(f"{evenness:.1f}"))
    nearest = float(np.min(delta_e_2000(card.expected_lab_d50, lab)))
    if nearest > BEYOND_DE:
        out.append(fl.STRIP_OUTSIDE(f"{nearest:.0f}"))
    return tuple(out)
