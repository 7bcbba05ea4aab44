"""One strip or two: halves that a printed bar cuts a strip into are joined, two strips that touch
or overlap along their sides are parted, and what lies on a strip is noticed."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.bars import Bar
from drawdown.strips.bridge import faded
from drawdown.strips.candidates import Candidate
from drawdown.strips.rectangle import middle_colour
from drawdown.strips.shapes import View, measure_shape
from drawdown.strips.working_picture import Picture, fill, paste, to_lab


def join_halves(
    picture: Picture, candidates: list[Candidate], view: View, bars: list[Bar]
) -> list[Candidate]:
    """Join pieces in line, of one width and colour, with something other than paper between
    them: one strip that runs across a printed bar. Across one of the known ``bars``, both
    must reach it."""
    good = [c for c in candidates if not c.shape.reason]
    rest = [c for c in candidates if c.shape.reason]
    partners = good + [
        c for c in rest if c.shape.reason in ("small", "open", "faint", "ragged", "soft")
    ]
    used: set[int] = set()
    out: list[Candidate] = []
    for i, a in enumerate(good):
        if i in used:
            continue
        for j, b in enumerate(partners):
            if j == i or j in used or not _in_line(picture, a, b):
                continue
            if _apart(picture, a, b, bars, limits.BAR_GAP_MM + view.blur_mm):
                continue
            joined = _joined(picture, a, b, view)
            if joined is not None and not joined.shape.reason:
                used |= {i, j}
                a = joined
        out.append(a)
        used.add(i)
    gone = {id(partners[j]) for j in used}
    # A piece that was joined into a later strip must not stay as a strip of its own.
    kept = [c for c in out if not any(c is not o and holds(o, c) for o in out)]
    return kept + [c for c in rest if id(c) not in gone]


def parted(sheet, white: np.ndarray, c: Candidate) -> list[np.ndarray]:
    """The corners (4, 2) mm of one strip, or of each of two that touch or overlap: of one width,
    with a seam between them along most of the length. A seam is a line of paper, a line of double
    ink, or a sharp step of colour; a streak seldom lies in the very middle. Where the ink hides it,
    two strokes still do not begin on one line."""
    corners = c.shape.corners_mm
    along, across = corners[3] - corners[0], corners[1] - corners[0]
    long, wide = c.shape.length_mm, c.shape.width_mm
    if wide < 2 * limits.LEAST_HALF_MM:
        return [corners]
    rows, columns = round(long), round(wide / limits.SEAM_STEP_MM)
    start = sheet.to_px(corners[0] + along / (2 * rows) + across / (2 * columns))
    steps = [sheet.px_per_mm * v / n for v, n in ((across, columns), (along, rows))]
    matrix = np.stack([*steps, start], axis=1)
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    rgb = cv2.warpAffine(sheet.rgb_linear, matrix, (columns, rows), flags=how)
    lab = to_lab(rgb, white)[rows // 8 : rows - rows // 5]
    place = _seam(lab, c.paper_lab)
    share = None if place is None else (place + 0.5) / columns
    if share is None:
        share = _stepped_start(sheet, white, c)
    if share is None:
        return [corners]
    middle = across * share
    left = np.array([corners[0], corners[0] + middle, corners[3] + middle, corners[3]])
    right = np.array([corners[0] + middle, corners[1], corners[2], corners[3] + middle])
    return [left, right]


def _seam(lab: np.ndarray, paper_lab: np.ndarray) -> int | None:
    """The column of a seam in the middle of ink turned upright (h, w, 3), or None."""
    columns = lab.shape[1]
    ink = np.linalg.norm(lab - np.asarray(paper_lab, np.float32), axis=2)
    a, b = (round(share * columns) for share in limits.SEAM_WITHIN)
    r = round(limits.SEAM_REACH_MM / limits.SEAM_STEP_MM)
    beside = np.stack([ink[:, a - r : b - r], ink[:, a + r : b + r]])
    paler = 1 - ink[:, a:b] / np.maximum(beside.min(axis=0), 1e-6)
    darker = ink[:, a:b] / np.maximum(beside.max(axis=0), 1e-6) - 1
    for line, least in ((paler, limits.SEAM_PALER), (darker, limits.SEAM_DARKER)):
        typical = np.median(line, axis=0)
        k = int(np.argmax(typical))
        near = line[:, max(k - 2, 0) : k + 3].max(axis=1)
        if typical[k] > least and np.mean(near > least / 2) > limits.SEAM_SHARE:
            return a + k
    step = np.linalg.norm(lab[:, a + r : b + r] - lab[:, a - r : b - r], axis=2)
    sides = [np.median(lab[:, s], axis=(0, 1)) for s in (np.s_[2:a], np.s_[b : columns - 2])]
    whole = float(np.linalg.norm(sides[1] - sides[0]))
    k = int(np.argmax(np.median(step, axis=0)))
    sharp = step[:, k] > limits.SEAM_SHARE * whole
    if whole > limits.SEAM_DE and np.mean(sharp) > limits.SEAM_SHARE:
        return a + k
    return None


def _stepped_start(sheet, white: np.ndarray, c: Candidate) -> float | None:
    """Where, as a share of the width, the straight start of two strokes has a step, or None. The
    blade lays each stroke's start as one line; the run-out is ragged and says nothing."""
    corners = c.shape.corners_mm
    along, across = corners[3] - corners[0], corners[1] - corners[0]
    down = along / c.shape.length_mm * limits.START_STEP_MM
    columns, beyond = round(c.shape.width_mm / limits.SEAM_STEP_MM), limits.START_BEYOND_MM
    depth = round(2 * beyond / limits.START_STEP_MM)
    rim = round(limits.START_RIM_MM / limits.SEAM_STEP_MM)
    for first, way in ((corners[0], down), (corners[3], -down)):
        origin = sheet.to_px(first - way * depth / 2 + across / (2 * columns))
        steps = [sheet.px_per_mm * v for v in (across / columns, way)]
        matrix = np.stack([*steps, origin], axis=1)
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        rgb = cv2.warpAffine(sheet.rgb_linear, matrix, (columns, depth), flags=how)
        ink = np.linalg.norm(to_lab(rgb, white) - np.asarray(c.paper_lab, np.float32), axis=2)
        inked = ink > 0.5 * c.shape.level
        start = np.where(inked.any(axis=0), inked.argmax(axis=0), depth) * limits.START_STEP_MM
        place = _step_of(start[rim:-rim])
        if place is not None:
            return (place + rim) / columns
    return None


def _step_of(start_mm: np.ndarray) -> int | None:
    """The column at which a straight line (n,) jumps to another, or None."""
    count = len(start_mm)
    x = np.arange(count) / count - 0.5
    best, found = np.inf, None
    a, b = (round(share * count) for share in limits.START_WITHIN)
    for k in range(a, b):
        design = np.stack([np.ones(count), x, np.arange(count) >= k], axis=1)
        line = np.linalg.lstsq(design, start_mm, rcond=None)[0]
        left = np.abs(start_mm - design @ line)
        size = float(np.mean(left))
        if size < best:
            straight = float(np.quantile(left, 0.9)) < limits.START_STRAIGHT_MM
            step = abs(float(line[2]))
            fits = straight and step > max(limits.START_LEAST_MM, 5 * size)
            best, found = size, k if fits else None
    return found


def _in_line(picture: Picture, a: Candidate, b: Candidate) -> bool:
    along, across, half_l, half_w = frame_of(a)
    p = (b.shape.corners_mm - a.shape.centre_mm) @ across
    t = (b.shape.corners_mm - a.shape.centre_mm) @ along
    width = 2 * half_w
    if abs(p.min() + p.max()) / 2 > 0.15 * width + 0.8:
        return False
    if abs((p.max() - p.min()) - width) > 0.3 * width + 1.0:
        return False
    gap = max(t.min() - half_l, -half_l - t.max())
    if not -1.0 < gap < limits.MOST_GAP_MM or b.shape.length_mm * b.shape.width_mm < 40:
        return False
    # The same ink, if thinner: the same way away from the paper, not nearly as far perhaps.
    # What is small has not been measured yet.
    lab = b.shape.lab if b.shape.level else middle_colour(picture.lab[b.part][b.on][::3])
    ink_a, ink_b = a.shape.lab - a.paper_lab, lab - a.paper_lab
    size_a, size_b = np.linalg.norm(ink_a), np.linalg.norm(ink_b)
    if not 0.3 < size_b / max(size_a, 1e-6) < 2.0:
        return False
    return bool(ink_a @ ink_b > 0.9 * size_a * size_b)


def _apart(picture: Picture, a: Candidate, b: Candidate, bars: list[Bar], limit_mm: float) -> bool:
    """Is there a bar between two pieces in line, and more than the limit of something else,
    or ink that has faded?"""
    axis = a.shape.axis
    for bar in bars:
        c = bar.corners_mm
        height = float(np.linalg.norm(c[3] - c[0]))
        down = (c[3] - c[0]) / height
        away = [(p.shape.corners_mm - c[0]) @ down for p in (a, b)]
        above, below = sorted(away, key=np.mean)
        if np.mean(above) > 0.5 * height or np.mean(below) < 0.5 * height:
            continue
        along = (c[1] - c[0]) / np.linalg.norm(c[1] - c[0])
        place = (a.shape.centre_mm + b.shape.centre_mm) / 2 - c[0]
        if abs(axis @ down) < 0.7 or not 0 < place @ along < np.linalg.norm(c[1] - c[0]):
            continue
        # The nearer corners' mean is the middle of the facing end.
        ends = np.sort(above)[-2:].mean(), np.sort(below)[:2].mean()
        if -ends[0] > limit_mm or ends[1] - height > limit_mm:
            return True
        pieces = (a, b) if away[0].mean() < away[1].mean() else (b, a)
        return any(
            faded(_run_off(picture, p, c[0] + start * down, way * down))
            for p, start, way in zip(pieces, (0.0, height), (-1.0, 1.0), strict=True)
        )
    return False


def _run_off(picture: Picture, c: Candidate, edge: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Contrast to its paper (depths,) of a piece that ends at a bar, from the bar's ``edge``
    (a point on it) away from it."""
    axis, across, _, half_w = frame_of(c)
    axis = axis if axis @ away > 0 else -axis
    # Where the middle line of the piece meets the edge.
    start = c.shape.centre_mm - axis * ((c.shape.centre_mm - edge) @ away) / (axis @ away)
    depths = np.array(limits.BESIDE_BAR_MM)[:, None, None]
    sides = (np.linspace(-0.6, 0.6, 7) * half_w)[None, :, None]
    px = np.rint(picture.to_px(start + depths * axis + sides * across)).astype(int)
    rows, columns = picture.usable.shape
    lab = picture.lab[np.clip(px[..., 1], 0, rows - 1), np.clip(px[..., 0], 0, columns - 1)]
    return np.median(np.linalg.norm(lab - c.paper_lab.astype(np.float32), axis=2), axis=1)


def _joined(picture: Picture, a: Candidate, b: Candidate, view: View) -> Candidate | None:
    """The union with what lies between, judged again on paper of a's colour; None when
    there is paper between."""
    along, across, half_l, half_w = frame_of(a)
    t = (b.shape.corners_mm - a.shape.centre_mm) @ along
    low, high = (half_l, t.min()) if t.mean() > 0 else (t.max(), -half_l)
    centre = a.shape.centre_mm

    def box(t0, t1, w):
        pairs = [(t0, -w), (t0, w), (t1, w), (t1, -w)]
        return np.array([centre + along * s + across * p for s, p in pairs])

    corners = np.concatenate([a.shape.corners_mm, b.shape.corners_mm])
    px = picture.to_px(corners)
    m = 9 * picture.px_per_mm
    rows, columns = picture.usable.shape
    x0, y0 = np.maximum(0, np.floor(px.min(axis=0) - m)).astype(int)
    x1, y1 = np.ceil(px.max(axis=0) + m).astype(int)
    part = (slice(y0, min(rows, y1)), slice(x0, min(columns, x1)))
    lab = picture.lab[part]
    contrast = np.linalg.norm(lab - a.paper_lab.astype(np.float32), axis=2).astype(np.float32)
    on = np.zeros(contrast.shape, bool)
    paste(on, a.on, (a.offset[0] - y0, a.offset[1] - x0))
    paste(on, b.on, (b.offset[0] - y0, b.offset[1] - x0))
    between = np.zeros(on.shape, np.uint8)
    fill(between, picture.to_px(box(low, high, 0.8 * half_w)) - (x0, y0))
    seen = contrast[between > 0]
    limit = max(1.5 * a.shape.low, 0.5 * min(a.shape.level, b.shape.level or a.shape.level))
    if len(seen) and (seen > limit).mean() < 0.7:
        return None
    joined = on.astype(np.uint8)
    fill(joined, picture.to_px(box(low - 2, high + 2, half_w)) - (x0, y0))
    shape = measure_shape(picture, joined > 0, contrast, a.shape.low, (y0, x0), None, view)
    if shape is None:
        return None
    return replace(a, shape=shape, on=joined > 0, offset=(y0, x0))


def frame_of(c: Candidate) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Unit vectors (2,) along and across a shape, and half its length and width in mm."""
    axis = c.shape.axis
    return axis, np.array([axis[1], -axis[0]]), c.shape.length_mm / 2, c.shape.width_mm / 2


def holds(a: Candidate, b: Candidate) -> bool:
    """Does b lie wholly within a's rectangle, clearly smaller?"""
    size_a = a.shape.length_mm * a.shape.width_mm
    size_b = b.shape.length_mm * b.shape.width_mm
    if size_a < 1.2 * size_b:
        return False
    along, across, half_l, half_w = frame_of(a)
    p = b.shape.corners_mm - a.shape.centre_mm
    return bool(
        np.all(np.abs(p @ along) < half_l + 0.5) and np.all(np.abs(p @ across) < half_w + 0.5)
    )


def even_stretch(profile: np.ndarray, tolerance: float, min_share: float) -> tuple[int, int]:
    """First and last index of the longest run of a (n, 3) profile that stays within
    ``tolerance`` (colour distance from its own mean); the tolerance is widened step by step
    until the run covers ``min_share`` of the profile."""
    n = len(profile)
    if n < 3:
        return 0, n - 1
    need = max(2, int(np.ceil(min_share * n)))
    total = np.vstack([np.zeros(3), np.cumsum(profile, axis=0)])
    limit = tolerance
    for _ in range(14):
        best = (0, -1)
        for first in range(n):
            if n - first <= best[1] - best[0] + 1:
                break
            last = first + max(best[1] - best[0] + 1, 1)
            while last < n:
                mean = (total[last + 1] - total[first]) / (last + 1 - first)
                off = profile[first : last + 1] - mean
                if np.einsum("ij,ij->i", off, off).max() > limit * limit:
                    break
                best = (first, last)
                last += 1
        if best[1] - best[0] + 1 >= need:
            return best
        limit *= 1.4
    return 0, n - 1


def half_covered(profile: np.ndarray, paper_lab: np.ndarray) -> bool:
    """Whether a long part of a strip, up to one of its ends, is even in quite another colour than
    the rest, and one that neither more nor less film could make: a hand, tape, another stroke.
    ``profile`` (n, 3) is the run of colour along it."""
    n = len(profile)
    if n * limits.BIN_MM < limits.COVERED_MM:
        return False
    first, last = even_stretch(profile, limits.COVERED_EVEN_DE, limits.LEAST_EVEN_SHARE)
    ink = profile[first : last + 1].mean(axis=0)
    way = paper_lab - ink
    way = way / max(float(np.linalg.norm(way)), 1e-6)
    for rest in (profile[:first][::-1], profile[last + 1 :]):  # each towards its end
        if len(rest) < limits.COVERED_SHARE * n:
            continue
        one, other = even_stretch(rest, limits.COVERED_EVEN_DE, limits.LEAST_EVEN_SHARE)
        there = rest[one : other + 1].mean(axis=0)
        # Beyond a bar the ink goes on, and a strip that ends on one is dark there.
        if len(rest) - other > limits.COVERED_LEFT * len(rest) + 1 or there[0] < limits.BARE_BAR_L:
            continue
        off = there - ink
        aside = float(np.linalg.norm(off - (off @ way) * way))
        far = float(np.linalg.norm(off)) > limits.COVERED_DE and aside > limits.ASIDE_DE
        if far and other + 1 - one >= limits.COVERED_SHARE * n:
            return True
    return False
