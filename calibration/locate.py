"""Find the reference card in a photo: markers, homography, how it was seen, and why not.

Markers are found with OpenCV's ArucoDetector on a reduced picture first and on larger ones
only when something is missing; their corners are then refined at full resolution.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration import flags as fl
from calibration.card import CardDefinition
from calibration.errors import PhotoUnfit
from calibration.photo import Photo

# Long side in pixels of the reduced pictures that are searched, in turn.
SEARCH_SIDES = (1600, 2800, 6000)
# A small picture is searched once more enlarged: markers of few pixels per cell.
ENLARGED, ENLARGE_BELOW = 1.5, 3300
CORNER_NAMES = ("upper left", "upper right", "lower right", "lower left")
MIN_PIXELS_PER_MM = 1.2
LOW_PIXELS_PER_MM = 2.0
# 10-90 % rise of a marker's edge. A printed edge seen sharp is about one pixel or 0.15 mm.
BLUR_FLAG_MM = 0.7
BLUR_LIMIT_MM = 2.0
STEEP_DEG = 30.0


@dataclass(frozen=True)
class CardView:
    """Where the card is. ``mm_to_px`` (3, 3) takes card millimetres to photo pixels (pixel
    centres at whole numbers); ``blur_mm`` is the 10-90 % rise of the markers' edges;
    ``reprojection_px`` the root mean square miss of their corners; ``other_markers`` the
    corners (4, 2) in pixels of markers of the same dictionary that are not the card's."""

    card: CardDefinition
    mm_to_px: np.ndarray
    markers_found: tuple[int, ...]
    markers_missing: tuple[int, ...]
    pixels_per_mm: float
    tilt_deg: float
    blur_mm: float
    reprojection_px: float
    other_markers: dict[int, np.ndarray]
    flags: tuple[fl.Flag, ...]

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Card millimetres (..., 2) -> photo pixels (..., 2)."""
        return apply_homography(self.mm_to_px, points_mm)

    def to_mm(self, points_px: np.ndarray) -> np.ndarray:
        """Photo pixels (..., 2) -> card millimetres (..., 2)."""
        return apply_homography(np.linalg.inv(self.mm_to_px), points_px)


def apply_homography(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(3, 3) applied to points (..., 2)."""
    points = np.asarray(points, dtype=float)
    out = points @ matrix[:, :2].T + matrix[:, 2]
    return out[..., :2] / out[..., 2:]


def local_jacobian(matrix: np.ndarray, x: float, y: float) -> np.ndarray:
    """(2, 2) derivative of a homography at one point."""
    u, v, w = matrix @ (x, y, 1.0)
    return np.array(
        [
            matrix[0, :2] / w - u * matrix[2, :2] / w**2,
            matrix[1, :2] / w - v * matrix[2, :2] / w**2,
        ]
    )


def _detect(grey: np.ndarray, dictionary: str) -> list[tuple[int, np.ndarray]]:
    """All markers in a grey picture: (id, corners (4, 2))."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.012
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 3
    # Cells of three or four pixels: sample them finely and only near their middle.
    parameters.perspectiveRemovePixelPerCell = 16
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.33
    shortest = min(grey.shape)
    parameters.adaptiveThreshWinSizeMax = 23 if shortest > 500 else 13
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(known, parameters).detectMarkers(grey)
    if ids is None:
        return []
    return [(int(i), c.reshape(4, 2)) for i, c in zip(ids.ravel(), corners, strict=True)]


def _variants(grey: np.ndarray):
    """The picture as it is, then with local contrast raised (shade, weak light)."""
    yield grey
    yield cv2.createCLAHE(3.0, (8, 8)).apply(grey)


def _scaled(grey: np.ndarray, side: int) -> tuple[np.ndarray, float]:
    long_side = max(grey.shape)
    factor = side / long_side
    if 0.85 <= factor <= 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return cv2.resize(grey, size, interpolation=how), size[0] / grey.shape[1]


def _sides(long_side: int) -> list[int]:
    """The long sides at which a picture is searched, in turn."""
    sides = [side for side in SEARCH_SIDES if side < 0.85 * long_side] + [long_side]
    if long_side < ENLARGE_BELOW:
        sides.append(round(ENLARGED * long_side))
    return [side for side in sides if side <= max(SEARCH_SIDES[-1], long_side * ENLARGED)]


def _refine(grey: np.ndarray, corners: np.ndarray, reach_px: float) -> np.ndarray:
    """Corners refined at full resolution, searched within ``reach_px``."""
    window = int(np.clip(reach_px, 2, 12))
    points = corners.reshape(-1, 1, 2).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    refined = cv2.cornerSubPix(grey, points.copy(), (window, window), (-1, -1), stop)
    moved = np.linalg.norm(refined - points, axis=2) > window
    refined[moved] = points[moved]
    return refined.reshape(corners.shape)


@dataclass(frozen=True)
class _Fit:
    card: CardDefinition
    chosen: dict[int, np.ndarray]
    matrix: np.ndarray
    miss_px: float


def _fit(card: CardDefinition, seen: dict[int, list[np.ndarray]]) -> _Fit | None:
    """The best homography from the card's markers; with doubles, the consistent ones."""
    wanted = {m.id: m for m in card.markers}
    here = [i for i in wanted if i in seen]
    if not here:
        return None
    best: _Fit | None = None
    choices = itertools.islice(itertools.product(*(seen[i] for i in here)), 64)
    for combination in choices:
        chosen = dict(zip(here, combination, strict=True))
        while True:
            mm = np.concatenate([wanted[i].corners_mm for i in chosen])
            px = np.concatenate([chosen[i] for i in chosen])
            matrix, _ = cv2.findHomography(mm, px, 0)
            if matrix is None:
                break
            misses = np.linalg.norm(apply_homography(matrix, mm) - px, axis=1)
            per_marker = misses.reshape(-1, 4).max(axis=1)
            size = np.linalg.norm(px[0] - px[2])
            # A false or badly refined marker pulls the fit; leave out the worst one.
            if len(chosen) > 2 and per_marker.max() > max(2.0, 0.12 * size):
                del chosen[list(chosen)[int(per_marker.argmax())]]
                continue
            miss = float(np.sqrt(np.mean(misses**2)))
            key = (len(chosen), -miss)
            if best is None or key > (len(best.chosen), -best.miss_px):
                best = _Fit(card, dict(chosen), matrix, miss)
            break
    return best


def _merge(seen: dict[int, list[np.ndarray]], found: list[tuple[int, np.ndarray]]) -> None:
    """Add markers that were not already seen at the same place."""
    for number, corners in found:
        places = seen.setdefault(number, [])
        centre = corners.mean(axis=0)
        size = np.linalg.norm(corners[0] - corners[2])
        if all(np.linalg.norm(p.mean(axis=0) - centre) > 0.5 * size for p in places):
            places.append(corners)


def locate(photo: Photo, cards: Sequence[CardDefinition]) -> CardView:
    """Find whichever of ``cards`` is in the photo; raise ``PhotoUnfit`` with what was seen.

    Needs two of the card's markers; four are better. Turned or mirrored views are no
    matter, except that a mirrored photo shows no valid marker.
    """
    grey = photo.grey8()
    seen: dict[str, dict[int, list[np.ndarray]]] = {}
    best: _Fit | None = None
    for side in _sides(max(grey.shape)):
        small, scale = _scaled(grey, side)
        for dictionary in dict.fromkeys(c.dictionary for c in cards):
            known = seen.setdefault(dictionary, {})
            for variant in _variants(small):
                found = [(i, (c + 0.5) / scale - 0.5) for i, c in _detect(variant, dictionary)]
                if scale < 1:
                    found = [(i, _refine(grey, c, 1.5 / scale)) for i, c in found]
                _merge(known, found)
                best = _best_fit(cards, seen)
                if best is not None and len(best.chosen) == len(best.card.markers):
                    break
        # Three corners of four fix the plane well; look closer only for less.
        if best is not None and len(best.chosen) >= max(2, len(best.card.markers) - 1):
            break
    if best is None or len(best.chosen) < min(2, len(best.card.markers)):
        raise _explain_failure(photo, grey, cards, best)
    return _view(photo, grey, best, seen[best.card.dictionary])


def _best_fit(
    cards: Sequence[CardDefinition], seen: dict[str, dict[int, list[np.ndarray]]]
) -> _Fit | None:
    fits = [f for c in cards if (f := _fit(c, seen.get(c.dictionary, {}))) is not None]
    return max(fits, key=lambda f: (len(f.chosen), -f.miss_px), default=None)


def _view(photo: Photo, grey: np.ndarray, fit: _Fit, seen: dict[int, list[np.ndarray]]) -> CardView:
    card = fit.card
    width, height = card.size_mm
    jacobian = local_jacobian(fit.matrix, width / 2, height / 2)
    large, little = np.linalg.svd(jacobian, compute_uv=False)
    tilt = float(np.degrees(np.arccos(np.clip(little / large, 0.0, 1.0))))
    ppm = float(np.sqrt(large * little))
    blur_mm = _blur_mm(grey, fit)
    missing = tuple(m.id for m in card.markers if m.id not in fit.chosen)
    flags: list[fl.Flag] = []
    if ppm < MIN_PIXELS_PER_MM:
        raise PhotoUnfit(
            f"the card is very small in the photo ({ppm:.1f} pixels per mm)",
            "its colour patches are only a few pixels wide",
            "move closer, so that the card fills at least a sixth of the picture's width",
        )
    if blur_mm > BLUR_LIMIT_MM:
        raise PhotoUnfit(
            f"the photo is blurred: edges on the card are {blur_mm:.1f} mm wide",
            "blur mixes neighbouring colours",
            "hold the phone steadier, tap the card to focus, and shoot again",
        )
    if ppm < LOW_PIXELS_PER_MM:
        flags.append(fl.LOW_RESOLUTION(f"{ppm:.1f}"))
    if missing:
        flags.append(fl.MARKER_MISSING(_markers_sentence(card, set(fit.chosen))))
    if blur_mm > max(BLUR_FLAG_MM, 2.5 / ppm):
        flags.append(fl.CARD_BLURRED(f"edges {blur_mm:.1f} mm wide"))
    if tilt > STEEP_DEG:
        flags.append(fl.STEEP_VIEW(f"{tilt:.0f}"))
    others = {i: places[0] for i, places in seen.items() if i not in fit.chosen}
    return CardView(
        card=card,
        mm_to_px=fit.matrix / fit.matrix[2, 2],
        markers_found=tuple(fit.chosen),
        markers_missing=missing,
        pixels_per_mm=ppm,
        tilt_deg=tilt,
        blur_mm=blur_mm,
        reprojection_px=fit.miss_px,
        other_markers=others,
        flags=tuple(flags),
    )


def _blur_mm(grey: np.ndarray, fit: _Fit) -> float:
    """Median 10-90 % rise, in mm, of the outer edges of the markers that were found."""
    step_mm = 0.1
    reach = np.arange(-1.6, 1.6 + step_mm / 2, step_mm)
    along = np.linspace(0.3, 0.7, 9)
    profiles = []
    for marker in fit.card.markers:
        if marker.id not in fit.chosen:
            continue
        corners = marker.corners_mm
        for k in range(4):
            start, end = corners[k], corners[(k + 1) % 4]
            middle = start + along[:, None] * (end - start)
            outward = middle.mean(axis=0) - corners.mean(axis=0)
            outward = outward / np.linalg.norm(outward)
            profiles.append(middle[:, None, :] + reach[None, :, None] * outward)
    points = apply_homography(fit.matrix, np.array(profiles)).astype(np.float32)
    shape = points.shape[:-1]
    flat = points.reshape(-1, shape[-1], 2)
    values = cv2.remap(
        grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    values = values.reshape(shape).astype(float).mean(axis=1)
    low, high = values[:, :4].mean(axis=1), values[:, -4:].mean(axis=1)
    contrast = high - low
    good = contrast > 15
    if not good.any():
        return BLUR_LIMIT_MM / 2
    level = (values[good] - low[good, None]) / contrast[good, None]
    steepest = np.abs(np.diff(level, axis=1)).max(axis=1)
    return float(np.median(0.8 * step_mm / np.maximum(steepest, 1e-3)))


def _markers_sentence(card: CardDefinition, found: set[int]) -> str:
    total = len(card.markers)
    number = {1: "one", 2: "two", 3: "three", 4: "four"}
    names = _place_names(card)
    missing = [names[m.id] for m in card.markers if m.id not in found]
    where = "the " + " and the ".join(missing[:4]) + (" is" if len(missing) == 1 else " are")
    count = number.get(len(found), str(len(found)) if found else "none")
    return f"{count} of {number.get(total, str(total))} card markers found; {where} not readable"


def _place_names(card: CardDefinition) -> dict[int, str]:
    """A marker's place on the card in words."""
    width, height = card.size_mm
    names = {}
    for m in card.markers:
        x, y = m.corners_mm.mean(axis=0)
        vertical = "upper" if y < height / 3 else "lower" if y > 2 * height / 3 else "middle"
        side = "left" if x < width / 3 else "right" if x > 2 * width / 3 else "centre"
        names[m.id] = f"{vertical} {side}"
    return names


def _explain_failure(
    photo: Photo, grey: np.ndarray, cards: Sequence[CardDefinition], best: _Fit | None
) -> PhotoUnfit:
    """Say which markers were seen and what probably spoils the rest."""
    mirrored = cv2.flip(_scaled(grey, SEARCH_SIDES[0])[0], 1)
    ids = {m.id for c in cards for m in c.markers}
    if any(i in ids for c in cards for i, _ in _detect(mirrored, c.dictionary)):
        return PhotoUnfit(
            "the photo is mirrored: the card can only be read in a mirror",
            "a mirrored photo puts original and batch the wrong way round",
            "switch off mirroring in the camera (selfie mode) and shoot again",
        )
    small, _ = _scaled(grey, 800)
    mean = float(small.mean())
    burnt = float((small >= 250).mean())
    # Variance of the Laplacian against the contrast: low for a blurred picture.
    detail = float(cv2.Laplacian(small, cv2.CV_32F).var()) / max(float(small.var()), 1.0)
    if best is not None and best.chosen:
        seen = _markers_sentence(best.card, set(best.chosen))
        size = np.mean([np.linalg.norm(c[0] - c[2]) / 1.414 for c in best.chosen.values()])
    else:
        seen = "no marker of the reference card was found"
        size = None
    if mean < 35:
        cause, todo = "the photo is very dark", "bring more light and shoot again"
    elif burnt > 0.5:
        cause = "most of the photo is burnt out"
        todo = "tap the white paper to darken the photo, or move out of direct light"
    elif detail < 0.01:
        cause, todo = "the photo looks blurred", "hold the phone steadier and tap the card to focus"
    elif size is not None and size < 14:
        cause = f"the markers are only {size:.0f} pixels wide"
        todo = "move closer, so that the card fills at least a sixth of the picture's width"
    elif size is not None:
        cause = "the others look covered, shaded, shining or outside the picture"
        todo = "keep all corners of the card in view, uncovered and out of the lamp's reflection"
    else:
        cause = "the card may be missing, covered, too small or turned face down"
        todo = (
            "lay the printed card flat beside the strips with all four corners in view "
            "(print one with: drawdown card card.pdf)"
        )
    return PhotoUnfit(
        f"{seen}; {cause}",
        "without the card there is no measure for size or colour",
        todo,
    )
