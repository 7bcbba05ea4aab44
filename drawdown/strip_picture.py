"""The working picture that strips are looked for on, and the even surfaces in it.

About 2 pixels per mm, in a CIELAB-like space whose white is the card's white as
photographed, so that no colour correction is needed. It serves to *find* ink, never to
measure it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

WORK_PX_PER_MM = 2.0
# cv2 clamps linear RGB at 1; paper may be lighter than the card's white, so leave room.
HEADROOM = 1.9
MIN_GROUND_L = 38.0
LIGHT_SPAN = 20.0  # papers in one photo differ by no more than this in L*


@dataclass(frozen=True)
class Picture:
    """The working picture. ``lab`` (h, w, 3) float32 as described above, slightly smoothed;
    ``usable`` (h, w) False outside the photo, on the card and on markers; ``inside`` (h, w)
    True where the photo shows the place; ``printed`` (h, w) True on known printing;
    ``slope`` (h, w) size of the colour gradient per mm. mm = origin + (px + 0.5) / px_per_mm."""

    lab: np.ndarray
    usable: np.ndarray
    inside: np.ndarray
    printed: np.ndarray
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


def to_lab(rgb_linear: np.ndarray, white: np.ndarray) -> np.ndarray:
    """Linear RGB (h, w, 3) float32 -> CIELAB-like float32 relative to a white (3,).

    Scaling light by 1/s scales L* + 16, a*, b* by s^(-1/3): the headroom is undone so."""
    scaled = rgb_linear * (1 / (HEADROOM * white)).astype(np.float32)
    lab = cv2.cvtColor(scaled, cv2.COLOR_LRGB2Lab)
    k = HEADROOM ** (1 / 3)
    return cv2.transform(lab, np.array([[k, 0, 0, 16 * (k - 1)], [0, k, 0, 0], [0, 0, k, 0]]))


def sheet_white(sheet, view) -> np.ndarray:
    """(3,) linear RGB of the card's white as photographed; the lightest part as a stand-in."""
    found = []
    for patch in view.card.patches:
        if patch.role == "white":
            x, y, w, h = patch.rect_mm
            rows, columns = box_slices(sheet, (x + w / 4, y + h / 4, w / 2, h / 2))
            part = sheet.rgb_linear[rows, columns][sheet.inside[rows, columns]]
            if len(part):
                found.append(np.median(part, axis=0))
    if found:
        white = np.median(found, axis=0)
    else:
        pixels = sheet.rgb_linear[::4, ::4][sheet.inside[::4, ::4]]
        white = np.quantile(pixels, 0.95, axis=0) if len(pixels) else np.ones(3)
    return np.maximum(white, 1e-4).astype(np.float32)


def box_slices(grid, rect_mm) -> tuple[slice, slice]:
    """Rows and columns of a Sheet or Picture within a rectangle (x, y, w, h) in mm."""
    shape = grid.lab.shape[:2] if isinstance(grid, Picture) else grid.rgb_linear.shape[:2]
    return _slices(shape, grid.origin_mm, grid.px_per_mm, rect_mm)


def _slices(shape, origin_mm, px_per_mm, rect_mm) -> tuple[slice, slice]:
    x, y, w, h = rect_mm
    x0, x1 = (np.array([x, x + w]) - origin_mm[0]) * px_per_mm
    y0, y1 = (np.array([y, y + h]) - origin_mm[1]) * px_per_mm
    clip = lambda value, size: int(min(max(round(value), 0), size))  # noqa: E731
    return (
        slice(clip(y0, shape[0]), clip(y1, shape[0])),
        slice(clip(x0, shape[1]), clip(x1, shape[1])),
    )


def _gradient(lab: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(h, w) colour gradient per mm."""
    scale = px_per_mm / 32.0
    gx = cv2.Scharr(lab, cv2.CV_32F, 1, 0, scale=scale)
    gy = cv2.Scharr(lab, cv2.CV_32F, 0, 1, scale=scale)
    total = cv2.multiply(gx, gx)
    cv2.accumulateSquare(gy, total)
    return cv2.sqrt(cv2.transform(total, np.ones((1, 3), np.float32)))


def make_picture(sheet, view, light, printed_polygons) -> Picture:
    """The working picture of a sheet. ``light`` (h, w, 3) relative light to divide by, or
    None; ``printed_polygons`` in mm: places whose printing is known."""
    rows, columns = sheet.inside.shape
    ratio = min(1.0, WORK_PX_PER_MM / sheet.px_per_mm)
    size = (max(8, round(columns * ratio)), max(8, round(rows * ratio)))
    px_per_mm = sheet.px_per_mm * size[0] / columns
    how = cv2.INTER_AREA
    rgb = cv2.resize(sheet.rgb_linear, size, interpolation=how)
    if light is not None:
        rgb = rgb / cv2.resize(light, size, interpolation=how)
    white = sheet_white(sheet, view)
    lab = cv2.GaussianBlur(to_lab(rgb, white), (3, 3), 0.55)
    inside = cv2.resize(sheet.inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    inside = cv2.erode(inside, np.ones((3, 3), np.uint8), borderValue=0) > 0
    usable = inside.copy()
    shape, origin = usable.shape, tuple(sheet.origin_mm)
    w, h = view.card.size_mm
    window = view.card.window_mm
    card = _slices(shape, origin, px_per_mm, (-1.2, -1.2, w + 2.4, h + 2.4))
    if window is None:
        usable[card] = False
    else:
        x, y, ww, wh = window
        hole = _slices(shape, origin, px_per_mm, (x + 1.2, y + 1.2, ww - 2.4, wh - 2.4))
        keep = usable[hole].copy()
        usable[card] = False
        usable[hole] = keep
    printed = np.zeros(shape, np.uint8)
    for polygon in printed_polygons:
        corners = (np.asarray(polygon) - origin) * px_per_mm - 0.5
        cv2.fillPoly(printed, [np.round(corners * 16).astype(np.int32)], 1, shift=4)
    if printed.any():
        printed = cv2.dilate(printed, disc(0.6 * px_per_mm))
    slope = _gradient(cv2.GaussianBlur(lab, (0, 0), 0.45 * px_per_mm), px_per_mm)
    lightest = float(np.quantile(lab[..., 0][usable][::7], 0.97)) if usable.any() else 100.0
    light_part = usable & (lab[..., 0] > lightest - 1.2 * LIGHT_SPAN) & (printed == 0)
    # Paper is the calmest thing in sight; a table may cover much more of the photo.
    calm = float(np.quantile(slope[light_part][::7], 0.05)) if light_part.any() else 0.1
    return Picture(
        lab=lab,
        usable=usable,
        inside=inside,
        printed=printed > 0,
        slope=slope,
        slope_limit=float(np.clip(9.0 * calm, 0.8, 2.2)),
        px_per_mm=px_per_mm,
        origin_mm=origin,
    )


def crop(picture: Picture, part: tuple[slice, slice]) -> Picture:
    """The working picture cut to some rows and columns."""
    x, y = part[1].start / picture.px_per_mm, part[0].start / picture.px_per_mm
    return replace(
        picture,
        lab=picture.lab[part],
        usable=picture.usable[part],
        inside=picture.inside[part],
        printed=picture.printed[part],
        slope=picture.slope[part],
        origin_mm=(picture.origin_mm[0] + x, picture.origin_mm[1] + y),
    )


@dataclass(frozen=True)
class Zones:
    """Even surfaces: ``label`` (h, w) int32, 0 = none; per zone area in mm^2, mean Lab and
    bounding box (x, y, w, h) in pixels. Index 0 is not a zone."""

    label: np.ndarray
    area_mm2: np.ndarray
    lab: np.ndarray
    box: np.ndarray


def find_zones(picture: Picture) -> Zones:
    """Connected surfaces without edges in them."""
    flat = (picture.slope < picture.slope_limit) & picture.usable & ~picture.printed
    flat8 = cv2.morphologyEx(flat.view(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    return split_leaks(picture, _labelled(picture, flat8 > 0))


def _labelled(picture: Picture, flat: np.ndarray) -> Zones:
    count, label, stats, _ = cv2.connectedComponentsWithStats(flat.view(np.uint8), connectivity=4)
    # Every second pixel of every second row is enough for a mean.
    some = label[::2, ::2].ravel()
    lab = picture.lab[::2, ::2].reshape(-1, 3)
    number = np.maximum(np.bincount(some, minlength=count), 1)
    mean = [np.bincount(some, lab[:, k], count) / number for k in range(3)]
    area = stats[:, cv2.CC_STAT_AREA].astype(float) / picture.px_per_mm**2
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
    spread = (
        np.quantile(a, 0.75) - np.quantile(a, 0.25) + np.quantile(b, 0.75) - np.quantile(b, 0.25)
    )
    if np.median(b) - np.median(a) < max(3.0, 2.5 * spread):
        return None
    return axis, float(centre @ axis + (np.median(a) + np.median(b)) / 2)


def split_leaks(picture: Picture, zones: Zones) -> Zones:
    """Zones of scrap size in which ink has joined its paper through a faded end, split by
    colour: such a scrap is mostly ink, so that no fit to its paper would tell."""
    label, changed = zones.label, False
    for k in np.flatnonzero((zones.area_mm2 > 150) & (zones.area_mm2 < 6000)):
        x, y, w, h = zones.box[k]
        part = (slice(y, y + h), slice(x, x + w))
        own = label[part] == k
        lab = picture.lab[part]
        some = lab[::3, ::3][own[::3, ::3]]
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
    return _labelled(picture, label > 0)
