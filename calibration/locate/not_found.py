"""Why the card was not found in a photo, in words."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.card.toml import builtin_cards
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.locate.markers import SEARCH_SIDES, Fit, detect, scaled
from calibration.photo.open import Photo

BY_HAND = (
    'give the card\'s four corners by hand: `card_corners` "x,y x,y x,y x,y", in pixels of the '
    "upright photo, clockwise from the card's upper left corner"
)
# The steepest steps of a picture over three pixels, against its contrast: sharp photos have 0.6 and
# more (40 rendered; 0.4 and more, 15 real ones). Shaken along the card's edges, one way keeps less
# than half of the other; out of focus, or shaken askew to them, both keep two thirds and more.
SHARP, ONE_WAY = 0.36, 0.55
SMALL_PX = 640  # long side of a photo that a messenger shrank
_WHY = "without the card there is no measure for size or colour"


def explain_no_markers(card: CardDefinition) -> WrongUsage:
    """For a definition that has no markers when no corners were given either."""
    return WrongUsage(
        f'the definition of the card "{card.name}" has no markers to look for',
        _WHY,
        BY_HAND,
    )


def explain_ambiguous(card: CardDefinition, count: int) -> PhotoUnfit:
    """For markers that do not lie as defined, and colours that do not say how."""
    return PhotoUnfit(
        f"{count} markers were found, but they do not lie as the definition of the card "
        f'"{card.name}" says, and the colours do not show how it lies',
        "a card read the wrong way round gives wrong colours",
        "correct the markers' ids and places in the definition, or " + BY_HAND,
    )


def markers_sentence(card: CardDefinition, found: set[int]) -> str:
    total = len(card.markers)
    names = _place_names(card)
    missing = [names[m.id] for m in card.markers if m.id not in found]
    where = "the " + " and the ".join(missing[:4]) + (" is" if len(missing) == 1 else " are")
    return f"{_count(len(found))} of {_count(total)} card markers found; {where} not readable"


def _sharpness(grey: np.ndarray) -> list[float]:
    """The steepest steps over three pixels across, down and along both diagonals, against the
    contrast of the picture."""
    part = grey.astype(np.int16)
    low, high = np.quantile(part[::4, ::4], (0.01, 0.99))
    ways = (part[:, 3:] - part[:, :-3], part[3:] - part[:-3],
            part[2:, 2:] - part[:-2, :-2], part[2:, :-2] - part[:-2, 2:])  # fmt: skip
    return [float(np.quantile(np.abs(step), 0.999)) / max(high - low, 1.0) for step in ways]


def _count(number: int) -> str:
    words = "none", "one", "two", "three", "four", "five", "six", "seven", "eight"
    return words[number] if number < len(words) else str(number)


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


def explain_failure(
    photo: Photo, grey: np.ndarray, cards: Sequence[CardDefinition], best: Fit | None
) -> PhotoUnfit:
    """Say which markers were seen and what probably spoils the rest."""
    mirrored = cv2.flip(scaled(grey, SEARCH_SIDES[0])[0], 1)
    ids = {m.id for c in cards for m in c.markers}
    if any(i in ids for c in cards for i, _ in detect(mirrored, c.dictionary)):
        return PhotoUnfit(
            "the photo is mirrored: the card can only be read in a mirror",
            "a mirrored photo puts original and batch the wrong way round",
            "switch off mirroring in the camera (selfie mode) and shoot again",
        )
    small, _ = scaled(grey, 800)
    mean = float(small.mean())
    burnt = float((small >= 250).mean())
    sharp = _sharpness(scaled(grey, SEARCH_SIDES[0])[0])
    if best is not None and best.chosen:
        seen = markers_sentence(best.card, set(best.chosen))
        size = np.mean([np.linalg.norm(c[0] - c[2]) / 1.414 for c in best.chosen.values()])
    else:
        seen = "no marker of the reference card was found"
        size = None
    if mean < 35:
        cause, todo = "the photo is very dark", "bring more light and shoot again"
    elif burnt > 0.5:
        cause = "most of the photo is burnt out"
        todo = "tap the white paper to darken the photo, or move out of direct light"
    elif max(grey.shape) <= SMALL_PX:
        cause = f"the photo has only {photo.width_px} x {photo.height_px} pixels"
        todo = "messengers shrink photos: send the file as the camera made it"
    elif min(sharp) < SHARP and min(sharp) < ONE_WAY * max(sharp):
        cause = "the photo is shaken: its edges are smeared one way"
        todo = "rest the phone on something, or bring more light, and shoot again"
    elif min(sharp) < SHARP:
        cause = "the photo is blurred: out of focus or shaken"
        todo = "tap the card to focus, rest the phone on something, and shoot again"
    elif size is not None and size < 14:
        cause = f"the markers are only {size:.0f} pixels wide"
        todo = "move closer, so that the card fills at least a sixth of the picture's width"
    elif size is not None:
        cause = "the others look covered, shaded, shining or outside the picture"
        todo = (
            "keep all corners of the card in view, uncovered and out of the lamp's reflection, "
            "or " + BY_HAND
        )
    else:
        cause = "the card may be missing, covered, too small or turned face down"
        own = any(card.name == c.name for card in builtin_cards() for c in cards)
        todo = (
            "lay the printed card flat beside the strips with all four corners in view"
            + (" (print one with: drawdown card card.pdf), " if own else ", ")
            + "or "
            + BY_HAND
        )
    return PhotoUnfit(f"{seen}; {cause}", _WHY, todo)
