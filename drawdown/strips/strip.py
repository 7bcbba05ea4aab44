"""One strip: its record, its pixels on the full grid, and its even part, without rim, thick start,
ragged end, streaks, glare and known printing. Its colour separates soft glare from film."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from calibration.correction.glare import GlareField, find_glare, find_panes
from drawdown import flags as fl
from drawdown.strips import limits
from drawdown.strips.join import even_stretch, half_covered
from drawdown.strips.working_picture import disc, lengths, to_lab, window_about


@dataclass(frozen=True)
class Body:
    """As in ``Strip``, on the ``part`` of the sheet; ``forward`` False when the thick start lies
    at the far end of the given axis; ``shine_share`` the part of the strip that lies under soft
    glare when too little is left to trust, else 0; ``shine_level`` how much of it there was, as
    a share of white; ``covered`` when something seems to lie on it."""

    part: tuple[slice, slice]
    mask: np.ndarray
    body: np.ndarray
    glare_share: float
    streak_share: float
    forward: bool
    shine_share: float = 0.0
    shine_level: float = 0.0
    covered: bool = False


_MASKS = ("mask", "body")


@dataclass(frozen=True, eq=False)
class Strip:
    """One draw-down.

    ``number`` counts from 1 in reading order (``reading_order``). ``corners_mm`` (4, 2) is
    the oriented rectangle in card millimetres, clockwise from the upper left. ``mask`` and
    ``body`` (h, w) bool on the Sheet's grid: pixels of ink, and the even part of them.
    ``axis`` (2,) is a unit vector along the pull, from the thick end to the thin one where
    that shows, else downwards or to the right. ``glare_share`` and ``streak_share`` are the
    parts (0..1) of the even stretch that were left out because they shine or show paper;
    ``shine_level`` is how much light was mirrored there, as a share of white."""

    number: int
    corners_mm: np.ndarray
    mask: np.ndarray
    body: np.ndarray
    axis: np.ndarray
    length_mm: float
    width_mm: float
    glare_share: float
    streak_share: float
    flags: tuple[fl.Flag, ...]
    shine_level: float = 0.0

    def __getstate__(self) -> dict[str, Any]:
        """Masks as bits, squeezed: a strip is a small part of the sheet."""
        state = dict(self.__dict__)
        for name in _MASKS:
            mask = state[name]
            state[name] = mask.shape, zlib.compress(np.packbits(mask).tobytes())
        return state

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, value in state.items():
            if name in _MASKS:
                shape, packed = value
                bits = np.unpackbits(np.frombuffer(zlib.decompress(packed), np.uint8))
                value = bits[: math.prod(shape)].reshape(shape).astype(bool)
            object.__setattr__(self, name, value)

    def __repr__(self) -> str:
        return f"<Strip {self.number}: {self.width_mm:.0f} x {self.length_mm:.0f} mm>"


def strip_of(sheet, corners, body: Body, *, cut: bool, extra: tuple[fl.Flag, ...] = ()) -> Strip:
    """The strip of a rectangle (start left, start right, end right, end left), still without a
    number. ``cut``: the photo's edge cuts it off."""
    corners = np.asarray(corners, dtype=float)
    axis = corners[3] - corners[0]
    length = float(np.linalg.norm(axis))
    width = float(np.linalg.norm(corners[1] - corners[0]))
    axis = axis / length
    if not body.forward:
        axis = -axis
    mask, inner = (np.zeros(sheet.inside.shape, bool) for _ in range(2))
    mask[body.part] = body.mask
    inner[body.part] = body.body
    area = np.count_nonzero(body.body) / sheet.px_per_mm**2
    flags = list(extra)
    if cut:
        flags.append(fl.STRIP_CUT())
    if body.covered:
        flags.append(fl.STRIP_COVERED())
    if body.glare_share > limits.GLARE_FLAG:
        flags.append(fl.STRIP_GLARE(f"{100 * body.glare_share:.0f}"))
    if body.shine_share:
        flags.append(fl.STRIP_SHINES(f"{100 * body.shine_share:.0f}"))
    elif area < limits.NO_BODY_MM2:
        flags.append(fl.STRIP_EMPTY(f"{area:.0f} mm²"))
    elif area < limits.SMALL_BODY_MM2:
        flags.append(fl.STRIP_SMALL(f"{area:.0f} mm²"))
    return Strip(
        number=0,
        corners_mm=np.roll(corners, -int(np.argmin(corners.sum(axis=1))), axis=0),
        mask=mask,
        body=inner,
        axis=axis,
        length_mm=length,
        width_mm=width,
        glare_share=body.glare_share,
        streak_share=body.streak_share,
        flags=tuple(flags),
        shine_level=body.shine_level,
    )


@dataclass(frozen=True, eq=False)
class _Frame:
    """A strip's own axes on ``part`` of the sheet: ``u`` (h, w) mm along the pull from its
    start, ``v`` across it; ``corners_px`` (4, 2) its corners in pixels of the part."""

    part: tuple[slice, slice]
    u: np.ndarray
    v: np.ndarray
    axes: tuple[np.ndarray, np.ndarray]
    size_mm: tuple[float, float]  # length, width
    corners_px: np.ndarray

    def within(self, margin_mm: float) -> np.ndarray:
        """(h, w) bool: so far inside the rectangle; a negative margin reaches beyond it."""
        m, (length, width) = margin_mm, self.size_mm
        return (self.u > m) & (self.u < length - m) & (self.v > m) & (self.v < width - m)


def _frame(sheet, corners_mm) -> _Frame:
    corners = np.asarray(corners_mm, dtype=float)
    start, along, aside = corners[0], corners[3] - corners[0], corners[1] - corners[0]
    length, width = float(np.linalg.norm(along)), float(np.linalg.norm(aside))
    axis, across = along / length, aside / width
    part = window_about(sheet, corners, 3.0)
    x, y = sheet.grid_mm()
    dx = (x[part[1]] - start[0]).astype(np.float32)[None, :]
    dy = (y[part[0]] - start[1]).astype(np.float32)[:, None]
    u, v = (dx * np.float32(a[0]) + dy * np.float32(a[1]) for a in (axis, across))
    corners_px = sheet.to_px(corners) - (part[1].start, part[0].start)
    return _Frame(part, u, v, (axis, across), (length, width), corners_px)


def cut_out(sheet, white, corners_mm, paper_lab, level, low, printed) -> Body:
    """Mask and body of a strip given by its rectangle (start left, start right, end right,
    end left) and its paper's Lab. ``printed`` (h, w) bool or None: known printing."""
    f = _frame(sheet, corners_mm)
    paper_lab = np.asarray(paper_lab, dtype=np.float32)
    rgb = sheet.rgb_linear[f.part]
    smooth = cv2.GaussianBlur(to_lab(rgb, white), (0, 0), 0.25 * sheet.px_per_mm)
    inside = sheet.inside[f.part]
    under = np.zeros_like(inside) if printed is None else printed[f.part]
    mask, inner = _mask_and_inner(f, lengths(smooth - paper_lab), inside, under, level, low, sheet)
    if inner.sum() < 12:
        return Body(f.part, mask, inner, 0.0, 0.0, True)

    order, profile = _run_of_colour(f, sheet.px_per_mm, smooth, inner)
    if half_covered(profile, paper_lab):
        return Body(f.part, mask, inner, 0.0, 0.0, True, covered=True)
    shine = find_shine(rgb, white, inner, f.corners_px[[0, 1, 3]], sheet.px_per_mm)
    soft, level_of_shine = (0.0, 0.0) if shine is None else (shine.share, shine.level)
    if shine is not None and (inner & shine.clean).sum() >= 12:
        inner &= shine.clean
        order, profile = _run_of_colour(f, sheet.px_per_mm, smooth, inner)
    lost = soft if shine is not None and shine.lost else 0.0

    bins = np.floor(f.u / limits.BIN_MM).astype(np.int32)
    if len(profile) < 3:
        return Body(f.part, mask, inner, soft, 0.0, True, lost, level_of_shine)
    calm, noise = profile, 0.3
    if len(profile) > 4:
        padded = np.pad(profile, ((1, 1), (0, 0)), mode="edge")
        calm = (padded[:-2] + padded[1:-1] + padded[2:]) / 3
        noise = 1.48 * float(np.median(np.linalg.norm(profile - calm, axis=1)))
    first, last = even_stretch(calm, max(limits.EVEN_DE, 3.0 * noise), limits.LEAST_EVEN_SHARE)
    stretch = inner & (bins >= order[first]) & (bins <= order[last])
    ink = np.median(smooth[stretch], axis=0)
    off = smooth - _along(smooth, profile, order, bins, ink)
    clipped = sheet.clipped[f.part] > 0.05
    body, bright, streak = _clean(off, stretch, clipped, paper_lab - ink, level, sheet.px_per_mm)
    total = max(int(stretch.sum()), 1)
    glare, streaks = max(soft, float(bright.sum()) / total), float(streak.sum()) / total
    forward = _forward(calm, paper_lab, first, last)
    return Body(f.part, mask, body, glare, streaks, forward, lost, level_of_shine)


def _mask_and_inner(
    f: _Frame, contrast: np.ndarray, inside, under, level: float, low: float, sheet
) -> tuple[np.ndarray, np.ndarray]:
    """All ink of a strip, and that without the rim along its edges; printing left out."""
    ppm = sheet.px_per_mm
    near = f.within(-1.0) & inside
    core = near & ~under & (contrast > max(low, 0.5 * level))
    mask = near & ~under & (contrast > max(low, 0.25 * level))
    mask = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disc(0.6 * ppm)) > 0
    mask = _connected_to(mask, core)
    rim = min(limits.EDGE_RIM_MM, 0.16 * f.size_mm[1])
    solid = (mask | (near & under)).astype(np.uint8)
    solid = cv2.morphologyEx(solid, cv2.MORPH_CLOSE, disc(0.8 * ppm))
    solid = cv2.erode(solid, disc(rim * ppm), borderValue=0) > 0
    inner = solid & mask & ~under & f.within(rim)
    if under.any():
        inner &= cv2.dilate(under.astype(np.uint8), disc(1.2 * ppm)) == 0
    return mask, inner


def _clean(
    off: np.ndarray, stretch: np.ndarray, clipped: np.ndarray, toward: np.ndarray, level, ppm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The even stretch without glare, streaks and specks; the glare; the streaks. ``off``
    (h, w, 3) is the Lab difference from the ink at that place along the pull, ``toward`` (3,)
    the way from ink to paper: what is lighter is a streak or glare."""
    size = lengths(off)
    spread = 1.48 * float(np.median(size[stretch]))
    toward = (toward / max(float(np.linalg.norm(toward)), 1e-6)).astype(np.float32)
    lighter, brighter = off @ toward, off[..., 0]
    limit = max(1.6, 2.6 * spread, 0.05 * level)
    odd = stretch & (size > max(2.2, 3.2 * spread, 0.07 * level))
    pale = stretch & ((lighter > limit) | (brighter > limit))
    blobs = cv2.morphologyEx(pale.astype(np.uint8), cv2.MORPH_OPEN, disc(1.1 * ppm)) > 0
    bright = (stretch & clipped & (brighter > 0)) | (blobs & (brighter > limit))
    streak = pale & ~bright
    out = (bright | streak | odd).astype(np.uint8)
    return stretch & (cv2.dilate(out, np.ones((3, 3), np.uint8)) == 0), bright, streak


def _connected_to(mask: np.ndarray, core: np.ndarray) -> np.ndarray:
    count, label = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    hit = np.bincount(label[core & mask].ravel(), minlength=count)
    keep = hit > 0.02 * max(hit.sum(), 1)
    keep[0] = False
    return keep[label]


def _run_of_colour(
    f: _Frame, ppm: float, smooth: np.ndarray, usable: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The run of colour along the pull: numbers of the bins, those with few pixels left out; and
    the typical colour (n, 3) across the middle of the width of each."""
    (axis, across), (length, width) = f.axes, f.size_mm
    rows, columns = max(1, int(length / limits.BIN_MM)), max(3, round(0.64 * width / 0.5))
    step = 0.64 * width / columns
    start = f.corners_px[0] + ppm * (axis * limits.BIN_MM / 2 + across * (0.18 * width + step / 2))
    matrix = np.stack([across * step * ppm, axis * limits.BIN_MM * ppm, start], axis=1)

    def turned(picture, how):
        return cv2.warpAffine(picture, matrix, (columns, rows), flags=how | cv2.WARP_INVERSE_MAP)

    values = turned(smooth, cv2.INTER_LINEAR)
    ok = turned(usable.view(np.uint8), cv2.INTER_NEAREST) > 0
    count = ok.sum(axis=1)
    enough = np.flatnonzero(count >= max(2, 0.25 * columns))
    values, ok, count = values[enough], ok[enough], count[enough, None]
    # Glare and streaks are lighter than the ink: take the darker part of the middle.
    rank = np.where(ok, values[..., 0], np.inf).argsort(axis=1).argsort(axis=1)
    weight = ((rank >= (0.1 * count).astype(int)) & (rank <= 0.45 * count) & ok)[..., None]
    return enough, (values * weight).sum(axis=1) / np.maximum(weight.sum(axis=1), 1)


def _along(smooth, profile, order, bins, ink) -> np.ndarray:
    """(h, w, 3) the ink's colour at each place along the pull."""
    low, high = int(order[0]), int(order[-1])
    steps = np.arange(low, high + 1)
    table = np.stack([np.interp(steps, order, profile[:, k]) for k in range(3)], axis=-1)
    if len(table) > 6:
        kernel = np.ones(5) / 5
        padded = np.pad(table, ((2, 2), (0, 0)), mode="edge")
        table = np.stack([np.convolve(padded[:, k], kernel, "valid") for k in range(3)], axis=-1)
    return table.astype(np.float32).take(np.clip(bins - low, 0, len(table) - 1), axis=0)


def _forward(profile: np.ndarray, paper_lab, first: int, last: int) -> bool:
    """Does the film run from thick to thin along the axis? Thick is farther from paper."""
    depth = np.linalg.norm(profile - np.asarray(paper_lab), axis=1)
    n = len(depth)
    if n < 6:
        return True
    k = max(2, n // 5)
    head, tail = float(depth[:k].mean()), float(depth[-k:].mean())
    return head >= tail - 0.02 * float(np.median(depth))


@dataclass(frozen=True)
class Shine:
    """``clean`` (h, w) bool: places that shine no more than the dullest ones; ``share`` 0..1
    of the strip that does shine (0: perhaps none); ``lost`` when too little is left to trust it;
    ``level`` how much light is mirrored, as a share of white."""

    clean: np.ndarray
    share: float
    lost: bool
    level: float


def find_shine(
    rgb: np.ndarray,
    white: np.ndarray,
    ink: np.ndarray,
    place_px: np.ndarray,
    px_per_mm: float,
) -> Shine | None:
    """Mirrored light in a part of the sheet, or None when there is none to be seen.

    ``rgb`` (h, w, 3) linear; ``ink`` (h, w) bool, the strip without its rim; ``place_px``
    (3, 2) the strip's start left, start right and end left corner in pixels of the part."""
    start, right, end = np.asarray(place_px, float)
    wide, long = np.linalg.norm(right - start), np.linalg.norm(end - start)
    columns = max(3, round(wide / px_per_mm / limits.SHINE_CELL_MM))
    rows = max(3, round(long / px_per_mm / limits.SHINE_CELL_MM))
    across, along = (right - start) / columns, (end - start) / rows
    to_part = np.stack([across, along, start + (across + along) / 2], axis=1)

    weight = ink.astype(np.float32)
    side = max(1, round(limits.SHINE_CELL_MM * px_per_mm))
    share = cv2.blur(weight, (side, side))
    total = cv2.blur(rgb * weight[..., None], (side, side))
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    share = cv2.warpAffine(share, to_part, (columns, rows), flags=how)
    total = cv2.warpAffine(total, to_part, (columns, rows), flags=how)
    known = share > 0.85
    ends = max(1, round(limits.SHINE_END_SHARE * rows))
    known[:ends] = known[-ends:] = False
    cells = total / np.maximum(share, 1e-6)[..., None] / white.astype(np.float32)
    # Over a printed bar ink is darker, and the rest of the strip is no window for that.
    far = limits.BAR_BESIDE_MM / limits.SHINE_CELL_MM
    beside = [
        cv2.warpAffine(rgb, np.stack([across, along, start + along / 2 + k * across], axis=1),
                       (1, rows), flags=how).mean(axis=(1, 2))
        for k in (-far, columns + far)
    ]  # fmt: skip
    on_bar = np.all(
        [level < limits.BAR_BESIDE_SHARE * np.median(level) for level in beside], axis=0
    )
    near_bar = np.convolve(on_bar, np.ones(9), "same") > 0
    known &= ~near_bar[:, None]
    found, panes = find_glare(cells, known), find_panes(cells, known)
    reach, steps = _colour_distance(cells, found)
    dull, level = known, 0.0
    if _is_glare(found, reach):
        dull = known & (steps <= limits.CLEAN_DE)
        level = float(np.quantile(found.level[known], 0.97))
    if panes is not None:
        lit, step = panes
        near = cv2.dilate(lit.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
        dull, level = dull & ~near, max(level, step)
    if level == 0.0:
        return _perhaps(found, reach, ink)
    left = float(dull.sum()) / max(int(known.sum()), 1)
    back = cv2.warpAffine(dull.astype(np.float32), to_part, ink.shape[::-1], flags=cv2.INTER_LINEAR)
    return Shine(back > 0.5, 1 - left, left < limits.LEAST_CLEAN, level)


def _is_glare(found: GlareField, reach_de: float) -> bool:
    """Could it not be film, nor light that falls off?"""
    sure = found.span >= limits.SHINE_SD * found.sd
    return sure and reach_de >= limits.SHINE_DE and found.likeness >= limits.SHINE_LIKE


def _perhaps(found: GlareField, reach_de: float, ink: np.ndarray) -> Shine | None:
    """Film or a faint mirror image: nothing is left out, but no difference that so much mirrored
    light would explain is certain."""
    sure = found.span >= limits.MAY_SHINE_SD * found.sd
    if sure and reach_de >= limits.MAY_SHINE_DE and found.likeness >= limits.MAY_SHINE_LIKE:
        return Shine(np.ones_like(ink), 0.0, False, float(found.level.max()))
    return None


def _colour_distance(cells: np.ndarray, found: GlareField) -> tuple[float, np.ndarray]:
    """What the glare does to the colour of this ink: over its span, and (h, w) everywhere."""
    known = found.known
    if not known.any():
        return 0.0, np.zeros(known.shape, np.float32)
    dullest = known & (found.level <= np.quantile(found.level[known], 0.25))
    ink = np.maximum(np.median(cells[dullest], axis=0), limits.CHANNEL_FLOOR).astype(np.float32)
    most = max(found.span, float(found.level.max()), 1e-6)
    spans = np.linspace(0.0, most, 65, dtype=np.float32)
    lab = to_lab((ink + spans[:, None])[None], np.ones(3))[0]
    off = np.linalg.norm(lab - lab[0], axis=1)
    reach = float(np.interp(found.span, spans, off))
    return reach, np.interp(found.level, spans, off).astype(np.float32)
