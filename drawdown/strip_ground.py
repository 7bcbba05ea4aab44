"""The paper under the strips: working picture, even surfaces, and how much ink stands out.

Everything here works on a reduced picture of about 2 pixels per mm in a CIELAB-like space
whose white is the card's white as photographed, so that it needs no colour correction. It
serves to *find* ink, never to measure it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

WORK_PX_PER_MM = 2.0
# cv2 clamps linear RGB at 1; paper may be lighter than the card's white, so leave room.
HEADROOM = 1.9
COARSE = 4  # the paper's colour is smoothed on every fourth pixel of the working picture
MAX_GROUNDS = 6
MIN_GROUND_MM2 = 120.0
MIN_PART_MM2 = 20.0
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


@dataclass(frozen=True)
class Ground:
    """One kind of paper and the part of the working picture that it covers. ``part`` (rows,
    columns) is that part, ``picture`` the working picture cut to it; ``contrast`` (h, w) the
    colour distance from the paper, continued under the ink; ``darker`` (h, w) how much darker
    in L*; ``low`` the distance that noise reaches; ``lab`` (3,) its typical colour."""

    part: tuple[slice, slice]
    picture: Picture
    background: np.ndarray  # (h/4, w/4, 3) of the whole picture
    contrast: np.ndarray
    darker: np.ndarray
    low: float
    lab: np.ndarray
    area_mm2: float
    number: int

    def whole_px(self, xy: np.ndarray) -> np.ndarray:
        """Pixels (x, y) of the part -> of the whole working picture."""
        return np.asarray(xy) + np.array([self.part[1].start, self.part[0].start])

    def paper_at(self, xy: np.ndarray) -> np.ndarray:
        """(3,) Lab of the paper under a place (x, y) of the whole working picture."""
        x, y = (np.asarray(xy) / COARSE).astype(int)
        rows, columns = self.background.shape[:2]
        return self.background[min(max(y, 0), rows - 1), min(max(x, 0), columns - 1)]


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


@dataclass(frozen=True)
class _Coarse:
    """Every ``COARSE``-th pixel: where the paper's colour is smoothed and continued."""

    lab: np.ndarray
    label: np.ndarray
    edge: np.ndarray
    cell_mm: float


def _coarse(picture: Picture, zones: Zones) -> _Coarse:
    k = COARSE // 2
    edge = (picture.slope > picture.slope_limit) | ~picture.usable
    edge = cv2.resize(
        edge.view(np.uint8) * np.uint8(255),
        zones.label[k::COARSE, k::COARSE].shape[::-1],
        interpolation=cv2.INTER_AREA,
    )
    return _Coarse(
        np.ascontiguousarray(picture.lab[k::COARSE, k::COARSE]),
        np.ascontiguousarray(zones.label[k::COARSE, k::COARSE]),
        edge > 60,
        COARSE / picture.px_per_mm,
    )


def _spread(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """The paper's colour (h, w, 3), smoothed where it lies open and continued where not:
    near paper counts most, far paper only where none is near."""
    weight = member.astype(np.float32)
    stacked = np.empty((*weight.shape, 4), np.float32)
    stacked[..., :3] = coarse.lab * weight[..., None]
    stacked[..., 3] = weight
    total = np.zeros_like(stacked)
    factor = 1.0
    for sigma_mm in (5.0, 22.0, 90.0):
        shrink = max(1, int(sigma_mm / coarse.cell_mm / 3))
        size = (max(1, weight.shape[1] // shrink), max(1, weight.shape[0] // shrink))
        small = cv2.resize(stacked, size, interpolation=cv2.INTER_AREA)
        sigma = max(0.6, sigma_mm / coarse.cell_mm / shrink)
        small = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        total += factor * cv2.resize(small, weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
        factor *= 0.02
    mean = coarse.lab[member].mean(axis=0) if member.any() else np.zeros(3)
    return (total[..., :3] + 1e-6 * mean.astype(np.float32)) / (total[..., 3:] + 1e-6)


def _without_leaks(coarse: _Coarse, member: np.ndarray) -> np.ndarray:
    """Take out of an even surface the ink that joins it through a faded end.

    A quadratic in position is fitted robustly; what lies off it and is bounded mostly by
    sharp edges is ink, what lies off it with soft edges all round is light or shadow."""
    rows, columns = np.nonzero(member)
    if len(rows) < 60:
        return member
    x, y = (columns - columns.mean()) / 50.0, (rows - rows.mean()) / 50.0
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    values = coarse.lab[rows, columns].astype(float)
    step = max(1, len(rows) // 2000)
    a, v = basis[::step], values[::step]
    weight = np.ones(len(a))
    ridge = np.diag([1e-9, 1e-3, 1e-3, 1e-1, 1e-1, 1e-1]) * len(a) * 0.01
    for _ in range(6):
        aw = a * weight[:, None]
        theta = np.linalg.solve(aw.T @ a + ridge, aw.T @ v)
        miss = np.linalg.norm(v - a @ theta, axis=1)
        scale = max(1.0, 2.5 * float(np.median(miss)))
        weight = np.maximum(0, 1 - (miss / (1.6 * scale)) ** 2) ** 2 + 1e-4
    off = np.zeros(member.shape, np.uint8)
    limit = max(1.8, 2.5 * float(np.median(miss)))
    off[rows, columns] = np.linalg.norm(values - basis @ theta, axis=1) > limit
    _, label, stats, _ = cv2.connectedComponentsWithStats(off, connectivity=4)
    out = member.copy()
    for k in np.flatnonzero(stats[:, cv2.CC_STAT_AREA] > 60 / coarse.cell_mm**2):
        if k == 0:
            continue
        blob = (label == k).astype(np.uint8)
        wide = cv2.dilate(blob, np.ones((3, 3), np.uint8)) > 0
        ring = wide & (blob == 0)
        if ring.any() and coarse.edge[ring].mean() > 0.45:
            out &= ~wide
    return out


def find_grounds(picture: Picture, zones: Zones) -> tuple[list[Ground], list[Ground]]:
    """The kinds of paper that lie open: first the lightest ones, then others that may be
    coloured paper or a table."""
    big = zones.area_mm2 >= MIN_GROUND_MM2
    big[0] = False
    if not big.any():
        return [], []
    lightest = float(zones.lab[big, 0].max())
    coarse = _coarse(picture, zones)
    light = zones.lab[:, 0] >= lightest - LIGHT_SPAN
    dark = ~light & (zones.lab[:, 0] >= MIN_GROUND_L)
    return (
        _grounds_among(picture, zones, coarse, light, 0),
        _grounds_among(picture, zones, coarse, dark, MAX_GROUNDS),
    )


def _grounds_among(
    picture: Picture, zones: Zones, coarse: _Coarse, allowed: np.ndarray, first: int
) -> list[Ground]:
    order = np.argsort(-zones.area_mm2)
    order = [k for k in order if allowed[k] and zones.area_mm2[k] >= MIN_PART_MM2][:80]
    left = set(order)
    grounds: list[Ground] = []
    for seed in order:
        if seed not in left or zones.area_mm2[seed] < MIN_GROUND_MM2:
            continue
        if len(grounds) >= MAX_GROUNDS:
            break
        left.discard(seed)
        member = _without_leaks(coarse, coarse.label == seed)
        if not member.any():
            continue
        background = _spread(coarse, member)
        joined = _join(zones, coarse, left, member, background)
        if joined:
            left -= set(joined)
            lookup = np.zeros(len(zones.area_mm2), bool)
            lookup[joined] = True
            member = member | lookup[coarse.label]
            background = _spread(coarse, member)
        grounds.append(_ground(picture, coarse, member, background, first + len(grounds)))
    return grounds


def _join(zones: Zones, coarse: _Coarse, left, member, background) -> list[int]:
    """Zones of the same paper: their colour continues the background. The farther off, the
    more the light may have changed."""
    distance = cv2.distanceTransform((~member).view(np.uint8), cv2.DIST_L2, 3) * coarse.cell_mm
    joined = []
    for k in left:
        x, y, w, h = zones.box[k] // COARSE
        part = (slice(y, y + h + 2), slice(x, x + w + 2))
        own = coarse.label[part] == k
        if not own.any():
            continue
        off = np.median(coarse.lab[part][own] - background[part][own], axis=0)
        near = float(distance[part][own].min())
        if np.linalg.norm(off) < min(1.5 + 0.02 * near, 3.5):
            joined.append(k)
    return joined


def _ground(picture: Picture, coarse: _Coarse, member, background, number: int) -> Ground:
    rows = np.flatnonzero(member.any(axis=1))
    columns = np.flatnonzero(member.any(axis=0))
    m = round(8.0 * picture.px_per_mm)
    h, w = picture.usable.shape
    part = (
        slice(max(0, rows[0] * COARSE - m), min(h, (rows[-1] + 1) * COARSE + m)),
        slice(max(0, columns[0] * COARSE - m), min(w, (columns[-1] + 1) * COARSE + m)),
    )
    cut = crop(picture, part)
    # Coarse cell i is pixel i * COARSE + COARSE // 2 of the whole picture.
    k = COARSE // 2
    matrix = np.array(
        [
            [1 / COARSE, 0, (part[1].start - k) / COARSE],
            [0, 1 / COARSE, (part[0].start - k) / COARSE],
        ]
    )
    wide = cv2.warpAffine(
        background,
        matrix,
        cut.usable.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    off = cv2.subtract(cut.lab, wide)
    darker = -off[..., 0]
    contrast = cv2.sqrt(cv2.transform(cv2.multiply(off, off), np.ones((1, 3), np.float32)))
    noise = np.linalg.norm(coarse.lab[member] - background[member], axis=1)
    return Ground(
        part=part,
        picture=cut,
        background=background,
        contrast=contrast,
        darker=darker,
        low=float(np.clip(1.3 * np.quantile(noise, 0.85), 1.3, 2.5)),
        lab=np.median(background[member], axis=0),
        area_mm2=float(member.sum()) * coarse.cell_mm**2,
        number=number,
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
