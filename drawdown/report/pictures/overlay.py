"""The photo with card and strips outlined and named, so that one sees what was measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike
from PIL import Image, ImageDraw
from PIL.ImageDraw import ImageDraw as Draw

from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.report.pictures.letters import font
from drawdown.strips.strip import Strip

Rgb = tuple[int, int, int]
Place = Callable[[ArrayLike], np.ndarray]
DARK, LIGHT = (0, 0, 0), (255, 255, 255)
_SHIFT = 4  # fractional bits of cv2's coordinates
_SMALLEST_PATCH = 0.004  # share of a strip's even part below which a piece is not outlined


def mark_photo(rgb: np.ndarray, scale: float, judgement: Judgement) -> Image.Image:
    """Draw on a copy of the photo (h, w, 3) uint8; ``scale`` is its size over the original's. The
    card's patches are outlined too: one that is misplaced shows at once."""
    canvas = np.ascontiguousarray(rgb.copy())
    unit = canvas.shape[1] / 100
    view = judgement.view

    def place(points_mm: ArrayLike) -> np.ndarray:
        # Pixel centres at whole numbers, before and after scaling.
        return np.asarray((view.to_px(np.asarray(points_mm, dtype=float)) + 0.5) * scale - 0.5)

    width_mm, height_mm = view.card.size_mm
    card = place([(0, 0), (width_mm, 0), (width_mm, height_mm), (0, height_mm)])
    _outline(canvas, card, unit * 0.35)
    for patch in view.card.patches:
        x, y, wide, high = patch.rect_mm
        corners = place([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)])
        _line(canvas, corners, DARK, unit * 0.2)
        _line(canvas, corners, LIGHT, unit * 0.1)
    outlines = []
    for colour in judgement.strips:
        corners = place(colour.corners_mm)
        _even_part(canvas, colour.strip, judgement, place, unit)
        _outline(canvas, corners, unit * 0.5)
        outlines.append((colour.number, corners))
    picture = Image.fromarray(canvas)
    _name_all(picture, outlines, card, _roles(judgement), unit)
    return picture


def mark_rough(rgb: np.ndarray, scale: float, look: RoughLook) -> Image.Image:
    """The same without a card: the places of both strips, and a thin line round each cell of the
    paper that was taken."""
    canvas = np.ascontiguousarray(rgb.copy())
    unit = canvas.shape[1] / 100
    outlines = []
    for strip in look.strips:
        for cell in strip.paper_at:
            _line(canvas, _box_corners(cell, scale), DARK, unit * 0.12)
        corners = _box_corners(strip.place_px, scale)
        _outline(canvas, corners, unit * 0.5)
        outlines.append((strip.number, corners))
    picture = Image.fromarray(canvas)
    _name_all(picture, outlines, None, {1: "original", 2: "batch"}, unit)
    return picture


def _box_corners(box: tuple[int, int, int, int], scale: float) -> np.ndarray:
    x0, y0, x1, y1 = box
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    return np.asarray(np.array(corners, dtype=float) * scale - 0.5)


def _roles(judgement: Judgement) -> dict[int | None, str]:
    c = judgement.comparison
    if c is None:
        return {}
    if judgement.earlier is not None or c.original is None:
        return {c.batch: "batch"}
    return {c.original: "original", c.batch: "batch"}


def _outline(canvas: np.ndarray, corners: np.ndarray, width: float) -> None:
    """A dark line with a light one inside it: seen on any colour."""
    _line(canvas, corners, DARK, width * 2.2)
    _line(canvas, corners, LIGHT, width)


def _line(canvas: np.ndarray, points: np.ndarray, colour: Rgb, width: float) -> None:
    fixed = np.rint(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [fixed], True, colour, max(1, round(width)), cv2.LINE_AA, _SHIFT)


def _even_part(
    canvas: np.ndarray, strip: Strip, judgement: Judgement, place: Place, unit: float
) -> None:
    """A thin line round the part that was measured."""
    least = _SMALLEST_PATCH * np.count_nonzero(strip.body)
    pieces, _ = cv2.findContours(strip.body.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    for piece in pieces:
        if cv2.contourArea(piece) < least:
            continue
        smooth = cv2.approxPolyDP(piece, 0.8, True).reshape(-1, 2)
        points = place(judgement.sheet.to_mm(smooth))
        _line(canvas, points, DARK, unit * 0.28)
        _line(canvas, points, LIGHT, unit * 0.12)


# Names -----------------------------------------------------------------------------------

_COARSE_PX = 8  # grid on which room for the names is looked for
_ON_STRIP, _ON_CARD, _ON_NAME = 3.0, 1.0, 10.0  # how bad it is to cover these


@dataclass(frozen=True)
class _Tag:
    text: str
    size: float
    box: tuple[float, float, float, float]  # left, top, right, bottom
    corners: np.ndarray  # (4, 2) of what it names

    @property
    def leader(self) -> list[tuple[float, float]]:
        """From the middle of the name to the nearest place on the outline."""
        left, top, right, bottom = self.box
        start = np.array([(left + right) / 2, (top + bottom) / 2])
        ends = np.roll(self.corners, -1, axis=0)
        along = ends - self.corners
        share = ((start - self.corners) * along).sum(axis=1) / (along**2).sum(axis=1)
        near = self.corners + np.clip(share, 0, 1)[:, None] * along
        end = near[np.argmin(((near - start) ** 2).sum(axis=1))]
        return [tuple(start), tuple(end)]


def _name_all(
    picture: Image.Image,
    outlines: list[tuple[int, np.ndarray]],
    card: np.ndarray | None,
    roles: dict[int | None, str],
    unit: float,
) -> None:
    draw = ImageDraw.Draw(picture)
    taken = np.zeros((picture.height // _COARSE_PX + 1, picture.width // _COARSE_PX + 1))
    if card is not None:
        _cover(taken, card, _ON_CARD)
    for _, corners in outlines:
        _cover(taken, corners, _ON_STRIP)
    # The two that matter get the best places.
    wanted = sorted(outlines, key=lambda item: item[0] not in roles)
    names = [
        (f"{n} {roles[n]}", 3.6 * unit, corners) if n in roles else (str(n), 3.0 * unit, corners)
        for n, corners in wanted
    ]
    names += [] if card is None else [("card", 2.8 * unit, card)]
    tags = []
    for text, size, corners in names:
        tag = _find_room(draw, text, size, corners, taken, picture.size)
        left, top, right, bottom = tag.box
        box = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
        _cover(taken, box, _ON_NAME)
        tags.append(tag)
    for tag in tags:
        for colour, width in ((LIGHT, 0.8), (DARK, 0.45)):
            draw.line(tag.leader, fill=colour, width=max(2, round(width * unit)))
    for tag in tags:
        _draw_tag(draw, tag, unit)


def _cover(taken: np.ndarray, corners: np.ndarray, cost: float) -> None:
    """Add the cost of covering the inside of (4, 2) corners."""
    inside = np.zeros(taken.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(corners / _COARSE_PX).astype(np.int32)], 1)
    taken += cost * inside


def _find_room(
    draw: Draw, text: str, size: float, corners: np.ndarray, taken: np.ndarray,
    picture_size: tuple[int, int],
) -> _Tag:  # fmt: skip
    """A place for a name near an outline where it covers as little as can be."""
    left, _, right, _ = draw.textbbox((0, 0), text, font=font(size))
    pad = 0.3 * size
    width, height = right - left + 2 * pad, size * 1.1 + pad
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    tags = []
    for far in (0.4, 1.6, 3.2, 5.0):
        gap = far * size
        across = [(x0 + x1 - width) / 2, x0, x1 - width, x0 - width * 0.7, x1 - width * 0.3]
        along = [(y0 + y1 - height) / 2, y0, y1 - height]
        spots = [(x, y) for y in (y0 - gap - height, y1 + gap) for x in across]
        spots += [(x, y) for x in (x0 - gap - width, x1 + gap) for y in along]
        for order, (x, y) in enumerate(spots):
            x = min(max(x, pad), picture_size[0] - width - pad)
            y = min(max(y, pad), picture_size[1] - height - pad)
            rows = slice(int(y // _COARSE_PX), int((y + height) // _COARSE_PX) + 1)
            columns = slice(int(x // _COARSE_PX), int((x + width) // _COARSE_PX) + 1)
            tag = _Tag(text, size, (x, y, x + width, y + height), corners)
            cost = float(taken[rows, columns].mean()) + 0.004 * order + 0.06 * far
            start, end = (np.array(point) for point in tag.leader)
            cost += _crossed(taken, start, end) + 0.15 * np.hypot(*(end - start)) / size
            tags.append((cost, tag))
    return min(tags, key=lambda found: found[0])[1]


def _crossed(taken: np.ndarray, start: np.ndarray, end: np.ndarray) -> float:
    """The dearest thing on the way from a name to its outline; the outline's own rim is free."""
    points = start + np.linspace(0, 0.85, 12)[:, None] * (end - start)
    column, row = np.rint(points / _COARSE_PX).astype(int).T
    row, column = row.clip(0, taken.shape[0] - 1), column.clip(0, taken.shape[1] - 1)
    return float(taken[row, column].max())


def _draw_tag(draw: Draw, tag: _Tag, unit: float) -> None:
    left, top, right, bottom = tag.box
    draw.rounded_rectangle(
        tag.box, radius=0.3 * tag.size, fill=DARK, outline=LIGHT, width=max(1, round(0.2 * unit))
    )
    middle = ((left + right) / 2, (top + bottom) / 2)
    draw.text(middle, tag.text, LIGHT, font(tag.size), anchor="mm")
