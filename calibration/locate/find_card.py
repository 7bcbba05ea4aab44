"""Find the reference card in a photo: its markers, how it was seen, and why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration import flags as fl
from calibration.card.definition import CardDefinition, corners_of
from calibration.errors import PhotoUnfit
from calibration.locate.geometry import apply_homography, local_jacobian
from calibration.locate.markers import (
    LIKE,
    Fit,
    Seen,
    choose_renamed,
    detect,
    fit_as_defined,
    merge,
    refine,
    scaled,
    sides,
    variants,
    with_look,
)
from calibration.locate.not_found import (
    explain_ambiguous,
    explain_failure,
    explain_no_markers,
    markers_sentence,
)
from calibration.locate.patch_align import align, look, placement_sd_mm
from calibration.photo.open import Photo

# Of the side of a usual patch, of which the slip's is 9 mm: pixels that it needs, pixels
# that are few, and the 10-90 % rise of an edge (sharp print: one pixel or 0.15 mm).
USUAL_SIDE_MM = 9.0
MIN_PIXELS_PER_MM = 1.2
LOW_PIXELS_PER_MM = 2.0
BLUR_FLAG_MM = 0.7
BLUR_LIMIT_MM = 2.0
STEEP_DEG = 30.0
# Scatter within patches against that between them: below the first they lie where the definition
# says (with patches of 9 mm, 1 mm off makes 0.2); above the second, none is seen whole. 60 rendered
# photos have 0.01 to 0.06, eight real ones 0.03 to 0.07.
IN_PLACE, OUT_OF_PLACE = 0.13, 0.2
UNLIKE = 0.6  # correlation of colours; those photos have 0.95 to 0.99
WRITTEN_SD_SHARE = 0.3  # of a patch's side: how far a definition may be off
# A placement is left as it is when its patches lie surer than this, in shares of their side.
SURE_SHARE = 0.03
CORNER_SD_PX = 0.7


@dataclass(frozen=True, eq=False)
class CardView:
    """Where the card is. ``mm_to_px`` (3, 3) takes card millimetres to photo pixels (pixel
    centres at whole numbers); ``blur_mm`` is the 10-90 % rise of the markers' edges;
    ``other_markers`` the corners (4, 2) in pixels of markers of the same dictionary that are not
    the card's; ``place_error_mm`` the standard uncertainty of a patch's place where that
    matters, else 0."""

    card: CardDefinition
    mm_to_px: np.ndarray
    markers_found: tuple[int, ...]
    pixels_per_mm: float
    blur_mm: float
    other_markers: dict[int, np.ndarray]
    flags: tuple[fl.Flag, ...]
    place_error_mm: float = 0.0

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Card millimetres (..., 2) -> photo pixels (..., 2)."""
        return apply_homography(self.mm_to_px, points_mm)

    def to_mm(self, points_px: np.ndarray) -> np.ndarray:
        """Photo pixels (..., 2) -> card millimetres (..., 2)."""
        return apply_homography(np.linalg.inv(self.mm_to_px), points_px)


def locate(photo: Photo, cards: Sequence[CardDefinition]) -> CardView:
    """Find whichever of ``cards`` is in the photo; raise ``PhotoUnfit`` with what was seen.

    Needs two of the card's markers; four are better. Turned views are no matter; a mirrored
    photo shows no valid marker. Raises ``WrongUsage`` when no card has a marker: then
    ``calibration.locate.by_hand.locate_by_hand`` is the way.
    """
    if not any(card.markers for card in cards):
        raise explain_no_markers(cards[0])
    grey = photo.grey8()
    seen: dict[str, Seen] = {}
    best = _search(grey, cards, seen)
    if best is None or not _is_plain(photo, best, seen[best.card.dictionary]):
        doubtful = best.card if best is not None else next(c for c in cards if c.markers)
        best = with_look(best, photo.rgb_encoded) if best is not None else None
        known = seen[doubtful.dictionary]
        best, ambiguous = choose_renamed(doubtful, known, photo.rgb_encoded, best)
        if ambiguous:
            raise explain_ambiguous(doubtful, sum(len(places) for places in known.values()))
    if best is None or len(best.chosen) < min(2, len(best.card.markers)):
        raise explain_failure(photo, grey, cards, best)
    matrix, error_mm, as_defined = _aligned(photo, best)
    view = make_view(photo, grey, best.card, matrix, best, seen[best.card.dictionary])
    if not as_defined:
        for flag in view.flags:
            if flag.kind is fl.CARD_BLURRED:
                raise flag.unfit()
        raise PhotoUnfit(
            "the card's colour fields do not lie, or do not look, as its definition says",
            "every colour would be read off the wrong place",
            "name the definition that belongs to this card, lay the card flat and take away what "
            "lies on it",
        )
    return replace(view, place_error_mm=error_mm)


def _search(grey: np.ndarray, cards: Sequence[CardDefinition], seen: dict[str, Seen]) -> Fit | None:
    """Look for markers on larger and larger pictures until the card's place is sure; what is
    seen is added to ``seen``, by dictionary."""
    best: Fit | None = None
    for side in sides(max(grey.shape)):
        small, scale = scaled(grey, side)
        for dictionary in dict.fromkeys(c.dictionary for c in cards if c.markers):
            known = seen.setdefault(dictionary, {})
            for variant in variants(small):
                found = [(i, (c + 0.5) / scale - 0.5) for i, c in detect(variant, dictionary)]
                if scale < 1:
                    found = [(i, refine(grey, c, 1.5 / scale)) for i, c in found]
                merge(known, found)
                best = _best_fit(cards, seen)
                if best is not None and len(best.chosen) == len(best.card.markers):
                    break
        # Three corners of four fix the plane well; look closer only for less.
        if best is not None and len(best.chosen) >= max(2, min(4, len(best.card.markers) - 1)):
            break
    return best


def _best_fit(cards: Sequence[CardDefinition], seen: dict[str, Seen]) -> Fit | None:
    fits = [f for c in cards if (f := fit_as_defined(c, seen.get(c.dictionary, {}))) is not None]
    return max(fits, key=lambda f: (len(f.chosen), -f.miss_px), default=None)


def _is_plain(photo: Photo, fit: Fit, seen: Seen) -> bool:
    """Whether the markers lie as defined and the patches look like the card's."""
    if not fit.is_fair or fit.miss_px > 0.05 * fit.marker_px + 1.0:
        return False
    if len(fit.chosen) < sum(m.id in seen for m in fit.card.markers):
        return False
    if len(fit.chosen) == len(fit.card.markers) >= 4:
        # Every marker in its place and turned as it should be cannot be chance.
        return True
    return with_look(fit, photo.rgb_encoded).look.likeness > LIKE


def _aligned(photo: Photo, fit: Fit) -> tuple[np.ndarray, float, bool]:
    """The placement, moved by the patches where the markers leave it unsure, and the
    standard uncertainty of a patch's place in mm (0 where it does not matter); and whether
    they then lie and look as defined."""
    card = fit.card
    mm, px = fit.anchors
    side = card.side_mm
    # A lens bends straight lines a little: the misses of the markers show how much.
    sd_px = float(np.hypot(CORNER_SD_PX, fit.miss_px))
    sd_mm = placement_sd_mm(card, fit.matrix, mm, px, sd_px)
    in_place = look(photo.rgb_encoded, fit.matrix, card).evenness < IN_PLACE
    if in_place and sd_mm.max() < SURE_SHARE * side and len(fit.chosen) >= 4:
        return fit.matrix, 0.0, True
    error_mm = float(np.median(sd_mm))
    if not in_place:
        # Whoever wrote the definition measured the patches against the markers a little wrong.
        error_mm = max(error_mm, WRITTEN_SD_SHARE * side)
        sd_px = max(sd_px, error_mm * float(np.sqrt(abs(np.linalg.det(
            local_jacobian(fit.matrix, *(np.asarray(card.size_mm) / 2))
        )))))  # fmt: skip
    moved = align(photo.rgb_encoded, card, fit.matrix, mm, px, sd_px, error_mm)
    seen = look(photo.rgb_encoded, moved[0], card)
    return *moved, seen.evenness < OUT_OF_PLACE and seen.likeness > UNLIKE


def make_view(
    photo: Photo,
    grey: np.ndarray,
    card: CardDefinition,
    matrix: np.ndarray,
    fit: Fit | None,
    seen: Seen,
) -> CardView:
    """What is to be said of a placement; ``fit`` is None where no marker was used. Raises
    ``PhotoUnfit`` when the card is too small in the photo or blurred."""
    width, height = card.size_mm
    jacobian = local_jacobian(matrix, width / 2, height / 2)
    large, little = np.linalg.svd(jacobian, compute_uv=False)
    tilt = float(np.degrees(np.arccos(np.clip(little / large, 0.0, 1.0))))
    ppm = float(np.sqrt(large * little))
    chosen = fit.chosen if fit is not None else {}
    blur_mm = _blur_mm(grey, card, matrix, set(chosen))
    # Limits are for patches of the usual size; larger ones need less, smaller ones more.
    size = card.side_mm / USUAL_SIDE_MM
    if ppm * size < MIN_PIXELS_PER_MM:
        raise PhotoUnfit(
            f"the card is very small in the photo ({ppm:.1f} pixels per mm)",
            "its colour patches are only a few pixels wide",
            "move closer, so that the card fills at least a sixth of the picture's width",
        )
    if blur_mm > BLUR_LIMIT_MM * size:
        raise PhotoUnfit(
            f"the photo is blurred: edges on the card are {blur_mm:.1f} mm wide",
            "blur mixes neighbouring colours",
            "hold the phone steadier, tap the card to focus, and shoot again",
        )
    flags: list[fl.Flag] = []
    if ppm * size < LOW_PIXELS_PER_MM:
        flags.append(fl.LOW_RESOLUTION(f"{ppm:.1f}"))
    if fit is not None and len(chosen) < len(card.markers):
        flags.append(fl.MARKER_MISSING(markers_sentence(card, set(chosen))))
    if fit is not None and fit.renamed:
        flags.append(fl.MARKERS_ELSEWHERE())
    if fit is not None and fit.twice:
        flags.append(fl.CARD_TWICE())
    if blur_mm > max(BLUR_FLAG_MM * size, 2.5 / ppm):
        flags.append(fl.CARD_BLURRED(f"edges {blur_mm:.1f} mm wide"))
    if tilt > STEEP_DEG:
        flags.append(fl.STEEP_VIEW(f"{tilt:.0f}"))
    own = {m.id for m in card.markers}
    return CardView(
        card=card,
        mm_to_px=matrix / matrix[2, 2],
        markers_found=tuple(chosen),
        pixels_per_mm=ppm,
        blur_mm=blur_mm,
        other_markers={i: places[0] for i, places in seen.items() if i not in own},
        flags=tuple(flags),
    )


def _blur_mm(grey: np.ndarray, card: CardDefinition, matrix: np.ndarray, found: set[int]) -> float:
    """Median 10-90 % rise, in mm, of the outer edges of the markers that were found; without
    markers, of the patches' edges."""
    if found:
        cells = int(card.dictionary[5]) + 2 if card.dictionary[5].isdigit() else 6
        squares = [(m.corners_mm, m.rect_mm[2] / cells) for m in card.markers if m.id in found]
    else:
        squares = [(corners_of(p.rect_mm), 0.2 * min(p.rect_mm[2:])) for p in card.patches]
    corners, within_mm = (np.array(of) for of in zip(*squares, strict=True))  # (n, 4, 2), (n,)
    # As far as the black rim of a marker is wide, at most.
    far = np.minimum(1.6, within_mm)
    reach, along = np.linspace(-1.0, 1.0, 33), np.linspace(0.3, 0.7, 9)
    sides = np.roll(corners, -1, axis=1) - corners
    middles = corners[:, :, None] + along[:, None] * sides[:, :, None]  # (n, 4, 9, 2)
    outward = middles.mean(axis=2) - corners.mean(axis=1, keepdims=True)
    outward *= far[:, None, None] / np.linalg.norm(outward, axis=-1, keepdims=True)
    profiles = middles[..., None, :] + reach[:, None] * outward[:, :, None, None]
    points = apply_homography(matrix, profiles).astype(np.float32).reshape(-1, reach.size, 2)
    values = cv2.remap(
        grey, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    values = values.reshape(-1, along.size, reach.size).astype(float).mean(axis=1)
    steps_mm = np.repeat(far * (reach[1] - reach[0]), 4)
    low, high = values[:, :4].mean(axis=1), values[:, -4:].mean(axis=1)
    contrast = high - low if found else np.abs(high - low)
    good = contrast > 15
    if not good.any():
        return BLUR_LIMIT_MM / 2 if found else BLUR_FLAG_MM / 2
    level = values[good] / contrast[good, None]
    steepest = np.abs(np.diff(level, axis=1)).max(axis=1)
    return float(np.median(0.8 * steps_mm[good] / np.maximum(steepest, 1e-3)))
