"""The working picture that strips are looked for on (about 2 pixels per mm, CIELAB relative to the
card's white as photographed), and the even surfaces in it. It serves to find ink, never to
measure it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, WHITE_D65, adaptation
from drawdown.strips import limits

WORK_PX_PER_MM = 1.6
ZONE_PX = 2  # even surfaces are looked for on every second pixel

# X, Y and Z (D65) of linear sRGB, each 1 for white; CIELAB from their cube roots.
TO_XYZ = adaptation(WHITE_D50, WHITE_D65) @ SRGB_TO_XYZ_D50
TO_RELATIVE_XYZ = TO_XYZ / TO_XYZ.sum(axis=1, keepdims=True)
DARK = (6 / 29) ** 3
LAB_OF_CUBE_ROOTS = np.array([[0, 116, 0, -16], [500, -500, 0, 0], [0, 200, -200, 0]], float)


@dataclass(frozen=True)
class Picture:
    """The working picture. ``lab`` (h, w, 3) float32 as described above, slightly smoothed;
    ``usable`` (h, w) False outside the photo, on the card and on markers; ``inside`` (h, w)
    True where the photo shows the place; ``printed`` (h, w) True on known printing;
    ``places`` (h, w) uint8 says both as bits: 2 usable, 4 inside;
    ``slope`` (h, w) size of the colour gradient per mm. mm = origin + (px + 0.5) / px_per_mm."""

    lab: np.ndarray
    usable: np.ndarray
    inside: np.ndarray
    printed: np.ndarray
    places: np.ndarray
    slope: np.ndarray
    slope_limit: float
    px_per_mm: float
    origin_mm: tuple[float, float]

    def to_px(self, xy_mm: np.ndarray) -> np.ndarray:
        """Millimetres (..., 2) -> working pixels (..., 2)."""
        return (np.asarray(xy_mm, dtype=float) - self.origin_mm) * self.px_per_mm - 0.5

    def to_mm(self, xy_px: np.ndarray) -> np.ndarray:
        """Working pixels (..., 2) -> millimetres (..., 2)."""
        return np.asarray(self.origin_mm) + (np.asarray(xy_px, dtype=float) + 0.5) / self.px_per_mm


def disc(radius_px: float) -> np.ndarray:
    """A round structuring element."""
    r = max(1, round(radius_px))
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))


def square(side_px: float) -> np.ndarray:
    """A square structuring element: far quicker than a disc of its size."""
    side = max(3, round(side_px) | 1)
    return np.ones((side, side), np.uint8)


def fill(mask: np.ndarray, corners_px: np.ndarray, value: int = 1) -> None:
    """Set a uint8 mask within a polygon (n, 2), to a sixteenth of a pixel."""
    cv2.fillPoly(mask, [np.round(corners_px * 16).astype(np.int32)], value, shift=4)


def lengths(off: np.ndarray) -> np.ndarray:
    """(h, w) length of colour differences (h, w, 3) float32."""
    return cv2.sqrt(cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32)))


def stretches(on: np.ndarray) -> list[tuple[int, int]]:
    """From where to where (end left out) a mask (n,) is set."""
    edges = np.flatnonzero(np.diff(np.r_[0, on, 0].astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def to_lab(rgb_linear: np.ndarray, white: np.ndarray) -> np.ndarray:
    """Linear RGB (h, w, 3) float32 -> CIELAB float32 relative to a white (3,), as if its
    channels were sRGB's (CIE 15:2018, 8.2.1). Paper may be lighter than the white.

    cv2.cvtColor does the same through tables that take 70 ms to fill, and clamps."""
    f = cv2.transform(rgb_linear, TO_RELATIVE_XYZ / np.asarray(white, dtype=float))
    np.maximum(f, 0, out=f)
    dark = f < DARK
    line = f[dark] * (841 / 108) + 4 / 29
    cv2.pow(f, 1 / 3, dst=f)
    f[dark] = line
    return cv2.transform(f, LAB_OF_CUBE_ROOTS)


def sheet_white(sheet, view) -> np.ndarray:
    """(3,) linear RGB of the card's white as photographed; the lightest part as a stand-in."""
    found = []
    for patch in view.card.patches:
        if patch.role == "white":
            x, y, w, h = patch.rect_mm
            middle = (x + w / 4, y + h / 4, w / 2, h / 2)
            part = _slices(sheet.inside.shape, sheet.origin_mm, sheet.px_per_mm, middle)
            part = sheet.rgb_linear[part][sheet.inside[part]]
            if len(part):
                found.append(np.median(part, axis=0))
    if found:
        white = np.median(found, axis=0)
    else:
        pixels = sheet.rgb_linear[::4, ::4][sheet.inside[::4, ::4]]
        white = np.quantile(pixels, 0.95, axis=0) if len(pixels) else np.ones(3)
    return np.maximum(white, 1e-4).astype(np.float32)


def _slices(shape, origin_mm, px_per_mm, rect_mm) -> tuple[slice, ...]:
    """Rows and columns of a grid within a rectangle (x, y, w, h) in mm."""
    x, y, w, h = rect_mm
    return tuple(
        slice(*(int(min(max(round((v - start) * px_per_mm), 0), size)) for v in ends))
        for ends, start, size in zip(((y, y + h), (x, x + w)), origin_mm[::-1], shape, strict=True)
    )


def window_about(sheet, corners_mm: np.ndarray, margin_mm: float) -> tuple[slice, slice]:
    """Rows and columns of a sheet that hold a place (n, 2) with a margin all round."""
    low, high = np.min(corners_mm, axis=0) - margin_mm, np.max(corners_mm, axis=0) + margin_mm
    x0, y0 = np.floor((low - sheet.origin_mm) * sheet.px_per_mm).astype(int)
    x1, y1 = np.ceil((high - sheet.origin_mm) * sheet.px_per_mm).astype(int)
    rows, columns = sheet.inside.shape
    return (
        slice(min(max(0, y0), rows), min(max(0, y1), rows)),
        slice(min(max(0, x0), columns), min(max(0, x1), columns)),
    )


def _gradient(lab: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(h, w) colour gradient per mm."""
    scale = px_per_mm / 32.0
    gx = cv2.Scharr(lab, cv2.CV_32F, 1, 0, scale=scale)
    gy = cv2.Scharr(lab, cv2.CV_32F, 0, 1, scale=scale)
    total = cv2.multiply(gx, gx)
    cv2.accumulateSquare(gy, total)
    return cv2.sqrt(cv2.transform(total, np.ones((1, 3), np.float32)))


def light_part(sheet, view, white: np.ndarray) -> tuple[slice, slice] | None:
    """Rows and columns of a sheet that hold all light paper beside the card, with a margin;
    None when that is most of the sheet."""
    rows, columns = sheet.inside.shape
    step = max(1, round(sheet.px_per_mm / limits.GLANCE_PX_PER_MM))
    size = (max(1, columns // step), max(1, rows // step))
    rgb = cv2.resize(sheet.rgb_linear, size, interpolation=cv2.INTER_NEAREST)
    light = to_lab(cv2.blur(rgb, (2, 2)), white)[..., 0]
    seen = cv2.resize(sheet.inside.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    ppm = sheet.px_per_mm / step
    _blank_card(seen, view, sheet.origin_mm, ppm)
    levels = light[seen > 0]
    if not len(levels):
        return None
    seen[light < np.quantile(levels, 0.97) - limits.LIGHT_SPAN_L - 4] = 0
    _, _, stats, _ = cv2.connectedComponentsWithStats(seen, connectivity=8)
    box = stats[1:][stats[1:, cv2.CC_STAT_AREA] > limits.GLANCE_MM2 * ppm**2]
    if not len(box):
        return None
    low = box[:, :2].min(axis=0) - limits.GLANCE_MARGIN_MM * ppm
    high = (box[:, :2] + box[:, 2:4]).max(axis=0) + limits.GLANCE_MARGIN_MM * ppm
    x0, y0 = np.maximum(np.floor(low), 0).astype(int) * step
    x1, y1 = np.minimum(np.ceil(high).astype(int) * step, (columns, rows))
    if (x1 - x0) * (y1 - y0) > 0.8 * rows * columns:
        return None
    return slice(int(y0), int(y1)), slice(int(x0), int(x1))


def part_at(corner: tuple[int, int], mask: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns of a mask (h, w) that begins at ``corner`` (row, column)."""
    rows, columns = mask.shape
    return slice(corner[0], corner[0] + rows), slice(corner[1], corner[1] + columns)


def _cut(whole, part: tuple[slice, slice], layers: tuple[str, ...]):
    x, y = part[1].start / whole.px_per_mm, part[0].start / whole.px_per_mm
    origin = (whole.origin_mm[0] + x, whole.origin_mm[1] + y)
    return replace(whole, origin_mm=origin, **{k: getattr(whole, k)[part] for k in layers})


def cut_sheet(sheet, part: tuple[slice, slice]):
    """Some rows and columns of a sheet."""
    return _cut(sheet, part, ("rgb_linear", "inside", "clipped", "crushed"))


def _blank_card(usable: np.ndarray, view, origin_mm, px_per_mm: float) -> None:
    """Set a mask to 0 where the card lies, but not in the window of a frame."""
    w, h = view.card.size_mm
    card = _slices(usable.shape, origin_mm, px_per_mm, (-1.2, -1.2, w + 2.4, h + 2.4))
    if view.card.window_mm is None:
        usable[card] = 0
        return
    x, y, ww, wh = view.card.window_mm
    hole = (x + 1.2, y + 1.2, ww - 2.4, wh - 2.4)
    hole = _slices(usable.shape, origin_mm, px_per_mm, hole)
    keep = usable[hole].copy()
    usable[card] = 0
    usable[hole] = keep


def make_picture(sheet, view, white: np.ndarray, printing) -> Picture:
    """The working picture of a sheet. ``white`` (3,) as ``sheet_white`` gives it; ``printing``
    the polygons (n, 2) in mm whose printing is known."""
    rows, columns = sheet.inside.shape
    ratio = min(1.0, WORK_PX_PER_MM / sheet.px_per_mm)
    size = (max(8, round(columns * ratio)), max(8, round(rows * ratio)))
    px_per_mm = sheet.px_per_mm * size[0] / columns
    # Down to half the size, the mean of the nearest four is as good and five times as fast.
    how = cv2.INTER_LINEAR if ratio >= 0.45 else cv2.INTER_AREA
    rgb = cv2.resize(sheet.rgb_linear, size, interpolation=how)
    lab = cv2.GaussianBlur(to_lab(rgb, white), (3, 3), 0.55)
    inside = cv2.resize(sheet.inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    inside = cv2.erode(inside, np.ones((3, 3), np.uint8), borderValue=0) > 0
    usable = inside.copy()
    shape, origin = usable.shape, tuple(sheet.origin_mm)
    _blank_card(usable, view, origin, px_per_mm)
    printed = np.zeros(shape, np.uint8)
    for polygon in printing:
        fill(printed, (np.asarray(polygon) - origin) * px_per_mm - 0.5)
    if printed.any():
        printed = cv2.dilate(printed, disc(0.6 * px_per_mm))
    slope = _gradient(cv2.GaussianBlur(lab, (5, 5), 0.45 * px_per_mm), px_per_mm)
    calm = _calm(lab[::3, ::3, 0], slope[::3, ::3], usable[::3, ::3] & (printed[::3, ::3] == 0))
    return Picture(
        lab=lab,
        usable=usable,
        inside=inside,
        printed=printed > 0,
        places=usable.view(np.uint8) * np.uint8(2) | inside.view(np.uint8) * np.uint8(4),
        slope=slope,
        slope_limit=float(np.clip(9.0 * calm, 0.8, 2.2)),
        px_per_mm=px_per_mm,
        origin_mm=origin,
    )


def _calm(light: np.ndarray, slope: np.ndarray, usable: np.ndarray) -> float:
    """The colour gradient of noise on paper: paper is the calmest thing in sight; a table
    may cover much more of the photo."""
    light, slope = light[usable], slope[usable]
    if not len(light):
        return 0.1
    lightest = np.quantile(light, 0.97)
    return float(np.quantile(slope[light > lightest - 1.2 * limits.LIGHT_SPAN_L], 0.05))


def crop(picture: Picture, part: tuple[slice, slice]) -> Picture:
    """The working picture cut to some rows and columns."""
    return _cut(picture, part, ("lab", "usable", "inside", "printed", "places", "slope"))


@dataclass(frozen=True)
class Zones:
    """Even surfaces: ``label`` (h/2, w/2) int32, 0 = none, one for ``ZONE_PX`` x ``ZONE_PX``
    pixels of the working picture; per zone area in mm^2, mean Lab and bounding box
    (x, y, w, h) in pixels of the working picture. Index 0 is not a zone."""

    label: np.ndarray
    area_mm2: np.ndarray
    lab: np.ndarray
    box: np.ndarray

    def mask(self, k: int, part: tuple[slice, slice]) -> np.ndarray:
        """(h, w) bool: a zone's pixels in some rows and columns of the working picture."""
        (y0, y1), (x0, x1) = ((s.start, s.stop) for s in part)
        small = self.label[y0 // ZONE_PX : -(-y1 // ZONE_PX), x0 // ZONE_PX : -(-x1 // ZONE_PX)]
        out = np.zeros((y1 - y0, x1 - x0), bool)
        wide = (small == k).repeat(ZONE_PX, axis=0).repeat(ZONE_PX, axis=1)
        wide = wide[y0 % ZONE_PX :, x0 % ZONE_PX :][: y1 - y0, : x1 - x0]
        out[: wide.shape[0], : wide.shape[1]] = wide
        return out


def find_zones(picture: Picture) -> Zones:
    """Connected surfaces without edges in them."""
    lab = np.ascontiguousarray(picture.lab[::ZONE_PX, ::ZONE_PX])
    rows, columns = lab.shape[:2]
    edge = np.ones((rows * ZONE_PX, columns * ZONE_PX), np.uint8)
    here = edge[: picture.slope.shape[0], : picture.slope.shape[1]]
    np.greater_equal(picture.slope, picture.slope_limit, out=here.view(bool))
    here |= ~picture.usable
    here |= picture.printed
    # Even is what has no edge in any of its pixels.
    edge = cv2.resize(edge * np.uint8(255), (columns, rows), interpolation=cv2.INTER_AREA)
    px_per_mm = picture.px_per_mm / ZONE_PX
    zones = _split_leaks(lab, _labelled(lab, px_per_mm, edge <= limits.ZONE_EDGE_SHARE), px_per_mm)
    return replace(zones, box=zones.box * ZONE_PX)


def _labelled(lab: np.ndarray, px_per_mm: float, flat: np.ndarray) -> Zones:
    count, label, stats, _ = cv2.connectedComponentsWithStats(flat.view(np.uint8), connectivity=4)
    some = label.ravel()
    number = np.maximum(stats[:, cv2.CC_STAT_AREA], 1)
    mean = [np.bincount(some, plane.ravel(), count) / number for plane in cv2.split(lab)]
    area = stats[:, cv2.CC_STAT_AREA].astype(float) / px_per_mm**2
    area[0] = 0
    return Zones(label, area, np.stack(mean, axis=-1), stats[:, :4])


def _two_colours(lab: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Axis (3,) and cut along it when colours (n, 3) fall into two clearly separate groups."""
    centre = lab.mean(axis=0)
    off = (lab - centre).astype(float)
    axis = np.linalg.svd(off.T @ off)[0][:, 0]
    t = np.sort(off @ axis)
    n = len(t)
    total = np.cumsum(t)
    k = np.arange(1, n)
    # Otsu (1979): the cut with the largest variance between the two groups.
    between = (total[-1] * k / n - total[:-1]) ** 2 / (k * (n - k))
    best = int(between.argmax()) + 1
    if min(best, n - best) < 0.08 * n:
        return None
    a, b = t[:best], t[best:]
    a25, a50, a75, b25, b50, b75 = (
        s[int(share * (len(s) - 1))] for s in (a, b) for share in (0.25, 0.5, 0.75)
    )
    if b50 - a50 < max(3.0, 2.5 * (a75 - a25 + b75 - b25)):
        return None
    return axis, float(centre @ axis + (a50 + b50) / 2)


def _split_leaks(all_lab: np.ndarray, zones: Zones, px_per_mm: float) -> Zones:
    """Zones of scrap size in which ink has joined its paper through a faded end, split by
    colour: such a scrap is mostly ink, so that no fit to its paper would tell."""
    label, changed = zones.label, False
    for k in np.flatnonzero((zones.area_mm2 > 150) & (zones.area_mm2 < 6000)):
        x, y, w, h = zones.box[k]
        part = (slice(y, y + h), slice(x, x + w))
        own = label[part] == k
        lab = all_lab[part]
        step = max(1, int(np.sqrt(zones.area_mm2[k] * px_per_mm**2 / 300)))
        some = lab[::step, ::step][own[::step, ::step]]
        found = _two_colours(some) if len(some) > 60 else None
        if found is None:
            continue
        if not changed:
            label, changed = label.copy(), True
        side = lab @ found[0].astype(np.float32) > found[1]
        # The border between the two belongs to neither.
        rim = cv2.morphologyEx(
            (side & own).view(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)
        )
        label[part][own & (rim > 0)] = 0
    if not changed:
        return zones
    return _labelled(all_lab, px_per_mm, label > 0)


def filled(blob: np.ndarray, limit_px: float) -> np.ndarray:
    """Fill holes up to a size: streaks that show paper inside the ink."""
    holes = (~blob).view(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(holes, connectivity=4)
    x, y, w, h = (stats[:, k] for k in range(4))
    closed = (x > 0) & (y > 0) & (x + w < blob.shape[1]) & (y + h < blob.shape[0])
    small = closed & (stats[:, cv2.CC_STAT_AREA] < limit_px)
    small[0] = False
    return blob | small[label]


def eroded(mask: np.ndarray, radius_px: float) -> np.ndarray:
    """Eroded uint8 mask; beyond its border there is nothing."""
    padded = np.pad(mask, 1).view(np.uint8)
    kernel = disc(radius_px)
    return cv2.erode(padded, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)[1:-1, 1:-1]


def shared_part(target: np.ndarray, source: np.ndarray, at: tuple[int, int]):
    """Slices of two arrays that overlap with the corner of ``source`` at (row, column) of
    ``target``; None when they do not."""
    a0, b0 = max(0, at[0]), max(0, at[1])
    a1 = min(target.shape[0], at[0] + source.shape[0])
    b1 = min(target.shape[1], at[1] + source.shape[1])
    if a1 <= a0 or b1 <= b0:
        return None
    there = (slice(a0, a1), slice(b0, b1))
    return there, (slice(a0 - at[0], a1 - at[0]), slice(b0 - at[1], b1 - at[1]))


def paste(target: np.ndarray, source: np.ndarray, at: tuple[int, int]) -> None:
    """OR ``source`` into ``target`` with its corner at (row, column), clipped."""
    shared = shared_part(target, source, at)
    if shared is not None:
        target[shared[0]] |= source[shared[1]]
