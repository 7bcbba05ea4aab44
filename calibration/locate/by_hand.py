"""The card placed by hand: its four corners in the photo, as a person clicked them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration import flags as fl
from calibration.card.definition import CardDefinition
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.find_card import CardView, make_view
from calibration.locate.geometry import apply_homography
from calibration.locate.markers import detect, merge, scaled
from calibration.locate.patch_align import Look, align, look
from calibration.photo.open import Photo

# Standard uncertainty of a clicked corner, as a share of the card's longer side.
CLICK_SD_SHARE = 0.008
LIKE_BY_HAND = 0.5
CLEARLY = 0.08
_STARTS = ("upper left", "upper right", "lower right", "lower left")


@dataclass(frozen=True, eq=False)
class _Placing:
    card: CardDefinition
    corners_px: np.ndarray  # (4, 2) clockwise from the card's upper left corner
    matrix: np.ndarray
    start: int  # which corner of the card was given first
    look: Look


def locate_by_hand(
    photo: Photo, cards: Sequence[CardDefinition], corners_px: Sequence[tuple[float, float]]
) -> CardView:
    """The card whose outer corners are at ``corners_px`` (4, 2) of the upright photo, clockwise
    from the upper left of the upright card, as the definition draws it.

    Raises ``WrongUsage`` when a corner is not in the photo, ``PhotoUnfit`` when what lies
    between the corners does not look like the card.
    """
    given = np.array(corners_px, dtype=float)
    inside = ((given > -1) & (given < (photo.width_px + 1, photo.height_px + 1))).all(axis=1)
    if not inside.all():
        x, y = given[inside.argmin()]
        raise WrongUsage(
            f"`card_corners` names {x:g},{y:g}, and the upright photo is "
            f"{photo.width_px} x {photo.height_px} pixels large",
            "the card must be seen whole",
            "read the four corners off the photo as a viewer shows it at full size; "
            "x runs to the right from 0, y down from 0",
        )
    placing = _how_it_lies(photo, cards, given)
    card, matrix = placing.card, placing.matrix
    across = np.linalg.norm(placing.corners_px - np.roll(placing.corners_px, 1, axis=0), axis=1)
    sd_px = CLICK_SD_SHARE * float(across.max())
    sd_mm = CLICK_SD_SHARE * max(card.size_mm)
    moved, error_mm = align(
        photo.rgb_encoded, card, matrix, card.corners_mm, placing.corners_px, sd_px, sd_mm
    )
    grey = photo.grey8()
    seen: dict[int, list[np.ndarray]] = {}
    small, scale = scaled(grey, 1600)
    merge(seen, [(i, (c + 0.5) / scale - 0.5) for i, c in detect(small, card.dictionary)])
    view = make_view(photo, grey, card, moved, None, seen)
    flag = fl.CARD_BY_HAND(_detail(placing, matrix, moved))
    return replace(view, place_error_mm=error_mm, flags=(flag, *view.flags))


def _how_it_lies(photo: Photo, cards: Sequence[CardDefinition], given: np.ndarray) -> _Placing:
    """Which card, from which corner on, by the colours between the corners."""
    x, y = given.T
    doubled_area = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    # With y down, clockwise is positive. Nobody sees a card from behind.
    clockwise = given if doubled_area > 0 else np.roll(given[::-1], 1, axis=0)
    placings = []
    for card in cards:
        mm = card.corners_mm.astype(np.float32)
        for start in range(4):
            corners = np.roll(clockwise, start, axis=0)
            matrix = cv2.getPerspectiveTransform(mm, corners.astype(np.float32))
            seen = look(photo.rgb_encoded, matrix, card)
            placings.append(_Placing(card, corners, matrix, start, seen))
    best = max(placings, key=lambda p: p.look.likeness)
    said = max((p for p in placings if p.start == 0), key=lambda p: p.look.likeness)
    if said.look.likeness > best.look.likeness - CLEARLY:
        best = said
    if best.look.likeness < LIKE_BY_HAND:
        raise PhotoUnfit(
            "what lies between the four corners does not look like the card "
            f"(its colours agree to {100 * max(best.look.likeness, 0):.0f} %)",
            "colours would be read in the wrong places",
            "check that the definition is this card's, and give its outer corners in pixels of "
            "the upright photo, clockwise from the upper left of the upright card",
        )
    return best


def _detail(placing: _Placing, before: np.ndarray, after: np.ndarray) -> str:
    """What was made of the corners, for the flag."""
    parts = []
    if placing.start:
        parts.append(f"its colours show that the first one is the {_STARTS[placing.start]} one")
    card = placing.card
    corners = card.corners_mm
    away = apply_homography(np.linalg.inv(before), apply_homography(after, corners)) - corners
    far = float(np.linalg.norm(away, axis=1).max())
    if far > 0.05:
        parts.append(f"its patches moved them by up to {far:.1f} mm")
    return "; " + "; ".join(parts) if parts else ""
