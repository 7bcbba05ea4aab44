"""Drawings exact in millimetres: what the printable card and the test sheet are made of.

A ``Page`` is a paper size and a list of drawing primitives; calibration/artwork_card.py
builds the card's, drawdown/testsheet.py the test sheet's, and calibration/artwork_render.py
turns a page into PDF, SVG or PNG. Everything here is pure.

Coordinates are millimetres from the page's upper left corner, x to the right, y down.
Colours are 8-bit sRGB triples.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.card import Marker

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1
MARGIN_MM = 6.0  # home printers leave about this much unprinted; common practice, no source

Rgb = tuple[int, int, int]
Rect4 = tuple[float, float, float, float]
BLACK: Rgb = (0, 0, 0)
GREY: Rgb = (110, 110, 110)
LIGHT: Rgb = (190, 190, 190)
WHITE: Rgb = (255, 255, 255)

# Advance widths of Helvetica in 1/1000 em, from space (32) to tilde (126), as in Adobe's
# font metrics; a test compares them with reportlab's. Text is laid out with these in all
# three formats, so that nothing here has to load a PDF library.
_HELVETICA = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722,
    722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722,
    667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556,
    556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500,
    500, 334, 260, 334, 584,
)  # fmt: skip
CAP_HEIGHT = 0.718  # of the em: height of capitals and figures
ASCENT, DESCENT = 0.76, 0.22  # what no letter exceeds, the PNG's font (a little taller) included


@dataclass(frozen=True)
class Rect:
    """A filled rectangle (x, y, width, height) without outline."""

    rect_mm: Rect4
    rgb: Rgb


@dataclass(frozen=True)
class Line:
    """A straight stroke with square-cut ends; ``dash_mm`` is (on, off) or None."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float
    rgb: Rgb = BLACK
    dash_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class Polygon:
    """A filled polygon without outline."""

    points_mm: tuple[tuple[float, float], ...]
    rgb: Rgb


@dataclass(frozen=True)
class Text:
    """One line of Helvetica. ``at_mm`` is on the baseline; ``anchor`` says whether it is
    the "start", "middle" or "end" of the line; ``size_mm`` is the em."""

    at_mm: tuple[float, float]
    size_mm: float
    text: str
    anchor: str = "start"
    rgb: Rgb = BLACK

    @property
    def width_mm(self) -> float:
        return text_width_mm(self.text, self.size_mm)

    @property
    def left_mm(self) -> float:
        return self.at_mm[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor] * (
            self.width_mm
        )


Item = Rect | Line | Polygon | Text


@dataclass(frozen=True)
class Page:
    """A sheet of paper and what is drawn on it, in drawing order."""

    title: str
    size_mm: tuple[float, float]
    items: tuple[Item, ...]


def text_width_mm(text: str, size_mm: float) -> float:
    """Width of a line of Helvetica; ASCII only, because the PNG's built-in font holds
    little else (``ValueError`` otherwise)."""
    if not all(32 <= ord(c) <= 126 for c in text):
        raise ValueError(f"only ASCII can be drawn: {text!r}")
    return sum(_HELVETICA[ord(c) - 32] for c in text) * size_mm / 1000.0


def bounds_mm(item: Item) -> Rect4:
    """The smallest upright rectangle (x, y, width, height) that holds an item."""
    if isinstance(item, Rect):
        return item.rect_mm
    if isinstance(item, Text):
        top = item.at_mm[1] - ASCENT * item.size_mm
        return (item.left_mm, top, item.width_mm, (ASCENT + DESCENT) * item.size_mm)
    if isinstance(item, Polygon):
        (xs, ys), pad = zip(*item.points_mm, strict=True), (0.0, 0.0)
    else:
        (xs, ys) = zip(item.start_mm, item.end_mm, strict=True)
        half = item.width_mm / 2
        pad = (half if xs[0] == xs[1] else 0.0, half if ys[0] == ys[1] else 0.0)
        if xs[0] != xs[1] and ys[0] != ys[1]:
            pad = (half, half)
    left, top = min(xs) - pad[0], min(ys) - pad[1]
    return (left, top, max(xs) + pad[0] - left, max(ys) + pad[1] - top)


def outline(rect_mm: Rect4, width_mm: float, rgb: Rgb, dash_mm: tuple | None = None) -> list:
    """Four strokes along the edges of a rectangle."""
    x, y, w, h = rect_mm
    corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
    return [Line(corners[i], corners[(i + 1) % 4], width_mm, rgb, dash_mm) for i in range(4)]


def marker_items(marker: Marker, dictionary: str) -> list[Rect]:
    """The black square of an ArUco marker and its white cells."""
    import cv2

    table = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    side = table.markerSize + 2  # the border is one cell wide
    cells = cv2.aruco.generateImageMarker(table, marker.id, side, borderBits=1) > 127
    x, y, w, h = marker.rect_mm
    items = [Rect(marker.rect_mm, BLACK)]

    def white(row: int, column: int, rows: int, columns: int) -> Rect:
        left, top = x + column * w / side, y + row * h / side
        return Rect((left, top, columns * w / side, rows * h / side), WHITE)

    # Runs along rows and then runs down columns: together they cover the seams between
    # white cells, where a smoothing viewer would otherwise show hairlines.
    items += [white(r, c, 1, n) for r in range(side) for c, n in _runs(cells[r])]
    items += [white(r, c, n, 1) for c in range(side) for r, n in _runs(cells[:, c]) if n > 1]
    return items


def _runs(cells) -> list[tuple[int, int]]:
    """(start, length) of each run of True."""
    runs, start = [], None
    for i, cell in enumerate([*cells, False]):
        if cell and start is None:
            start = i
        elif not cell and start is not None:
            runs.append((start, i - start))
            start = None
    return runs
