"""From candidates to strips: keep the better of two views, drop what cannot be ink, look once
more at even surfaces where paper hardly shows, and tell what was not counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.bars import Bar, grown_px
from drawdown.strips.candidates import Candidate
from drawdown.strips.join import frame_of, holds
from drawdown.strips.paper import RIM_GROUND
from drawdown.strips.rectangle import middle_colour
from drawdown.strips.shapes import View, measure_shape
from drawdown.strips.working_picture import Picture, Zones, disc, fill, filled, lengths, paste


def settle(
    picture: Picture, candidates: list[Candidate], bars: list[Bar]
) -> tuple[list[Candidate], list[Candidate]]:
    """Strips and rejected ones. Of overlapping strips the better stays; a shape that holds
    another whole one is the paper under it; paper is lighter than what lies on it and about
    equally light everywhere; a strip does not end at another strip's flank."""
    good = [c for c in candidates if not c.shape.reason]
    lost = [c for c in candidates if c.shape.reason]

    def drop(reason: str, bad: Callable[[list[Candidate]], list[bool]]) -> None:
        nonlocal good, lost
        marked = list(zip(good, bad(good), strict=True))
        good = [c for c, is_bad in marked if not is_bad]
        lost += [c.rejected(reason) for c, is_bad in marked if is_bad]

    def any_other(test: Callable[[Candidate, Candidate], bool]):
        return lambda some: [any(c is not o and test(c, o) for o in some) for c in some]

    drop("open", lambda some: [_is_bar(picture, c, bars) for c in some])
    drop("lighter", _lighter)
    drop("lighter", _other_paper)
    drop("holds a strip", any_other(lambda c, o: holds(c, o) and not _piece_of(o, c)))
    drop("seen twice", any_other(lambda c, o: holds(o, c)))
    good.sort(key=lambda c: 0.3 * c.shape.partial - c.shape.quality)
    drop("seen twice", _seen_before)
    drop("open", _odd_paper)
    whole = [c for c in good if not c.shape.partial]
    drop("open", lambda some: [c.shape.partial and not _fits(c, whole, some) for c in some])
    drop("open", any_other(_ends_at))
    return good, lost


def _seen_before(good: list[Candidate]) -> list[bool]:
    """Which candidates overlap with a better one that stays."""
    kept: list[Candidate] = []
    out = []
    for c in good:
        out.append(any(overlap(c, k) > 0.2 for k in kept))
        kept += [] if out[-1] else [c]
    return out


def _is_bar(picture: Picture, c: Candidate, bars: list[Bar]) -> bool:
    """Does most of a shape lie on a printed bar?"""
    for bar in bars:
        there = np.zeros(c.on.shape, np.uint8)
        fill(there, grown_px(picture, bar, 1.0, c.offset))
        if (c.on & (there > 0)).sum() > 0.7 * c.on.sum():
            return True
    return False


def _odd_paper(kept: list[Candidate]) -> list[bool]:
    """Papers in one photo are about equally light; unless they were joined to one paper."""
    if not kept:
        return []
    lightest = max(c.paper_lab[0] for c in kept)
    near = {c.ground for c in kept if c.paper_lab[0] > lightest - limits.PAPER_SPAN_L} - {-1}
    return [c.paper_lab[0] < lightest - limits.PAPER_SPAN_L and c.ground not in near for c in kept]


def _fits(c: Candidate, whole: list[Candidate], good: list[Candidate]) -> bool:
    """What is not seen whole must look like a strip all the more: clean, and lying as the
    whole strips lie; or as another one, where both end at the card."""
    m = c.shape.measured
    if c.shape.level < 3.5 or m["straight"] < 0.85 or m["fill"] < 0.88:
        return False
    if m["texture"] > 1.2 + 0.04 * c.shape.level:
        return False
    # A knife or a pencil is round, bulges, or casts a shadow on one side.
    rises = [s[3] for s in m["sides"]]
    shadow = min(rises) == 0 or abs(rises[0] - rises[1]) > limits.ONE_SIDED_MM
    signs = (m["round"] > limits.ROUND_L, m["bulge"] > limits.BULGE_MM) if "round" in m else ()
    if signs and sum(signs) + shadow >= 2:
        return False
    if not whole:
        plain = "card" not in c.shape.ends and c.shape.level > limits.LONE_PART_DE
        return plain or any(_twins(c, o) for o in good if o is not c)
    turns = [abs(c.shape.axis @ o.shape.axis) for o in whole]
    widths = [c.shape.width_mm / o.shape.width_mm for o in whole]
    side = any(s[0] < 0.5 for s in m["sides"])
    if any(s[1] > 0.5 for s in m["sides"]) and c.ground not in {o.ground for o in whole}:
        return False  # cut lengthwise by the photo's edge, and not even on the strips' paper
    return any(
        (t > 0.985 or t < 0.17) and (side or 0.6 < w < 1.7)
        for t, w in zip(turns, widths, strict=True)
    )


def _twins(c: Candidate, other: Candidate) -> bool:
    """Are two shapes of one width, side by side and of one paper?"""
    along, across, half_l, half_w = frame_of(other)
    off = c.shape.centre_mm - other.shape.centre_mm
    return bool(
        c.ground == other.ground
        and abs(c.shape.axis @ along) > 0.985
        and 0.75 < c.shape.width_mm / other.shape.width_mm < 1.33
        and abs(off @ along) < half_l
        and 1.6 * half_w < abs(off @ across) < 8 * half_w
    )


def _lighter(good: list[Candidate]) -> list[bool]:
    """Ink darkens paper or colours it. What is above all lighter than what it lies on is a
    piece of paper on a table, unless ordinary strips show that that is paper; or unless it has a
    twin beside it and either has a colour or runs out as ink does: that is black or kraft paper."""
    papers = [c.paper_lab for c in good if c.darker > 0.5]

    def on_dark(c: Candidate) -> bool:
        white = c.shape.lab[0] > limits.WHITE_L and np.hypot(*c.shape.lab[1:]) < limits.WHITE_CHROMA
        m = c.shape.measured
        blank = m["fill"] > limits.SCRAP_FILL or m["texture"] < limits.SCRAP_TEXTURE
        if c.ground < 0 or (white and blank):
            return False
        return any(_twins(c, o) for o in good if o is not c)

    return [
        c.darker < -max(0.5, 0.25 * c.shape.level)
        and not any(np.linalg.norm(c.paper_lab - p) < 8 for p in papers)
        and not on_dark(c)
        for c in good
    ]


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
    p = (b.shape.corners_mm - a.shape.centre_mm) @ frame_of(a)[1]
    off = float(np.linalg.norm(b.shape.lab - a.shape.lab))
    return np.ptp(p) > a.shape.width_mm - 3.0 and off < max(6.0, 0.15 * a.shape.level)


def _ends_at(c: Candidate, other: Candidate) -> bool:
    """Does c end right at the long side of another strip? Then it is a piece of a bar that
    the other one covers."""
    along, across, half_l, half_w = frame_of(other)
    axis, _, c_half, _ = frame_of(c)
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
    view = replace(view, soft_mm=limits.ZONE_SOFT_MM)
    for k in sorted(sizes, key=lambda k: -zones.area_mm2[k])[:40]:
        w, h = zones.box[k][2:]
        if min(w, h) < 4 * ppm or max(w, h) < 12 * ppm or zones.lab[k, 0] > lightest + 8:
            continue
        for look in limits.LOOKS if zones.area_mm2[k] < limits.UNEVEN_MM2 else limits.LOOKS[:1]:
            dark, c = _zone_alone(picture, zones, k, taken, lightest, view, look)
            out += [] if c is None else [c]
            if not dark:
                break
    return out


def _zone_alone(
    picture: Picture, zones: Zones, k: int, taken, lightest: float, view: View, look
) -> tuple[bool, Candidate | None]:
    """One even surface as a strip, if it may be one; and whether what lies around it, as far
    as was looked (``look``), was too dark for paper."""
    ppm = picture.px_per_mm
    margin_mm, reach_mm, share = look
    x, y, w, h = zones.box[k]
    m = round(margin_mm * ppm)
    rows, columns = picture.usable.shape
    part = np.s_[max(0, y - m) : min(rows, y + h + m), max(0, x - m) : min(columns, x + w + m)]
    # Without light paper anywhere near it is no strip.
    if picture.lab[part][::3, ::3, 0].max() < lightest - limits.PAPER_SPAN_L:
        return False, None
    zone = zones.mask(k, part)
    if np.count_nonzero(taken[part] & zone) > 0.2 * np.count_nonzero(zone):
        return False, None
    solid = cv2.morphologyEx(zone.view(np.uint8), cv2.MORPH_CLOSE, disc(1.0 * ppm))
    solid = cv2.dilate(solid, disc(1.1 * ppm))
    rect = cv2.minAreaRect(cv2.convexHull(cv2.findNonZero(solid)))
    if min(rect[1]) < 7 * ppm or solid.sum() < 0.6 * rect[1][0] * rect[1][1]:
        return False, None
    lab = picture.lab[part]
    ring = (cv2.dilate(solid, disc(reach_mm * ppm)) > 0) & (solid == 0)
    around, inside = lab[ring & picture.usable[part]], middle_colour(lab[zone][::3])
    if len(around) < 40:
        return False, None
    light = around[around[:, 0] >= np.sort(around[:, 0])[int(share * len(around))]]
    paper = middle_colour(light)
    if paper[0] < max(inside[0] + 0.5, lightest - limits.PAPER_SPAN_L):
        return True, None
    contrast = lengths(lab - paper.astype(np.float32))
    level = float(np.median(contrast[zone]))
    noise = float(np.quantile(np.linalg.norm(light - paper, axis=1), 0.7))
    low = float(np.clip(1.3 * noise, 1.3, 4.0))
    if level < 2.5:
        return False, None
    ink = (contrast > max(low, 0.45 * level)) & picture.usable[part]
    offset = (part[0].start, part[1].start)
    shape = on = None
    for room in (None, _longer(solid, rect, 6 * ppm), cv2.dilate(solid, disc(1.5 * ppm))):
        blob = _around(ink if room is None else ink & (room > 0), zone, ppm)
        if blob is None or (
            room is None
            and (blob[[0, -1]].any() or blob[:, [0, -1]].any() or blob.sum() > 2 * solid.sum())
        ):
            continue
        tried = measure_shape(picture, blob, contrast, low, offset, None, view)
        if tried is not None:
            shape, on = tried, blob
            if not shape.reason:
                break
    if shape is None:
        return False, None
    return False, Candidate(shape, on, offset, paper, float(paper[0] - inside[0]))


def missed_on_rims(good: list[Candidate], bad: list[Candidate]) -> bool:
    """Was something of strip size refused on paper that is known from rims only? Pale ink
    passes for such paper itself; the rims of the strips found tell better."""
    if not good:
        return False
    typical = good[0].shape
    for c in bad:
        if c.ground < RIM_GROUND or c.shape.reason not in ("ragged", "open", "soft", "goes on"):
            continue
        alike = 0.6 < c.shape.length_mm / typical.length_mm < 1.6
        alike &= abs(c.shape.axis @ typical.axis) > 0.95 and c.shape.measured["fill"] > 0.75
        if alike and c.shape.strip_sized and not any(overlap(c, o) > 0.2 for o in good):
            return True
    return False


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
    fill(room, cv2.boxPoints((centre, size, degrees)))
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


DOUBTFUL = ("ragged", "open", "soft", "textured", "goes on", "faint", "small")


def uncounted(counted: Sequence[Candidate], rejected: Sequence[Candidate]) -> list[Candidate]:
    """Rejected shapes that stand in a row with a strip, as wide as it and much as long."""
    found: list[Candidate] = []
    for c in rejected:
        m = c.shape.measured
        if c.shape.reason not in DOUBTFUL or c.shape.level < limits.UNCOUNTED_DE:
            continue
        rough = m["fill"] < limits.UNCOUNTED_FILL or m["straight"] < limits.UNCOUNTED_STRAIGHT
        if rough or m["split"] > 1:
            continue
        beside = any(_in_a_row(c, o) for o in counted)
        if beside and not any(overlap(c, o) > 0.1 for o in (*counted, *found)):
            found.append(c)
    return found


def _in_a_row(c: Candidate, strip: Candidate) -> bool:
    """Does a shape stand beside a strip, or on in its line, of its size and on its paper?"""
    axis, across = strip.shape.axis, np.array([strip.shape.axis[1], -strip.shape.axis[0]])
    if abs(c.shape.axis @ axis) < 0.97 or np.linalg.norm(c.paper_lab - strip.paper_lab) > 8:
        return False
    if not 0.75 < c.shape.width_mm / strip.shape.width_mm < 1.35:
        return False
    if not 0.6 < c.shape.length_mm / strip.shape.length_mm < 1.6:
        return False
    off = c.shape.centre_mm - strip.shape.centre_mm
    along, beside = abs(off @ axis), abs(off @ across)
    length, width = strip.shape.length_mm, strip.shape.width_mm
    return bool(along < 0.35 * length and width < beside < 3.5 * width)
