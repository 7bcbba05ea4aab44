"""Markers in a grey picture, and from them the card's place, also when ids or turns are not as
defined: README.md.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from calibration.card.definition import CardDefinition
from calibration.locate.geometry import apply_homography, is_in_front
from calibration.locate.patch_align import NOTHING, Look, look

# Long side in pixels of the reduced pictures that are searched, in turn.
SEARCH_SIDES = (1600, 2800, 6000)
# A small picture is searched once more enlarged: markers of few pixels per cell.
ENLARGED, ENLARGE_BELOW = 1.5, 3300
LARGEST_SIDE = 8400  # px; the search needs ten times the memory of the picture it is made in


def detect(grey: np.ndarray, dictionary: str) -> list[tuple[int, np.ndarray]]:
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


def variants(grey: np.ndarray) -> Iterator[np.ndarray]:
    """The picture as it is, then with local contrast raised (shade, weak light)."""
    yield grey
    yield cv2.createCLAHE(3.0, (8, 8)).apply(grey)


def scaled(grey: np.ndarray, side: int) -> tuple[np.ndarray, float]:
    """The picture with about this long side, and its scale."""
    long_side = max(grey.shape)
    factor = side / long_side
    if 0.85 <= factor <= 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return cv2.resize(grey, size, interpolation=how), size[0] / grey.shape[1]


def sides(long_side: int) -> list[int]:
    """The long sides at which a picture is searched, in turn."""
    out = [side for side in SEARCH_SIDES if side < 0.85 * long_side]
    if long_side <= LARGEST_SIDE:
        out.append(long_side)
    if long_side < ENLARGE_BELOW:
        out.append(round(ENLARGED * long_side))
    return [side for side in out if side <= max(SEARCH_SIDES[-1], long_side * ENLARGED)]


def refine(grey: np.ndarray, corners: np.ndarray, reach_px: float) -> np.ndarray:
    """Corners refined at full resolution, searched within ``reach_px``."""
    window = int(np.clip(reach_px, 2, 12))
    points = corners.reshape(-1, 1, 2).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    refined = cv2.cornerSubPix(grey, points.copy(), (window, window), (-1, -1), stop)
    moved = np.linalg.norm(refined - points, axis=2) > window
    refined[moved] = points[moved]
    return refined.reshape(corners.shape)


def merge(seen: dict[int, list[np.ndarray]], found: list[tuple[int, np.ndarray]]) -> None:
    """Add markers that were not already seen at the same place."""
    for number, corners in found:
        places = seen.setdefault(number, [])
        centre = corners.mean(axis=0)
        size = np.linalg.norm(corners[0] - corners[2])
        if all(np.linalg.norm(p.mean(axis=0) - centre) > 0.5 * size for p in places):
            places.append(corners)


Seen = dict[int, list[np.ndarray]]  # id -> corners (4, 2) in px, one for each time it is seen
LIKE = 0.6  # colours that correlate so well are the card's
CLEARLY = 0.08  # and by so much more than under another placement
_MOST_SIGHTED_PAIRS = 400
_MOST_STRANGERS = 10


@dataclass(frozen=True, eq=False)
class Fit:
    """``chosen``: the definition's id of a place -> corners (4, 2) seen there, in the
    definition's order; ``matrix`` (3, 3) card mm -> px; ``miss_px`` root mean square miss of
    the corners; ``renamed``: the ids sit at other places than the definition says; ``twice``:
    a second complete copy of the card is in view."""

    card: CardDefinition
    chosen: dict[int, np.ndarray]
    matrix: np.ndarray
    miss_px: float
    look: Look = NOTHING
    renamed: bool = False
    twice: bool = False
    used: tuple[tuple[int, int], ...] = field(default=())  # (id, which of its sightings)

    @property
    def anchors(self) -> tuple[np.ndarray, np.ndarray]:
        """Corners of the markers used: (k, 2) in card mm and (k, 2) in px."""
        place = {m.id: m.corners_mm for m in self.card.markers}
        return (
            np.concatenate([place[i] for i in self.chosen]),
            np.concatenate(list(self.chosen.values())),
        )

    @property
    def is_fair(self) -> bool:
        """Whether two markers or more lie to each other as defined, but for a lens or a curl."""
        return len(self.chosen) >= 2 and self.miss_px <= 0.12 * self.marker_px + 1.0

    @property
    def marker_px(self) -> float:
        """Mean side of the markers in the photo."""
        return float(np.mean([_size(c) for c in self.chosen.values()]))


def _size(corners: np.ndarray) -> float:
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())


def _solve(card: CardDefinition, chosen: dict[int, np.ndarray]) -> Fit | None:
    """Homography of the chosen markers; the worst one is left out as long as it misfits."""
    chosen = dict(chosen)
    place = {m.id: m.corners_mm for m in card.markers}
    while True:
        mm = np.concatenate([place[i] for i in chosen])
        px = np.concatenate(list(chosen.values()))
        matrix, _ = cv2.findHomography(mm, px, 0)
        if matrix is None:
            return None
        misses = np.linalg.norm(apply_homography(matrix, mm) - px, axis=1)
        per_marker = misses.reshape(-1, 4).max(axis=1)
        limits = np.array([max(2.0, 0.17 * _size(c)) for c in chosen.values()])
        # A false or badly refined marker pulls the fit.
        if len(chosen) > 2 and np.any(per_marker > limits):
            del chosen[list(chosen)[int((per_marker / limits).argmax())]]
            continue
        return Fit(card, chosen, matrix / matrix[2, 2], float(np.sqrt(np.mean(misses**2))))


def _worth(fit: Fit) -> tuple[int, int, float]:
    """Most markers, then a clean fit, then the larger copy."""
    return len(fit.chosen), -int(20 * fit.miss_px / fit.marker_px), fit.marker_px


def fit_as_defined(card: CardDefinition, seen: Seen) -> Fit | None:
    """The best homography with every marker where the definition says."""
    here = {m.id: seen[m.id] for m in card.markers if m.id in seen}
    if not here:
        return None
    plain = _solve(card, {i: places[0] for i, places in here.items()})
    if plain is not None and len(plain.chosen) == len(here):
        plain = replace(plain, used=tuple((i, 0) for i in plain.chosen))
        if all(len(places) == 1 for places in here.values()):
            return plain
    fits = [*_from_pairs(card, here), *([plain] if plain is not None else [])]
    best = max(fits, key=_worth)
    others = [
        f
        for f in fits
        if f.used and not set(f.used) & set(best.used) and len(f.chosen) == len(best.chosen) > 1
    ]
    return replace(best, twice=bool(others))


def _from_pairs(card: CardDefinition, here: Seen) -> list[Fit]:
    """Fits that start from two sightings and take in the others that agree: one for each copy
    of the card in view, and proof against a false marker."""
    place = {m.id: m.corners_mm for m in card.markers}
    sightings = [(i, k) for i, places in here.items() for k in range(len(places))]
    pairs = (p for p in itertools.combinations(sightings, 2) if p[0][0] != p[1][0])
    fits: dict[tuple[tuple[int, int], ...], Fit] = {}
    for pair in itertools.islice(pairs, _MOST_SIGHTED_PAIRS):
        mm = np.concatenate([place[i] for i, _ in pair])
        px = np.concatenate([here[i][k] for i, k in pair])
        matrix, _ = cv2.findHomography(mm, px, 0)
        if matrix is None or not is_in_front(matrix, mm):
            continue
        if np.linalg.norm(apply_homography(matrix, mm) - px, axis=1).max() > 0.17 * _size(px[:4]):
            continue
        used = []
        for i, places in here.items():
            expected = apply_homography(matrix, place[i])
            away = [np.linalg.norm(c.mean(axis=0) - expected.mean(axis=0)) for c in places]
            k = int(np.argmin(away))
            if away[k] < 0.8 * _size(places[k]):
                used.append((i, k))
        key = tuple(used)
        if len(used) < 2 or key in fits:
            continue
        fit = _solve(card, {i: here[i][k] for i, k in used})
        if fit is not None:
            fits[key] = replace(fit, used=tuple(u for u in used if u[0] in fit.chosen))
    return list(fits.values())


def fits_renamed(card: CardDefinition, seen: Seen) -> list[Fit]:
    """Fits of the seen markers, whatever their ids and turns, to the definition's places."""
    ids = {m.id for m in card.markers}
    known = [(i, places[0]) for i, places in seen.items() if i in ids]
    fits = _renamed(card, known)
    if max((len(f.chosen) for f in fits), default=0) < min(3, len(ids)):
        strangers = [(i, places[0]) for i, places in seen.items() if i not in ids]
        strangers.sort(key=lambda pair: -_size(pair[1]))
        if strangers:
            fits += _renamed(card, known + strangers[: _MOST_STRANGERS - len(known)])
    return fits


def _renamed(card: CardDefinition, found: Sequence[tuple[int, np.ndarray]]) -> list[Fit]:
    places = [(m.id, m.corners_mm) for m in card.markers]
    if len(found) < 2 or len(places) < 2:
        return []
    by_distance = sorted(
        itertools.combinations(range(len(found)), 2),
        key=lambda ab: -np.linalg.norm(found[ab[0]][1].mean(0) - found[ab[1]][1].mean(0)),
    )
    fits: dict[tuple[tuple[int, int], ...], Fit] = {}
    for a, b in by_distance[:4]:
        for p, q in itertools.permutations(range(len(places)), 2):
            matrix = _from_two(places[p][1], places[q][1], found[a][1], found[b][1])
            if matrix is None:
                continue
            pairs = _assigned(matrix, places, found)
            key = tuple(pairs.items())
            if len(pairs) < 2 or key in fits:
                continue
            chosen = {
                places[k][0]: _turned(apply_homography(matrix, places[k][1]), found[n][1])
                for k, n in pairs.items()
            }
            fit = _solve(card, chosen)
            if fit is None or fit.miss_px > 0.08 * fit.marker_px:
                continue
            if not is_in_front(fit.matrix, fit.anchors[0]):
                continue
            renamed = any(places[k][0] != found[n][0] for k, n in pairs.items())
            fits[key] = replace(fit, renamed=renamed)
        most = max((len(f.chosen) for f in fits.values()), default=0)
        if most == min(len(found), len(places)):
            break
    return list(fits.values())


def _turned(expected: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """The corners in the cyclic order that is nearest to what is expected."""
    turns = [np.roll(corners, k, axis=0) for k in range(4)]
    a = expected - expected.mean(axis=0)
    return min(turns, key=lambda c: float(np.linalg.norm(c - c.mean(axis=0) - a)))


def _from_two(
    mm_1: np.ndarray, mm_2: np.ndarray, px_1: np.ndarray, px_2: np.ndarray
) -> np.ndarray | None:
    """Homography that brings two places to two sightings, whatever their turns."""

    def as_complex(points: np.ndarray) -> np.ndarray:
        return points[..., 0] + 1j * points[..., 1]

    a, b, c, d = (as_complex(points.mean(axis=0)) for points in (mm_1, mm_2, px_1, px_2))
    turn = (d - c) / (b - a)
    expected = []
    for mm, px in ((mm_1, px_1), (mm_2, px_2)):
        ratio = _size(px) / (_size(mm) * abs(turn))
        if not 0.45 < ratio < 2.2:
            return None
        z = (as_complex(mm) - as_complex(mm.mean(axis=0))) * turn
        expected.append(np.stack([z.real, z.imag], axis=-1))
    mm = np.concatenate([mm_1, mm_2])
    px = np.concatenate([_turned(expected[0], px_1), _turned(expected[1], px_2)])
    matrix, _ = cv2.findHomography(mm, px, 0)
    return None if matrix is None or not is_in_front(matrix, mm) else matrix


def _assigned(
    matrix: np.ndarray,
    places: Sequence[tuple[int, np.ndarray]],
    found: Sequence[tuple[int, np.ndarray]],
) -> dict[int, int]:
    """Which sighting lies at which place: index of the place -> index of the sighting."""
    out: dict[int, int] = {}
    centres = np.array([corners.mean(axis=0) for _, corners in found])
    for k, (_, mm) in enumerate(places):
        expected = apply_homography(matrix, mm)
        away = np.linalg.norm(centres - expected.mean(axis=0), axis=1)
        n = int(away.argmin())
        size = _size(found[n][1])
        if n not in out.values() and away[n] < 0.8 * size and 0.5 < size / _size(expected) < 2:
            out[k] = n
    return out


def with_look(fit: Fit, rgb_encoded: np.ndarray) -> Fit:
    """The fit with how its patches look in the photo (h, w, 3)."""
    return replace(fit, look=look(rgb_encoded, fit.matrix, fit.card))


def choose_renamed(
    card: CardDefinition, seen: Seen, rgb_encoded: np.ndarray, defined: Fit | None
) -> tuple[Fit | None, bool]:
    """Between the markers as defined and renamed: what the patches' colours say, and whether
    another fit explains the photo nearly as well."""
    fits = [with_look(f, rgb_encoded) for f in fits_renamed(card, seen)]
    most = max((len(f.chosen) for f in fits), default=0)
    fits = [f for f in fits if len(f.chosen) >= max(2, most - 1)]
    fair = defined is not None and defined.is_fair
    if not fits:
        return defined, defined is not None and len(defined.chosen) >= 2 and not fair
    # The ids as defined are right more often than not.
    fits.sort(key=lambda f: -(f.look.likeness + 0.03 * (not f.renamed)))
    best = fits[0]
    if defined is not None and fair:
        # More markers explained is reason enough, if the colours do not speak against it.
        gain = -CLEARLY / 2 if len(best.chosen) > len(defined.chosen) else CLEARLY
        if best.look.likeness < defined.look.likeness + gain:
            return defined, False
    alike = [f for f in fits[1:] if not _same_place(f, best)]
    near = alike[0].look.likeness if alike else -1.0
    if best.look.likeness < LIKE or best.look.likeness < near + CLEARLY / 2:
        return defined, not fair
    return best, False


def _same_place(one: Fit, two: Fit) -> bool:
    corners = one.card.corners_mm
    away = apply_homography(one.matrix, corners) - apply_homography(two.matrix, corners)
    return float(np.abs(away).max()) < one.marker_px
