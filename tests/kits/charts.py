"""Charts as strangers define them, for tests: 24 fields in landscape or portrait, markers of
any dictionary at the places a maker might choose, and plain photographs of them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import synthetic

from calibration.card.definition import CardDefinition, Marker, Patch
from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz
from calibration.locate.find_card import locate
from calibration.photo.open import open_photo

SIDE, GAP, RIM = 12.0, 2.0, 16.0
# Where a maker puts the first marker, the second, ...: shares of the free width and height.
PLACES = [(0, 0), (1, 1), (1, 0), (0, 1), (0.5, 0), (0.5, 1), (0, 0.5), (1, 0.5)]
MARGIN = 14.0


def colours(count: int = 24, seed: int = 5) -> np.ndarray:
    """(n, 3) Lab of a made-up chart: six greys in the last row, the rest all round."""
    rng = np.random.default_rng(seed)
    greys = [(96, 0, 1), (81, 0, 0), (66, 0, 0), (51, 0, 0), (36, 0, 0), (21, 0, 0)]
    hue = rng.permutation(count - 6) * 2 * np.pi / (count - 6)
    chroma, light = rng.uniform(20, 45, count - 6), rng.uniform(30, 80, count - 6)
    lab = np.stack([light, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    return np.concatenate([lab, greys])


def rgb_of(lab: np.ndarray) -> np.ndarray:
    """(n, 3) linear sRGB of Lab D50."""
    rgb = lab_to_xyz(lab) @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    return np.clip(rgb, 0.002, 1.0)


def chart(
    lab: np.ndarray,
    *,
    columns: int = 6,
    ids: tuple[int, ...] = (9, 2, 17, 5),
    dictionary: str = "DICT_5X5_100",
    places: list[tuple[float, float]] | None = None,
    sizes: tuple[float, ...] = (12.0,),
    gap: float = GAP,
) -> CardDefinition:
    """A definition: fields row by row, one marker for each of ``ids`` in the rim."""
    rows = -(-len(lab) // columns)
    pitch = SIDE + gap
    width = 2 * RIM + columns * pitch - gap
    height = 2 * RIM + rows * pitch - gap
    patches = []
    for k, value in enumerate(lab):
        row, column = divmod(k, columns)
        neutral = np.hypot(value[1], value[2]) < 6
        role = "white" if value[0] > 90 and neutral else "grey" if neutral else "colour"
        rect = (RIM + pitch * column, RIM + pitch * row, SIDE, SIDE)
        patches.append(Patch(f"p{k + 1}", rect, tuple(map(float, value)), (0.3,) * 3, role))
    markers = []
    for k, (id_, (u, v)) in enumerate(zip(ids, places or PLACES, strict=False)):
        size = sizes[k % len(sizes)]
        spot = (2 + u * (width - 4 - size), 2 + v * (height - 4 - size))
        markers.append(Marker(id_, (*spot, size, size)))
    return CardDefinition(
        "chart", "chart", (width, height), dictionary, tuple(markers), tuple(patches),
        "measured", "made up for tests",
    )  # fmt: skip


def extent_of(card: CardDefinition, below: float = MARGIN) -> tuple[float, float, float, float]:
    return (-MARGIN, -MARGIN, card.size_mm[0] + MARGIN, card.size_mm[1] + below)


def view_of(card, size, *, turn=0, share=0.8, tilt=0.06, seed=3, below=MARGIN) -> np.ndarray:
    """(3, 3) card mm -> px: the sheet turned by ``turn`` degrees, fitted into the photo, seen a
    little from the side."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = extent_of(card, below)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    middle = corners.mean(axis=0)
    angle = np.radians(turn)
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned = (corners - middle) @ spin.T
    scale = share * min(np.array(size) / np.ptp(turned, axis=0))
    px = turned * scale + np.array(size) / 2
    px += tilt * scale * min(x1 - x0, y1 - y0) * rng.uniform(-0.5, 0.5, (4, 2))
    return synthetic.view_matrix((x0, y0, x1, y1), size, px)


def bend(linear: np.ndarray, strength: float) -> np.ndarray:
    """Barrel distortion: a point at the picture's corner moves by ``strength`` of its radius
    (one radial term, as in OpenCV's camera model)."""
    height, width = linear.shape[:2]
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    u, v = x - width / 2, y - height / 2
    grow = 1 + strength * (u * u + v * v) / ((width / 2) ** 2 + (height / 2) ** 2)
    return cv2.remap(linear, width / 2 + u * grow, height / 2 + v * grow, cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip


def shot(
    path: Path, card: CardDefinition, matrix: np.ndarray, size: tuple[int, int], *,
    drawn: CardDefinition | None = None, rgb: np.ndarray | None = None, fields=(), change=None,
    below: float = MARGIN, lens: float = 0.0, **save,
) -> Path:  # fmt: skip
    """A photo file of the card; ``drawn`` is what is really printed, if not as defined."""
    real = drawn or card
    rgb = 0.8 * rgb_of(real.lab_d50) if rgb is None else rgb
    extent = extent_of(card, below)
    flat = synthetic.draw_flat(real, rgb, list(fields), extent, np.full(3, 0.7, np.float32))
    if change is not None:
        change(flat, lambda mm: np.round((np.asarray(mm) + MARGIN) * synthetic.SCALE).astype(int))
    linear = synthetic.photograph(flat, extent, matrix, size)
    return synthetic.save(path, bend(linear, lens) if lens else linear, **save)


def cover(marker: Marker):
    """A change for ``shot``: lay something grey on a marker."""

    def change(flat, px):
        x, y, w, h = marker.rect_mm
        a, b = px((x - 1, y - 1)), px((x + w + 1, y + h + 1))
        flat[a[1] : b[1], a[0] : b[0]] = 0.3

    return change


def backing(card: CardDefinition, level: float):
    """A change for ``shot``: the board between the fields is dark; markers keep a white rim."""

    def change(flat, px):
        a, b = px((0, 0)), px(card.size_mm)
        board = np.zeros(flat.shape[:2], bool)
        board[a[1] : b[1], a[0] : b[0]] = True
        for rect, rim in [(p.rect_mm, 0) for p in card.patches] + [
            (m.rect_mm, 1.5) for m in card.markers
        ]:
            x, y, w, h = rect
            a, b = px((x - rim, y - rim)), px((x + w + rim, y + h + rim))
            board[a[1] : b[1], a[0] : b[0]] = False
        flat[board] = level

    return change


def card_corners_px(card: CardDefinition, matrix: np.ndarray) -> np.ndarray:
    width, height = card.size_mm
    mm = np.array([[(0, 0), (width, 0), (width, height), (0, height)]], float)
    return cv2.perspectiveTransform(mm, matrix)[0]


def patch_miss(view, matrix: np.ndarray) -> float:
    """Worst distance of a patch's centre from where it truly is, in shares of its side (a
    photo without lens error)."""
    rects = view.card.rects_mm
    centres = rects[:, :2] + rects[:, 2:] / 2
    true = cv2.perspectiveTransform(centres[None], matrix)[0]
    away = np.linalg.norm(view.to_px(centres) - true, axis=1) / view.pixels_per_mm
    return float((away / rects[:, 2:].min(axis=1)).max())


SIZE = (1000, 800)


def seen(tmp_path, card, matrix, **drawn):
    return locate(photo_of(tmp_path, card, matrix, **drawn), (card,))


def codes(view) -> list[str]:
    return [flag.code for flag in view.flags]


def photo_of(tmp_path, card, matrix, **drawn):
    return open_photo(shot(tmp_path / "photo.jpg", card, matrix, SIZE, quality=95, **drawn))
