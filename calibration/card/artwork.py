"""The printable card as drawing primitives, exact in mm: from the page's upper left corner, x to
the right, y down; colours are 8-bit sRGB triples. Pure.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

from calibration.card.definition import CardDefinition, Marker, Patch, corners_of
from calibration.card.toml import FORMAT

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1

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
    def before(self) -> float:
        """The share of the line that lies left of ``at_mm``."""
        return {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor]

    @property
    def left_mm(self) -> float:
        return self.at_mm[0] - self.before * self.width_mm


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
        half = item.width_mm / 2  # to the sides alone, where it is upright or level
        pad = (0.0 if ys[0] == ys[1] else half, 0.0 if xs[0] == xs[1] else half)
    left, top = min(xs) - pad[0], min(ys) - pad[1]
    return (left, top, max(xs) + pad[0] - left, max(ys) + pad[1] - top)


def outline(rect_mm: Rect4, width_mm: float, rgb: Rgb, dash_mm: tuple | None = None) -> list:
    """Four strokes along the edges of a rectangle."""
    corners = [tuple(corner) for corner in corners_of(rect_mm).tolist()]
    return [Line(corners[i - 4], corners[i - 3], width_mm, rgb, dash_mm) for i in range(4)]


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
    places = ((i, bool(cell)) for i, cell in enumerate(cells))
    groups = [list(group) for cell, group in itertools.groupby(places, lambda p: p[1]) if cell]
    return [(group[0][0], len(group)) for group in groups]


TOP_MM = 14.0  # from the paper's upper edge to the card
NAME_SIZE_MM = 1.8
NAME_CLEAR_MM = 0.75  # between a patch's name and anything else
ON_SLIP = (
    "Lay flat on the sheet beside the strips, in the same even light. Show all four corners.",
    "No flash, no shine, no shadow. Keep clean, dry and in the dark. Scuffed? Print a new one.",
)
ON_FRAME = (
    "Lay flat over the strips so that they show in the window, in even light. Show all four "
    "corners.",
    "No flash, no shine, no shadow. Keep clean, dry and in the dark. Scuffed or bent? Print a new "
    "one.",
)
HOW_TO_PRINT = (
    "Before you cut",
    "1. Print at 100 % (actual size), never 'fit to page', in colour and at the best quality, on "
    "plain matt white paper.",
    "2. Lay a ruler on the printed scale: it must measure {length:g} mm. If not, print again at "
    "100 %.",
    "3. Let the print dry. Cut along the thin outer line.{window}",
    "4. Stick it on grey or white card if it curls. Do not laminate: shine spoils the reading.",
    "5. Keep it dry and out of the sun, and replace it when it is scuffed, inky or faded.",
    "Knives: a sharp blade, a steel ruler, several light strokes, fingers behind the ruler's edge.",
)
WINDOW = " Then cut out the window along its line."


def card_page(card: CardDefinition, paper: str = "a4") -> Page:
    """The card on a paper of ``PAPERS_MM``, centred near the top.

    Raises ``ValueError`` for an unknown paper or a card too large for it; patches without
    ``srgb`` cannot be drawn and raise it too.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"unknown paper {paper!r}")
    width, height = PAPERS_MM[paper]
    left = (width - card.size_mm[0]) / 2
    words = instructions(card)
    if left < 0 or TOP_MM + card.size_mm[1] + 5 + 5.2 * len(words) > height:
        raise ValueError(f"the card is too large for {paper}")
    items = [_moved(item, left, TOP_MM) for item in card_items(card)]
    y = TOP_MM + card.size_mm[1] + 12.0
    x = min(left, 20.0)
    for line in words:
        items.append(Text((x, y), 3.3, line, "start", BLACK))
        y += 5.2
    return Page(card.title, (width, height), tuple(items))


def instructions(card: CardDefinition) -> list[str]:
    """What the page says below the card."""
    length = card.scale_mm[2] if card.scale_mm else None
    window = WINDOW if card.window_mm else ""
    return [
        line.format(length=length or 0, window=window)
        for line in HOW_TO_PRINT
        if length or "{length" not in line
    ]


def card_items(card: CardDefinition) -> list[Item]:
    """Everything on the card itself, in card millimetres."""
    items: list[Item] = outline((0.0, 0.0, *card.size_mm), 0.15, GREY)
    for marker in card.markers:
        items += marker_items(marker, card.dictionary)
    for patch in card.patches:
        if patch.srgb is None:
            raise ValueError(f"patch {patch.name} has no srgb to draw it in")
        items.append(Rect(patch.rect_mm, patch.srgb))
    if card.window_mm:
        x, y, w, h = card.window_mm
        items += outline(card.window_mm, 0.15, GREY)
        items.append(Text((x + w / 2, y + h / 2), 5.0, "cut out this window", "middle", GREY))
    if card.scale_mm:
        items += scale_items(*card.scale_mm)
    if card.text_mm:
        items += _words(card, card.text_mm)
    return items + _patch_names(card, items)


def scale_items(x: float, y: float, length: float) -> list[Item]:
    """A millimetre scale that stands on the line y, figures below it."""
    items: list[Item] = [Line((x, y), (x + length, y), 0.12)]
    for mm in range(int(length) + 1):
        tick = 2.6 if mm % 10 == 0 else 1.9 if mm % 5 == 0 else 1.2
        items.append(Line((x + mm, y - tick), (x + mm, y), 0.12))
        if mm % 10 == 0:
            items.append(Text((x + mm, y + 1.75), 1.9, str(mm), "middle"))
    items.append(Text((x + length + 2.2, y + 1.75), 1.9, "mm", "start"))
    return items


def _words(card: CardDefinition, text_mm: Rect4) -> list[Item]:
    x, y, w, h = text_mm
    lines = ON_FRAME if card.window_mm else ON_SLIP
    pitch = h / (len(lines) + 1)
    size = min([2.5, 0.95 * pitch, *(w / text_width_mm(line, 1.0) for line in lines)])
    items: list[Item] = [
        Text((x + w / 2, y + (i + 0.8) * pitch), size, line, "middle")
        for i, line in enumerate(lines)
    ]
    small = min(1.8, 0.8 * size)
    colours = "as measured" if card.provenance == "measured" else "as drawn"
    label = f"{card.title} - {FORMAT} - colours {colours}"
    items.append(Text((x + w / 2, y + (len(lines) + 0.75) * pitch), small, label, "middle", GREY))
    return items


def _patch_names(card: CardDefinition, drawn: list[Item]) -> list[Text]:
    """Names beside the patches, where there is clean room for them.

    A name goes above, left of, right of or below its patch, and is left out where it would
    come nearer than ``NAME_CLEAR_MM`` to anything else: a clean neighbourhood matters more.
    """
    keep_clear = [bounds_mm(item) for item in drawn]
    for marker in card.markers:
        x, y, w, h = marker.rect_mm
        quiet = w / 6
        keep_clear.append((x - quiet, y - quiet, w + 2 * quiet, h + 2 * quiet))
    if card.window_mm:
        keep_clear.append(card.window_mm)
    names: list[Text] = []
    for patch in card.patches:
        for text in _places(patch):
            box = bounds_mm(text)
            grown = (box[0] - NAME_CLEAR_MM, box[1] - NAME_CLEAR_MM, box[2] + 2 * NAME_CLEAR_MM,
                     text.size_mm * CAP_HEIGHT + 2 * NAME_CLEAR_MM)  # fmt: skip
            inside = (
                min(grown[:2]) >= 0
                and grown[0] + grown[2] <= card.size_mm[0]
                and grown[1] + grown[3] <= card.size_mm[1]
            )
            if inside and not any(_overlap(grown, other) for other in keep_clear):
                names.append(text)
                keep_clear.append(box)
                break
    return names


def _places(patch: Patch) -> list[Text]:
    x, y, w, h = patch.rect_mm
    rise = CAP_HEIGHT * NAME_SIZE_MM
    middle, gap = y + h / 2 + rise / 2, NAME_CLEAR_MM + 0.15
    return [
        Text((x + w / 2, y - gap), NAME_SIZE_MM, patch.name, "middle", GREY),
        Text((x - gap, middle), NAME_SIZE_MM, patch.name, "end", GREY),
        Text((x + w + gap, middle), NAME_SIZE_MM, patch.name, "start", GREY),
        Text((x + w / 2, y + h + gap + rise), NAME_SIZE_MM, patch.name, "middle", GREY),
    ]


def _overlap(a: Rect4, b: Rect4) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def _moved(item: Item, dx: float, dy: float) -> Item:
    def there(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] + dx, point[1] + dy)

    if isinstance(item, Rect):
        return replace(item, rect_mm=(*there(item.rect_mm[:2]), *item.rect_mm[2:]))
    if isinstance(item, Line):
        return replace(item, start_mm=there(item.start_mm), end_mm=there(item.end_mm))
    if isinstance(item, Text):
        return replace(item, at_mm=there(item.at_mm))
    return replace(item, points_mm=tuple(there(point) for point in item.points_mm))
