"""From candidates to strips: join the halves of one strip, keep the better of two views,
drop what cannot be ink, and look once more at even surfaces where paper hardly shows."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from drawdown.strip_bars import BESIDE_BAR_MM, Bar, faded, grown_px
from drawdown.strip_ground import RIM_GROUND
from drawdown.strip_picture import Picture, Zones, disc
from drawdown.strip_search import Candidate, filled, paste
from drawdown.strip_shapes import BULGE_MM, ROUND_L, View, measure_shape
from drawdown.strip_upright import middle_colour

MAX_GAP_MM = 24.0
BAR_GAP_MM = 1.5
ONE_SIDED_MM = 0.6
PAPER_SPAN_L = 21.0
ZONE_SOFT_MM = 1.5


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
            if j == i or j in used or not _in_line(a, b):
                continue
            if _apart(picture, a, b, bars, BAR_GAP_MM + view.blur_mm):
                continue
            joined = _joined(picture, a, b, view)
            if joined is not None and not joined.shape.reason:
                used |= {i, j}
                a = joined
        out.append(a)
        used.add(i)
    gone = {id(partners[j]) for j in used}
    # A piece that was joined into a later strip must not stay as a strip of its own.
    kept = []
    for c in out:
        if not any(c is not o and _holds(o, c) for o in out):
            kept.append(c)
    return kept + [c for c in rest if id(c) not in gone]


def _in_line(a: Candidate, b: Candidate) -> bool:
    along, across, half_l, half_w = _frame(a)
    p = (b.shape.corners_mm - a.shape.centre_mm) @ across
    t = (b.shape.corners_mm - a.shape.centre_mm) @ along
    width = 2 * half_w
    if abs(p.min() + p.max()) / 2 > 0.15 * width + 0.8:
        return False
    if abs((p.max() - p.min()) - width) > 0.3 * width + 1.0:
        return False
    gap = max(t.min() - half_l, -half_l - t.max())
    if not -1.0 < gap < MAX_GAP_MM or b.shape.length_mm * b.shape.width_mm < 40:
        return False
    # The same ink, if thinner: the same way away from the paper, not nearly as far perhaps.
    ink_a, ink_b = a.shape.lab - a.paper_lab, b.shape.lab - a.paper_lab
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
    axis, across, _, half_w = _frame(c)
    axis = axis if axis @ away > 0 else -axis
    # Where the middle line of the piece meets the edge.
    start = c.shape.centre_mm - axis * ((c.shape.centre_mm - edge) @ away) / (axis @ away)
    depths = np.array(BESIDE_BAR_MM)[:, None, None]
    sides = (np.linspace(-0.6, 0.6, 7) * half_w)[None, :, None]
    px = np.rint(picture.to_px(start + depths * axis + sides * across)).astype(int)
    rows, columns = picture.usable.shape
    lab = picture.lab[np.clip(px[..., 1], 0, rows - 1), np.clip(px[..., 0], 0, columns - 1)]
    return np.median(np.linalg.norm(lab - c.paper_lab.astype(np.float32), axis=2), axis=1)


def _frame(c: Candidate):
    axis = c.shape.axis
    return axis, np.array([axis[1], -axis[0]]), c.shape.length_mm / 2, c.shape.width_mm / 2


def _joined(picture: Picture, a: Candidate, b: Candidate, view: View) -> Candidate | None:
    """The union with what lies between, judged again on paper of a's colour; None when
    there is paper between."""
    along, across, half_l, half_w = _frame(a)
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
    quad = picture.to_px(box(low, high, 0.8 * half_w)) - (x0, y0)
    cv2.fillPoly(between, [np.round(quad * 16).astype(np.int32)], 1, shift=4)
    seen = contrast[between > 0]
    limit = max(1.5 * a.shape.low, 0.5 * min(a.shape.level, b.shape.level))
    if len(seen) and (seen > limit).mean() < 0.7:
        return None
    quad = picture.to_px(box(low - 2, high + 2, half_w)) - (x0, y0)
    fill = on.astype(np.uint8)
    cv2.fillPoly(fill, [np.round(quad * 16).astype(np.int32)], 1, shift=4)
    shape = measure_shape(picture, fill > 0, contrast, a.shape.low, (y0, x0), None, view)
    if shape is None:
        return None
    return replace(a, shape=shape, on=fill > 0, offset=(y0, x0))


def settle(
    picture: Picture, candidates: list[Candidate], bars: list[Bar]
) -> tuple[list[Candidate], list[Candidate]]:
    """Strips and rejected ones. Of overlapping strips the better stays; a shape that holds
    another whole one is the paper under it; paper is lighter than what lies on it and about
    equally light everywhere; a strip does not end at another strip's flank."""
    good = [c for c in candidates if not c.shape.reason]
    lost = [c for c in candidates if c.shape.reason]
    good, out = _split(good, [_is_bar(picture, c, bars) for c in good], "open")
    lost += out
    good, out = _split(good, _lighter(good), "lighter")
    lost += out
    good, out = _split(good, _other_paper(good), "lighter")
    lost += out
    holds = [any(c is not o and _holds(c, o) and not _piece_of(o, c) for o in good) for c in good]
    good, out = _split(good, holds, "holds a strip")
    lost += out
    pieces = [any(c is not o and _holds(o, c) for o in good) for c in good]
    good, out = _split(good, pieces, "seen twice")
    lost += out
    good.sort(key=lambda c: 0.3 * c.shape.partial - c.shape.quality)
    kept: list[Candidate] = []
    for c in good:
        if any(overlap(c, k) > 0.2 for k in kept):
            lost.append(c.rejected("seen twice"))
        else:
            kept.append(c)
    kept, out = _split(kept, _odd_paper(kept), "open")
    lost += out
    whole = [c for c in kept if not c.shape.partial]
    kept, out = _split(kept, [c.shape.partial and not _fits(c, whole) for c in kept], "open")
    lost += out
    flank = [any(c is not o and _ends_at(c, o) for o in kept) for c in kept]
    kept, out = _split(kept, flank, "open")
    return kept, lost + out


def _is_bar(picture: Picture, c: Candidate, bars: list[Bar]) -> bool:
    """Does most of a shape lie on a printed bar?"""
    for bar in bars:
        there = np.zeros(c.on.shape, np.uint8)
        cv2.fillPoly(there, [grown_px(picture, bar, 1.0, c.offset)], 1, shift=4)
        if (c.on & (there > 0)).sum() > 0.7 * c.on.sum():
            return True
    return False


def _odd_paper(kept: list[Candidate]) -> list[bool]:
    """Papers in one photo are about equally light; unless they were joined to one paper."""
    if not kept:
        return []
    lightest = max(c.paper_lab[0] for c in kept)
    near = {c.ground for c in kept if c.paper_lab[0] > lightest - PAPER_SPAN_L} - {-1}
    return [c.paper_lab[0] < lightest - PAPER_SPAN_L and c.ground not in near for c in kept]


def _fits(c: Candidate, whole: list[Candidate]) -> bool:
    """What is not seen whole must look like a strip all the more: clean, and lying as the
    whole strips lie."""
    m = c.shape.measured
    if (
        c.shape.level < 3.5
        or m["straight"] < 0.85
        or m["fill"] < 0.88
        or m["texture"] > 1.2 + 0.04 * c.shape.level
    ):
        return False
    # A knife or a pencil is round, bulges, or casts a shadow on one side.
    rises = [s[3] for s in m["sides"]]
    shadow = min(rises) == 0 or abs(rises[0] - rises[1]) > ONE_SIDED_MM
    if "round" in m and sum((m["round"] > ROUND_L, m["bulge"] > BULGE_MM, shadow)) >= 2:
        return False
    if not whole:
        return "card" not in c.shape.ends
    turns = [abs(c.shape.axis @ o.shape.axis) for o in whole]
    widths = [c.shape.width_mm / o.shape.width_mm for o in whole]
    side = any(s[0] < 0.5 for s in m["sides"])
    return any(
        (t > 0.985 or t < 0.17) and (side or 0.6 < w < 1.7)
        for t, w in zip(turns, widths, strict=True)
    )


def _split(items, bad, reason):
    good = [c for c, b in zip(items, bad, strict=True) if not b]
    return good, [c.rejected(reason) for c, b in zip(items, bad, strict=True) if b]


def _lighter(good: list[Candidate]) -> list[bool]:
    """Ink darkens paper or colours it. What is above all lighter than what it lies on is a
    piece of paper on a table, unless ordinary strips show that that is paper."""
    papers = [c.paper_lab for c in good if c.darker > 0.5]
    return [
        c.darker < -max(0.5, 0.25 * c.shape.level)
        and not any(np.linalg.norm(c.paper_lab - p) < 8 for p in papers)
        for c in good
    ]


def _holds(a: Candidate, b: Candidate) -> bool:
    """Does b lie wholly within a's rectangle, clearly smaller?"""
    size_a = a.shape.length_mm * a.shape.width_mm
    size_b = b.shape.length_mm * b.shape.width_mm
    if size_a < 1.2 * size_b:
        return False
    along, across, half_l, half_w = _frame(a)
    p = b.shape.corners_mm - a.shape.centre_mm
    return bool(
        np.all(np.abs(p @ along) < half_l + 0.5) and np.all(np.abs(p @ across) < half_w + 0.5)
    )


def _other_paper(good: list[Candidate]) -> list[bool]:
    """What lies on something darker and has the colour of the paper under ordinary strips is
    that paper, seen against a table; or seen against a paper known only from thin rims."""
    papers = [(c.paper_lab, c.ground) for c in good if c.darker > 0.5]
    return [
        (c.darker < -0.5 or c.ground >= RIM_GROUND)
        and any(
            ground != c.ground and np.linalg.norm(c.shape.lab - lab) < min(4.0, 0.6 * c.shape.level)
            for lab, ground in papers
        )
        for c in good
    ]


def in_window(good: list[Candidate], window_mm) -> list[bool]:
    """Which candidates lie in the window of a frame (x, y, w, h)."""
    x, y, w, h = window_mm
    centres = [c.shape.centre_mm for c in good]
    return [bool(x < cx < x + w and y < cy < y + h) for cx, cy in centres]


def _piece_of(b: Candidate, a: Candidate) -> bool:
    """Is b a piece of the strip a rather than a strip on a paper a? It is as wide, and of the
    same colour."""
    p = (b.shape.corners_mm - a.shape.centre_mm) @ _frame(a)[1]
    off = float(np.linalg.norm(b.shape.lab - a.shape.lab))
    return np.ptp(p) > a.shape.width_mm - 3.0 and off < max(6.0, 0.15 * a.shape.level)


def _ends_at(c: Candidate, other: Candidate) -> bool:
    """Does c end right at the long side of another strip? Then it is a piece of a bar that
    the other one covers."""
    along, across, half_l, half_w = _frame(other)
    axis, _, c_half, _ = _frame(c)
    if abs(axis @ along) > 0.5 or "other" not in c.shape.ends:
        return False
    for sign in (-1, 1):
        tip = c.shape.centre_mm + sign * axis * c_half - other.shape.centre_mm
        if abs(abs(tip @ across) - half_w) < 2.0 and abs(tip @ along) < half_l:
            return True
    return False


def overlap(a: Candidate, b: Candidate) -> float:
    """Shared pixels over those of the smaller one."""
    there = np.zeros(a.on.shape, bool)
    paste(there, b.on, (b.offset[0] - a.offset[0], b.offset[1] - a.offset[1]))
    return float((a.on & there).sum() / max(1, min(a.on.sum(), b.on.sum())))


def shapes_from_zones(
    picture: Picture, zones: Zones, taken: np.ndarray, lightest: float, view: View
) -> list[Candidate]:
    """Even surfaces of strip size, with the colour right around them as their paper: strips
    on scraps that hardly reach beyond them. ``taken`` (h, w) marks accepted strips;
    ``lightest`` is the L* of the lightest paper seen."""
    ppm = picture.px_per_mm
    out: list[Candidate] = []
    sizes = np.flatnonzero((zones.area_mm2 > 110.0) & (zones.area_mm2 < 9000.0))
    view = replace(view, soft_mm=ZONE_SOFT_MM)
    for k in sorted(sizes, key=lambda k: -zones.area_mm2[k])[:40]:
        x, y, w, h = zones.box[k]
        if min(w, h) < 4 * ppm or max(w, h) < 12 * ppm or zones.lab[k, 0] > lightest + 8:
            continue
        m = round(7 * ppm)
        part = (
            slice(max(0, y - m), min(picture.usable.shape[0], y + h + m)),
            slice(max(0, x - m), min(picture.usable.shape[1], x + w + m)),
        )
        # Without light paper anywhere near it is no strip.
        if picture.lab[part][::3, ::3, 0].max() < lightest - PAPER_SPAN_L:
            continue
        zone = zones.mask(k, part)
        if np.count_nonzero(taken[part] & zone) > 0.2 * np.count_nonzero(zone):
            continue
        solid = cv2.morphologyEx(zone.view(np.uint8), cv2.MORPH_CLOSE, disc(1.0 * ppm))
        solid = cv2.dilate(solid, disc(1.1 * ppm))
        rect = cv2.minAreaRect(cv2.convexHull(cv2.findNonZero(solid)))
        if min(rect[1]) < 7 * ppm or solid.sum() < 0.6 * rect[1][0] * rect[1][1]:
            continue
        ring = (cv2.dilate(solid, disc(2.2 * ppm)) > 0) & (solid == 0) & picture.usable[part]
        if ring.sum() < 40:
            continue
        lab = picture.lab[part]
        around, inside = lab[ring], middle_colour(lab[zone][::3])
        bright = np.sort(around[:, 0])[int(0.6 * len(around))]
        light = around[around[:, 0] >= bright]
        paper = middle_colour(light)
        if paper[0] < inside[0] + 0.5 or paper[0] < lightest - PAPER_SPAN_L:
            continue
        contrast = np.linalg.norm(lab - paper.astype(np.float32), axis=2)
        level = float(np.median(contrast[zone]))
        noise = float(np.quantile(np.linalg.norm(light - paper, axis=1), 0.7))
        low = float(np.clip(1.3 * noise, 1.3, 4.0))
        if level < 2.5:
            continue
        ink = (contrast > max(low, 0.45 * level)) & picture.usable[part]
        offset = (part[0].start, part[1].start)
        shape = on = None
        for room in (None, _longer(solid, rect, 6 * ppm), cv2.dilate(solid, disc(1.5 * ppm))):
            blob = _around(ink if room is None else ink & (room > 0), zone, ppm)
            if blob is None or (
                room is None and (_touches_rim(blob) or blob.sum() > 2 * solid.sum())
            ):
                continue
            tried = measure_shape(picture, blob, contrast, low, offset, None, view)
            if tried is not None:
                shape, on = tried, blob
                if not shape.reason:
                    break
        if shape is not None:
            out.append(Candidate(shape, on, offset, paper, float(paper[0] - inside[0])))
    return out


def rims_of(picture: Picture, strips: list[Candidate]) -> list[tuple[tuple[int, int], np.ndarray]]:
    """The bare paper right around strips: (row, column) offsets and masks."""
    ppm = picture.px_per_mm
    rims = []
    for c in strips:
        on8 = c.on.view(np.uint8)
        wide = cv2.dilate(on8, disc(3.0 * ppm)) & ~cv2.dilate(on8, disc(1.0 * ppm))
        off = np.linalg.norm(picture.lab[c.part] - c.paper_lab.astype(np.float32), axis=2)
        rims.append((c.offset, (wide > 0) & (off < 4.0) & picture.usable[c.part]))
    return rims


def _longer(solid: np.ndarray, rect, more_px: float) -> np.ndarray:
    """(h, w) uint8: the rectangle of a zone, longer at both ends for bead and ragged end."""
    (centre, (w, h), degrees) = rect
    size = (w + 2 * more_px, h + 4) if w >= h else (w + 4, h + 2 * more_px)
    room = np.zeros(solid.shape, np.uint8)
    corners = cv2.boxPoints((centre, size, degrees))
    cv2.fillPoly(room, [np.round(corners * 16).astype(np.int32)], 1, shift=4)
    return room


def _around(ink: np.ndarray, zone: np.ndarray, px_per_mm: float) -> np.ndarray | None:
    """The connected piece of ink that holds most of a zone, cleaned of thin things."""
    clean = cv2.morphologyEx(ink.view(np.uint8), cv2.MORPH_OPEN, disc(1.6 * px_per_mm))
    _, label = cv2.connectedComponents(clean, connectivity=4)
    counts = np.bincount(label[zone])
    counts[0] = 0
    if not counts.any():
        return None
    return filled(label == counts.argmax(), 15 * px_per_mm**2)


def _touches_rim(mask: np.ndarray) -> bool:
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())
