"""Soft glare on a strip: the image of a lamp that is not burnt out and has no edge.

``strip_body`` sees hard highlights by themselves. A soft one lifts a whole strip by degrees
and passes for the ink: it is told from the film by its colour (``calibration.glare``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.glare import GlareField, find_glare
from drawdown.strip_picture import from_lab, to_lab

CELL_MM = 1.0
END_SHARE = 0.15
# When a strip counts as shining: colour distance over it, in multiples of what the film
# itself could look like, and as one smooth image. On rendered strips without glare the
# smoothness stays below 0.83.
LEAST_DE = 2.5
LEAST_SD = 3.0
LEAST_SMOOTH = 0.85
LEAST_BUMP = 0.25
# So strong and so smooth that a film hardly does it, whichever way it runs.
STRONG_DE, STRONG_SD, STRONG_SMOOTH, STRONG_TAPER_SD = 8.0, 5.0, 0.95, 1.5
# What is left must differ by less than this from its least shining place, and must be this
# much of the strip: where less is dull, nothing shows how far the glare reaches.
CLEAN_DE = 1.0
LEAST_CLEAN = 0.3
FLOOR = 0.008  # share of white below which a channel says nothing about colour distance


@dataclass(frozen=True)
class Shine:
    """``clean`` (h, w) bool: places that shine no more than the dullest ones; ``share`` 0..1
    of the strip that does shine; ``lost`` when too little is left to trust it."""

    clean: np.ndarray
    share: float
    lost: bool


def find_shine(
    rgb: np.ndarray,
    white: np.ndarray,
    ink: np.ndarray,
    paper_lab: np.ndarray,
    place_px: np.ndarray,
    px_per_mm: float,
) -> Shine | None:
    """Soft glare in a part of the sheet, or None when there is none to be seen.

    ``rgb`` (h, w, 3) linear; ``ink`` (h, w) bool, the strip without its rim; ``paper_lab`` (3,)
    of the paper beside it, as ``to_lab`` gives it; ``place_px`` (3, 2) the strip's start left,
    start right and end left corner in pixels of the part."""
    start, right, end = np.asarray(place_px, float)
    wide, long = np.linalg.norm(right - start), np.linalg.norm(end - start)
    columns = max(3, round(wide / px_per_mm / CELL_MM))
    rows = max(3, round(long / px_per_mm / CELL_MM))
    across, along = (right - start) / columns, (end - start) / rows
    to_part = np.stack([across, along, start + (across + along) / 2], axis=1)

    weight = ink.astype(np.float32)
    side = max(1, round(CELL_MM * px_per_mm))
    share = cv2.blur(weight, (side, side))
    total = cv2.blur(rgb * weight[..., None], (side, side))
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    share = cv2.warpAffine(share, to_part, (columns, rows), flags=how)
    total = cv2.warpAffine(total, to_part, (columns, rows), flags=how)
    known = share > 0.85
    ends = max(1, round(END_SHARE * rows))
    known[:ends] = known[-ends:] = False
    cells = total / np.maximum(share, 1e-6)[..., None] / white.astype(np.float32)
    found = find_glare(cells, known, from_lab(paper_lab))
    reach, steps = _colour_distance(cells, found)
    if not _is_glare(found, reach):
        return None
    dull = known & (steps <= CLEAN_DE)
    left = float(dull.sum()) / max(int(known.sum()), 1)
    back = cv2.warpAffine(dull.astype(np.float32), to_part, ink.shape[::-1], flags=cv2.INTER_LINEAR)
    return Shine(back > 0.5, 1 - left, left < LEAST_CLEAN)


def _is_glare(found: GlareField, reach_de: float) -> bool:
    """Could it not be film, nor light that falls off?"""
    sure = found.span / found.sd
    strong = reach_de >= STRONG_DE and sure >= STRONG_SD and found.smoothness >= STRONG_SMOOTH
    if strong and found.beyond_taper >= STRONG_TAPER_SD:
        return True
    if reach_de < LEAST_DE or sure < LEAST_SD or found.smoothness < LEAST_SMOOTH:
        return False
    return found.bump >= LEAST_BUMP or found.beyond_taper >= LEAST_SD


def _colour_distance(cells: np.ndarray, found: GlareField) -> tuple[float, np.ndarray]:
    """What the glare does to the colour of this ink: over its span, and (h, w) everywhere."""
    known = found.known
    if not known.any():
        return 0.0, np.zeros(known.shape, np.float32)
    dullest = known & (found.level <= np.quantile(found.level[known], 0.25))
    ink = np.maximum(np.median(cells[dullest], axis=0), FLOOR).astype(np.float32)
    spans = np.linspace(0.0, max(found.span, 1e-6), 33, dtype=np.float32)
    lab = to_lab((ink + spans[:, None])[None], np.ones(3))[0]
    off = np.linalg.norm(lab - lab[0], axis=1)
    return float(off[-1]), np.interp(found.level, spans, off).astype(np.float32)
