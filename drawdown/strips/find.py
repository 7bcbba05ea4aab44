"""Find the draw-downs on the sheet, or take their places as given: where each strip is, in which
order they count, and why none was found. The colours used to find ink are uncorrected."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace

import cv2
import numpy as np

from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.geometry import apply_homography
from drawdown import flags as fl
from drawdown.strips import limits
from drawdown.strips.bars import Bar, find_bars
from drawdown.strips.candidates import Candidate, shapes_on_ground
from drawdown.strips.choose import (
    in_window,
    missed_on_rims,
    rims_of,
    settle,
    shapes_from_zones,
    uncounted,
)
from drawdown.strips.join import join_halves, parted
from drawdown.strips.paper import (
    Ground,
    find_grounds,
    ground_around,
    lightest_paper,
    ridges,
    rim_ground,
)
from drawdown.strips.shapes import View
from drawdown.strips.strip import Body, Strip, cut_out, find_shine, strip_of
from drawdown.strips.test_sheet import known_bars, printed_mask, printed_polygons
from drawdown.strips.working_picture import (
    Picture,
    cut_sheet,
    find_zones,
    light_part,
    make_picture,
    sheet_white,
    to_lab,
    window_about,
)


def find_strips(sheet, view) -> tuple[Strip, ...]:
    """The draw-downs on a sheet, in reading order.

    ``sheet`` is a ``calibration.locate.sheet.Sheet``, ``view`` the ``CardView`` it was made from.
    The search copes with uneven light, though evening it out before helps.

    Raises ``PhotoUnfit`` when no strip is found, telling what was seen instead.
    """
    white, printing = sheet_white(sheet, view), printed_polygons(view)
    chosen, rejected, grounds = _search(sheet, view, white, printing)
    if not chosen:
        raise nothing_found(grounds, rejected)
    printed = printed_mask(sheet, view)
    places = [c.shape.centre_mm for c in uncounted(chosen, rejected)]
    unsure = tuple(
        fl.SHAPE_UNCOUNTED(f"{x:.0f} mm to the right and {y:.0f} mm down of the card's corner")
        for x, y in places[:1]
    )
    strips = []
    for c in chosen:
        shape = c.shape
        # Where others were found, a wide one with a line in its middle has been streaked.
        halves = parted(sheet, white, c) if len(chosen) == 1 else [shape.corners_mm]
        for corners in halves:
            body = cut_out(sheet, white, corners, c.paper_lab, shape.level, shape.low, printed)
            strips.append(strip_of(sheet, corners, body, cut=shape.cut, extra=unsure))
    order = reading_order([s.corners_mm for s in strips])
    return tuple(replace(strips[k], number=n + 1) for n, k in enumerate(order))


def _search(sheet, view, white: np.ndarray, printing: list[np.ndarray]):
    """Candidates accepted and rejected, and the grounds."""
    how = View(window_mm=view.card.window_mm, blur_mm=float(getattr(view, "blur_mm", 0.0)))
    bars = known_bars(view)
    part = light_part(sheet, view, white)
    if part is not None:
        # Nearly always the strips lie on the lightest paper; a table costs time.
        picture = make_picture(cut_sheet(sheet, part), view, white, printing)
        found = _look(picture, how, bars, tiers=1)
        if found[0]:
            return found
    return _look(make_picture(sheet, view, white, printing), how, bars, tiers=3)


def _look(picture: Picture, how: View, known_bars: list[Bar], tiers: int):
    """Candidates accepted and rejected, and the grounds, on the lightest paper and, if that
    holds no strip and ``tiers`` is more, on what is darker."""
    zones = find_zones(picture)
    candidates: list[Candidate] = []
    good: list[Candidate] = []
    bad: list[Candidate] = []
    grounds: list[Ground] = []
    ridge = ridges(picture)
    lightest = lightest_paper(picture, zones, ridge)
    for number, tier in enumerate(itertools.islice(find_grounds(picture, zones, lightest), tiers)):
        rim = None if number else rim_ground(picture, ridge, tier, lightest)
        bars = known_bars or find_bars(tier)
        tier += [] if rim is None else [rim]
        grounds += tier
        for ground in tier:
            candidates += shapes_on_ground(picture, ground, bars, how)
        candidates = join_halves(picture, candidates, how, bars)
        good, bad = settle(picture, candidates, bars)
        if not number:
            lightest = max((g.lab[0] for g in tier), default=lightest)
        taken = np.zeros(picture.usable.shape, bool)
        for c in good:
            taken[c.part] |= c.on
        extra = shapes_from_zones(picture, zones, taken, lightest, how)
        good, lost = settle(picture, good + join_halves(picture, extra, how, bars), bars)
        bad += lost
        if any(c.ground < 0 for c in good) or missed_on_rims(good, bad):
            # Some paper is seen only as the rim of a strip: look for more strips on it.
            ground = ground_around(picture, rims_of(picture, good))
            more = [] if ground is None else shapes_on_ground(picture, ground, bars, how)
            good, lost = settle(picture, good + join_halves(picture, more, how, bars), bars)
            bad += lost
        if good:
            break
    if how.framed:
        # A frame is laid over the strips: with two of them in its window, no other counts.
        there = in_window(good, how.window_mm)
        if sum(there) >= 2:
            marked = list(zip(good, there, strict=True))
            bad += [c.rejected("beside") for c, inside in marked if not inside]
            good = [c for c, inside in marked if inside]
    return good[: limits.MOST_STRIPS], bad, grounds


def reading_order(boxes: list[np.ndarray]) -> list[int]:
    """Indices of rectangles (4, 2) as one reads them with the card upright.

    Strips that share most of their height stand in one row and count left to right; rows
    count from top to bottom."""
    left = sorted(range(len(boxes)), key=lambda k: boxes[k][:, 1].mean())
    rows: list[list[int]] = []
    for k in left:
        low, high = boxes[k][:, 1].min(), boxes[k][:, 1].max()
        for row in rows:
            lows = np.median([boxes[j][:, 1].min() for j in row])
            highs = np.median([boxes[j][:, 1].max() for j in row])
            shared = min(high, highs) - max(low, lows)
            if shared > 0.5 * min(high - low, highs - lows):
                row.append(k)
                break
        else:
            rows.append([k])
    return [k for row in rows for k in sorted(row, key=lambda k: boxes[k][:, 0].mean())]


def strips_by_hand(
    sheet, view, specs: list[str], *, crossing: bool = False, parameter: str = "strips"
) -> tuple[Strip, ...]:
    """Strips whose places are given: "x,y,w,h" in mm from the card's upper left corner
    (x to the right, y down), or with "px" after the last number in pixels of the photo.

    They keep the order given. Raises ``WrongUsage`` when a text is no rectangle, lies outside
    what the photo shows, or overlaps another, unless they are meant to (``crossing``)."""
    white = sheet_white(sheet, view)
    printed = printed_mask(sheet, view)
    places = [_corners_from_text(spec, view, parameter) for spec in specs]
    said = [f"`{parameter}` {spec}" for spec in specs]
    if not crossing:
        _refuse_overlap(said, places)
    strips = []
    for number, (what, corners) in enumerate(zip(said, places, strict=True), start=1):
        if np.linalg.norm(corners[1] - corners[0]) > np.linalg.norm(corners[3] - corners[0]):
            corners = np.roll(corners, 1, axis=0)  # the pull runs along the long side
        body = _body_by_hand(sheet, white, corners, printed, what)
        strip = strip_of(sheet, corners, body, cut=False, extra=(fl.STRIP_BY_HAND(),))
        strips.append(replace(strip, number=number))
    return tuple(strips)


TAP_REACH_MM, TAP_SEED_MM, TAP_PX_PER_MM = 75.0, 1.5, 1.6
TAP_WIDTH_MM, TAP_LENGTH_MM = (4.0, 60.0), (8.0, 140.0)  # of what a tap can mean
# A place by hand: how far around it its paper is looked for, and from which quantile of lightness:
# the margin of an offcut may be narrow, and a dark table around it.
RIM_MM, PAPER_FROM = 5.0, 0.85
TAP_INSET, TAP_FILL, TAP_LEAST_DE = 0.06, 0.75, 5.0


def place_tapped(sheet, view, tap_px: tuple[float, ...]) -> str:
    """The place by hand, "x,y,w,h" in mm, of the strip that a finger touched at (x, y) or drew a
    box round, (x, y, w, h) px: the surface there which differs from its paper as its middle does,
    as far as it is a rectangle that lies with the card, and within the box. Raises ``WrongUsage``
    where there is none."""
    x, y, *size = tap_px
    wide, tall = size or (0.0, 0.0)
    ends = np.array([(x, y), (x + wide, y), (x + wide, y + tall), (x, y + tall)], dtype=float)
    ends = apply_homography(np.linalg.inv(view.mm_to_px), ends)
    place = _surface_at(sheet, view, ends.mean(axis=0)[None])
    if size:
        place = np.array(
            [np.maximum(place[0], ends.min(axis=0)), np.minimum(place[1], ends.max(axis=0))]
        )
    (left, top), (right, bottom) = place
    return f"{left:.1f},{top:.1f},{right - left:.1f},{bottom - top:.1f}"


def _surface_at(sheet, view, at_mm: np.ndarray) -> np.ndarray:
    """(2, 2) the corners, in mm, of the rectangle of one colour round a point (1, 2)."""
    rows, columns = window_about(sheet, at_mm, TAP_REACH_MM)
    step = max(1, int(sheet.px_per_mm / TAP_PX_PER_MM))
    part = slice(rows.start, rows.stop, step), slice(columns.start, columns.stop, step)
    scale = sheet.px_per_mm / step
    lab = to_lab(np.ascontiguousarray(sheet.rgb_linear[part]), sheet_white(sheet, view))
    inside = sheet.inside[part]
    first_px = np.array([columns.start, rows.start])
    x, y = np.rint((sheet.to_px(at_mm[0]) - first_px) / step).astype(int)
    r = max(1, round(TAP_SEED_MM * scale))
    seen = lab[max(0, y - r) : y + r + 1, max(0, x - r) : x + r + 1].reshape(-1, 3)
    if not (0 <= y < inside.shape[0] and 0 <= x < inside.shape[1] and len(seen)):
        raise _nothing_tapped("the tap lies too far from the card")
    seed = np.median(seen, axis=0)
    light = lab[..., 0] >= np.quantile(lab[inside][:, 0], 0.8)
    paper = np.median(lab[inside & light], axis=0)
    far = float(np.linalg.norm(seed - paper))
    if far < TAP_LEAST_DE:
        raise _nothing_tapped("bare paper lies there")
    like = (lab - paper) @ ((seed - paper) / far) > 0.4 * far
    like &= np.linalg.norm(lab - seed, axis=2) < 1.2 * far
    gap = max(3, round(scale))
    apart = cv2.morphologyEx(
        (like & inside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((gap, gap), np.uint8)
    )
    _, labels = cv2.connectedComponents(apart)
    on = labels == labels[y, x] if labels[y, x] else np.zeros(labels.shape, bool)
    (x0, x1), (y0, y1) = (_run(on.sum(axis=k), at) for k, at in ((0, x), (1, y)))
    sides = np.array([x1 - x0, y1 - y0]) / scale
    low, high = min(sides), max(sides)
    if not (
        TAP_WIDTH_MM[0] <= low <= TAP_WIDTH_MM[1] and TAP_LENGTH_MM[0] <= high <= TAP_LENGTH_MM[1]
    ):
        raise _nothing_tapped("no strip ends there on all four sides")
    corner = sheet.to_mm(first_px + step * np.array([x0, y0]))
    return np.array([corner + TAP_INSET * sides, corner + (1 - TAP_INSET) * sides])


def _run(counts: np.ndarray, at: int) -> tuple[int, int]:
    """Where the rows or columns round ``at`` are mostly full: first, and one past the last."""
    full = counts >= TAP_FILL * np.quantile(counts[counts > 0], 0.8) if counts.any() else counts > 0
    if not full[at]:
        return at, at
    empty = np.flatnonzero(~full)
    before, after = empty[empty < at], empty[empty > at]
    return int(before[-1]) + 1 if len(before) else 0, int(after[0]) if len(after) else len(full)


def _nothing_tapped(seen: str) -> WrongUsage:
    return WrongUsage(
        f"what was tapped is no strip: {seen}",
        "a tap means the ink round it, as far as bare paper",
        "tap the middle of the strip, or draw a box over the whole of it",
    )


def _corners_from_text(spec: str, view, parameter: str) -> np.ndarray:
    wanted = (
        "a place is four numbers: x,y,w,h in mm from the card's upper left corner, "
        f"for example `{parameter}` 20,75,18,60, or photo pixels with px after the last one"
    )
    text = spec.strip().lower()
    in_px = text.endswith("px")
    text = text.removesuffix("px").removesuffix("mm")
    try:
        x, y, w, h = (float(part) for part in text.split(","))
    except ValueError:
        raise WrongUsage(
            f"`{parameter}` {spec} is not a place", wanted, "give four numbers"
        ) from None
    if not np.all(np.isfinite([x, y, w, h])) or w <= 0 or h <= 0:
        raise WrongUsage(
            f"`{parameter}` {spec} has no area", wanted, "give a width and a height above zero"
        )
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)
    if in_px:
        corners = apply_homography(np.linalg.inv(view.mm_to_px), corners)
    return corners


def _refuse_overlap(said: list[str], places: list[np.ndarray]) -> None:
    """Two places that share ink would be compared with themselves."""
    for (one, a), (other, b) in itertools.combinations(zip(said, places, strict=True), 2):
        a, b = a.astype(np.float32), b.astype(np.float32)
        shared = cv2.intersectConvexConvex(a, b)[0]
        share = shared / min(cv2.contourArea(a), cv2.contourArea(b))
        if share > limits.OVERLAP_SHARE:
            same = "are the same place" if share > 0.9 else f"overlap by {100 * share:.0f} %"
            raise WrongUsage(
                f"{one} and {other} {same}",
                "ink that belongs to both would be compared with itself, and the two would "
                "look more alike than they are",
                "give each strip a place of its own; the first number is x to the right, the "
                "second y downwards, then width and height",
            )


def _inked(
    lab: np.ndarray, body: np.ndarray, rim: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """(h, w) what is ink and (h, w) what is well within it, as a place by hand may reach beyond;
    None where ink and paper, the lightest in the ``rim``, hardly differ, or little of the place is
    ink."""
    if not (body.any() and rim.any()):
        return None
    light = lab[rim][:, 0]
    paper = np.median(lab[rim][light >= np.quantile(light, PAPER_FROM)], axis=0)
    ink = np.median(lab[body], axis=0)
    far = float(np.linalg.norm(ink - paper))
    if far < 2 * TAP_LEAST_DE:
        return None
    share = ((lab - paper) @ (ink - paper) / far**2).astype(np.float32)
    inked, within = share > 0.5, cv2.erode((share > 0.7).astype(np.uint8), np.ones((3, 3))) > 0
    return (inked, within) if (body & within).sum() > 0.5 * body.sum() else None


def _body_by_hand(sheet, white, corners, printed, what: str) -> Body:
    part = window_about(sheet, corners, limits.AROUND_MM)
    x, y = (axis[where] for axis, where in zip(sheet.grid_mm(), part[::-1], strict=True))
    # Signed distance in mm from each of the four sides.
    margin = np.full((len(y), len(x)), np.inf)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = (b - a) / np.linalg.norm(b - a)
        away = (x - a[0])[None, :] * -side[1] + (y - a[1])[:, None] * side[0]
        margin = np.minimum(margin, away)
    mask = (margin > 0) & sheet.inside[part]
    size = min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[3] - corners[0]))
    if mask.sum() < 0.6 * (margin > 0).sum() or mask.sum() < 6:
        raise WrongUsage(
            f"{what} lies outside the photo or is too small to see",
            "only what the photo shows can be measured",
            "give the place in mm from the card's upper left corner: x to the right, y down; "
            "or in photo pixels with px after the last number",
        )
    body = mask & (margin > min(1.5, 0.12 * float(size)))
    if printed is not None:
        body &= ~printed[part]
    body &= sheet.clipped[part] < 0.05
    corners_px = sheet.to_px(corners) - (part[1].start, part[0].start)
    rim = (margin < 1.0) & (margin > -RIM_MM) & sheet.inside[part]
    inked = _inked(to_lab(sheet.rgb_linear[part], white), body, rim)
    if inked is not None:
        mask, body = mask & inked[0], body & inked[1]
    shine = find_shine(sheet.rgb_linear[part], white, body, corners_px[[0, 1, 3]], sheet.px_per_mm)
    if shine is None:
        return Body(part, mask, body, 0.0, 0.0, True)
    if np.count_nonzero(body & shine.clean) >= 12:
        body &= shine.clean
    lost = shine.share if shine.lost else 0.0
    return Body(part, mask, body, shine.share, 0.0, True, lost, shine.level)


_REASONS = {
    "soft": "with soft edges like a shadow",
    "ragged": "that are no rectangle with straight edges",
    "textured": "that change along their length like print, wood or a ruler",
    "open": "that are not surrounded by paper",
    "round": "that bulge and are darker at both sides like a knife or a pencil",
    "goes on": "that go on beyond the paper",
    "faint": "that hardly differ from their paper",
    "large": "that are too large",
    "long": "that are too long for their width",
    "small": "that are too small",
    "lighter": "that are lighter than what they lie on",
    "holds a strip": "that hold others",
    "bordered": "that are pieces of paper with something on them",
}


def nothing_found(grounds: list[Ground], rejected: list[Candidate]) -> PhotoUnfit:
    """The refusal of a photo without strips, with what was seen in their stead."""
    todo = (
        "lay the strips on plain paper, 2 mm or more apart, all within the photo; or give "
        "their places yourself with `strips` x,y,w,h in mm from the card's upper left corner"
    )
    if not grounds:
        return PhotoUnfit(
            "no strip was found, and no even paper either",
            "a strip is known by the bare paper around it",
            todo,
        )
    counts = Counter(
        c.shape.reason
        for c in rejected
        if c.shape.reason in _REASONS and (c.shape.strip_sized or c.shape.reason == "small")
    )
    if not counts:
        seen = "no strip was found: the paper was seen, but nothing of a strip's shape on it"
    else:
        words = ", ".join(
            f"{n} shape{'s' if n > 1 else ''} {_REASONS[reason]}"
            for reason, n in counts.most_common(3)
        )
        seen = f"no strip was found: on the paper there were {words}"
    return PhotoUnfit(
        seen,
        "a draw-down shows as an even rectangle with two sharp straight edges and paper "
        "beside them, at least 8 mm wide and 17 mm long",
        todo,
    )
