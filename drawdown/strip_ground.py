"""The paper under the strips: working picture, even surfaces, and how much ink stands out.

Everything here works on a reduced picture of about 2 pixels per mm in a CIELAB-like space
whose white is the card's white as photographed, so that it needs no colour correction. It
serves to *find* ink, never to measure it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

WORK_PX_PER_MM = 2.0
# cv2 clamps linear RGB at 1; paper may be lighter than the card's white, so leave room.
HEADROOM = 1.9
COARSE = 4  # the paper's colour is smoothed on every fourth pixel of the working picture
MAX_GROUNDS = 5
MIN_GROUND_MM2 = 500.0
MIN_PART_MM2 = 25.0
MIN_GROUND_L = 38.0


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


@dataclass(frozen=True)
class Ground:
    """One kind of paper. ``background`` (h/4, w/4, 3) its Lab, continued under the ink;
    ``member`` (h, w) where it lies open; ``contrast`` (h, w) colour distance from it;
    ``darker`` (h, w) how much darker than it in L*; ``low`` the distance that noise reaches."""

    member: np.ndarray
    background: np.ndarray
    contrast: np.ndarray
    darker: np.ndarray
    low: float
    lightness: float
    area_mm2: float


def disc(radius_px: float) -> np.ndarray:
    """A round structuring element."""
    r = max(1, round(radius_px))
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))


def to_lab(rgb_relative: np.ndarray) -> np.ndarray:
    """Linear RGB relative to white (h, w, 3) float32 -> CIELAB-like float32 (white L* 100).

    Scaling light by 1/s scales L* + 16, a*, b* by s^(-1/3): the headroom is undone so."""
    lab = cv2.cvtColor(rgb_relative * np.float32(1 / HEADROOM), cv2.COLOR_LRGB2Lab)
    lab[..., 0] += 16
    lab *= np.float32(HEADROOM ** (1 / 3))
    lab[..., 0] -= 16
    return lab


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
    area = cv2.INTER_AREA
    rgb = cv2.resize(sheet.rgb_linear, size, interpolation=area)
    if light is not None:
        rgb = rgb / cv2.resize(light, size, interpolation=area)
    lab = to_lab(rgb / sheet_white(sheet, view))
    lab = cv2.GaussianBlur(lab, (3, 3), 0.55)
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
    light_part = usable & (lab[..., 0] > MIN_GROUND_L) & (printed == 0)
    calm = float(np.quantile(slope[light_part][::7], 0.25)) if light_part.any() else 0.3
    return Picture(
        lab=lab,
        usable=usable,
        inside=inside,
        printed=printed > 0,
        slope=slope,
        slope_limit=float(np.clip(4.0 * calm, 0.8, 2.2)),
        px_per_mm=px_per_mm,
        origin_mm=origin,
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
    flat8 = cv2.morphologyEx(flat.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, label, stats, _ = cv2.connectedComponentsWithStats(flat8, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    lab = np.stack(
        [np.bincount(label.ravel(), picture.lab[..., k].ravel(), count) for k in range(3)], axis=-1
    ) / np.maximum(area[:, None], 1)
    area[0] = 0
    return Zones(label, area / picture.px_per_mm**2, lab, stats[:, :4])


def _spread(values: np.ndarray, weight: np.ndarray, cell_mm: float) -> np.ndarray:
    """Smooth values (h, w, 3) given with weights (h, w) and continue them where there are
    none: near ones count most, far ones only where nothing is near."""
    out_sum = np.zeros_like(values)
    out_weight = np.zeros_like(weight)
    stacked = np.dstack([values * weight[..., None], weight])
    factor = 1.0
    for sigma_mm in (7.0, 25.0, 90.0):
        shrink = max(1, int(sigma_mm / cell_mm / 4))
        size = (max(1, weight.shape[1] // shrink), max(1, weight.shape[0] // shrink))
        small = cv2.resize(stacked, size, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), max(0.6, sigma_mm / cell_mm / shrink))
        wide = cv2.resize(small, weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
        out_sum += factor * wide[..., :3]
        out_weight += factor * wide[..., 3]
        factor *= 0.02
    total = float(weight.sum())
    mean = stacked[..., :3].sum(axis=(0, 1)) / max(total, 1e-6)
    return (out_sum + 1e-6 * mean) / (out_weight[..., None] + 1e-6)


def _coarse(picture: Picture, mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean Lab and share of a mask on the coarse grid."""
    size = (mask.shape[1] // COARSE + 1, mask.shape[0] // COARSE + 1)
    weight = mask.astype(np.float32)
    both = np.dstack([picture.lab * weight[..., None], weight])
    both = cv2.resize(both, size, interpolation=cv2.INTER_AREA)
    return both[..., :3] / np.maximum(both[..., 3:], 1e-3), both[..., 3]


def _without_leaks(picture: Picture, member: np.ndarray) -> np.ndarray:
    """Take out of an even surface the ink that joins it through a faded end.

    A quadratic in position is fitted robustly; what lies off it and is bounded mostly by
    sharp edges is ink, what lies off it with soft edges all round is light or shadow."""
    values, weight = _coarse(picture, member)
    rows, columns = weight.shape
    y, x = np.mgrid[0:rows, 0:columns]
    x, y = (x - columns / 2) / 50.0, (y - rows / 2) / 50.0
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    on = weight > 0.5
    if on.sum() < 60:
        return member
    a, v = basis[on], values[on].astype(float)
    step = max(1, len(a) // 3000)
    a_fit, v_fit = a[::step], v[::step]
    w = np.ones(len(a_fit))
    ridge = np.diag([0, 1e-3, 1e-3, 1e-1, 1e-1, 1e-1]) * len(a_fit) * 0.01
    for _ in range(6):
        aw = a_fit * w[:, None]
        theta = np.linalg.solve(aw.T @ a_fit + ridge + 1e-9 * np.eye(6), aw.T @ v_fit)
        miss = np.linalg.norm(v_fit - a_fit @ theta, axis=1)
        scale = max(1.0, 2.5 * float(np.median(miss)))
        w = np.maximum(0, 1 - (miss / (1.6 * scale)) ** 2) ** 2 + 1e-4
    off = np.zeros(weight.shape, np.uint8)
    limit = max(1.8, 2.5 * float(np.median(np.linalg.norm(v - a @ theta, axis=1))))
    off[on] = np.linalg.norm(v - a @ theta, axis=1) > limit
    if off.sum() * (COARSE / picture.px_per_mm) ** 2 < 60:
        return member
    size = (member.shape[1], member.shape[0])
    off_full = cv2.resize(off, size, interpolation=cv2.INTER_NEAREST) & member.astype(np.uint8)
    count, label, stats, _ = cv2.connectedComponentsWithStats(off_full, connectivity=4)
    edge = (picture.slope > picture.slope_limit) | ~picture.usable
    out = member.copy()
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < 60 * picture.px_per_mm**2:
            continue
        x0, y0, bw, bh = stats[k, :4]
        m = 2 * COARSE
        part = (
            slice(max(0, y0 - m), y0 + bh + m),
            slice(max(0, x0 - m), x0 + bw + m),
        )
        blob = (label[part] == k).astype(np.uint8)
        ring = (cv2.dilate(blob, disc(3)) > 0) & (blob == 0)
        if ring.any() and edge[part][ring].mean() > 0.45:
            out[part] &= cv2.dilate(blob, disc(2)) == 0
    return out


def find_grounds(picture: Picture, zones: Zones) -> list[Ground]:
    """The kinds of paper (or table) that lie open, largest first."""
    order = np.argsort(-zones.area_mm2)
    order = [k for k in order if zones.area_mm2[k] >= MIN_PART_MM2]
    order = [k for k in order if zones.lab[k, 0] >= MIN_GROUND_L][:150]
    left = set(order)
    grounds: list[Ground] = []
    for seed in order:
        if seed not in left or zones.area_mm2[seed] < MIN_GROUND_MM2:
            continue
        if len(grounds) >= MAX_GROUNDS:
            break
        left.discard(seed)
        member = _without_leaks(picture, zones.label == seed)
        background = _spread(*_coarse(picture, member), COARSE / picture.px_per_mm)
        joined = _join(picture, zones, left, member, background)
        if joined:
            left -= set(joined)
            lookup = np.zeros(len(zones.area_mm2), bool)
            lookup[joined] = True
            member = member | lookup[zones.label]
            background = _spread(*_coarse(picture, member), COARSE / picture.px_per_mm)
        grounds.append(_ground(picture, member, background))
    return grounds


def _join(picture, zones, left, member, background) -> list[int]:
    """Zones of the same paper: their colour continues the background. The farther off, the
    more the light may have changed."""
    size = (background.shape[1], background.shape[0])
    near = cv2.resize(member.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    distance = cv2.distanceTransform((near == 0).astype(np.uint8), cv2.DIST_L2, 3)
    distance *= COARSE / picture.px_per_mm
    joined = []
    for k in left:
        x, y, w, h = zones.box[k]
        part = (slice(y, y + h, 2), slice(x, x + w, 2))
        ys, xs = np.nonzero(zones.label[part] == k)
        if not len(ys):
            continue
        cy = np.minimum((2 * ys + y) // COARSE, size[1] - 1)
        cx = np.minimum((2 * xs + x) // COARSE, size[0] - 1)
        off = picture.lab[part][ys, xs] - background[cy, cx]
        off = np.linalg.norm(np.median(off, axis=0))
        if off < min(1.5 + 0.02 * float(distance[cy, cx].min()), 3.5):
            joined.append(k)
    return joined


def _ground(picture: Picture, member: np.ndarray, background: np.ndarray) -> Ground:
    size = (member.shape[1], member.shape[0])
    wide = cv2.resize(background.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    off = picture.lab - wide
    contrast = cv2.sqrt(cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32)))
    noise = contrast[member][::5]
    high = float(np.quantile(noise, 0.9)) if len(noise) else 1.0
    return Ground(
        member=member,
        background=background,
        contrast=contrast,
        darker=-off[..., 0],
        low=float(np.clip(1.5 * high, 1.3, 3.0)),
        lightness=float(np.median(background[..., 0])),
        area_mm2=float(member.sum() / picture.px_per_mm**2),
    )
