"""Labels for packets and kept originals: which stock, and what stands where. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.card.artwork import PAPERS_MM
from calibration.errors import WrongUsage
from drawdown.report.paper.pages import (
    BLACK,
    GREY,
    LEADING,
    LIGHT,
    Field,
    Item,
    Line,
    Rgb,
    Stroke,
    broken,
    held,
    set_lines,
    shortened,
)

PLAIN_MM = (90.0, 45.0)
PLAIN_MARGIN_MM = 8.0  # home printers leave about 6 mm unprinted; common practice, no source
LEAST_MM, LARGEST_EM_MM, LEAST_EM_MM = (18.0, 9.0), 3.4, 1.6


@dataclass(frozen=True)
class Stock:
    """A sheet of labels, mm: ``first_mm`` is the first label's upper left corner, ``step_mm``
    from one label to the next; ``cut`` draws lines to cut along."""

    paper_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int
    rows: int
    first_mm: tuple[float, float]
    step_mm: tuple[float, float]
    cut: bool = False

    @property
    def count(self) -> int:
        return self.columns * self.rows

    def box_mm(self, place: int) -> tuple[float, float, float, float]:
        """The label at a place on its sheet, from 0, row by row."""
        row, column = divmod(place, self.columns)
        x = self.first_mm[0] + column * self.step_mm[0]
        y = self.first_mm[1] + row * self.step_mm[1]
        return (x, y, *self.label_mm)


# Size as it is called here -> (paper, width, height, columns, rows, gap across, gap down), mm.
STOCK: dict[str, tuple[str, float, float, int, int, float, float]] = {
    "38x21": ("a4", 38.1, 21.2, 5, 13, 2.5, 0.0),
    "48x25": ("a4", 48.5, 25.4, 4, 11, 0.0, 0.0),
    "52x30": ("a4", 52.5, 29.7, 4, 10, 0.0, 0.0),
    "63x38": ("a4", 63.5, 38.1, 3, 7, 2.54, 0.0),
    "64x34": ("a4", 64.0, 33.9, 3, 8, 2.5, 0.0),
    "70x37": ("a4", 70.0, 37.0, 3, 8, 0.0, 0.0),
    "99x38": ("a4", 99.1, 38.1, 2, 7, 2.5, 0.0),
    "99x57": ("a4", 99.1, 57.0, 2, 5, 2.5, 0.0),
    "99x68": ("a4", 99.1, 67.7, 2, 4, 2.5, 0.0),
    "105x48": ("a4", 105.0, 48.0, 2, 6, 0.0, 0.0),
    "67x25": ("letter", 66.675, 25.4, 3, 10, 3.175, 0.0),
    "102x51": ("letter", 101.6, 50.8, 2, 5, 4.7625, 0.0),
}


def stock(
    size: str | None, grid: str | None, gap: str | None, paper: str | None, cut: bool,
    shift: str | None,
) -> Stock:  # fmt: skip
    """The stock that options ask for; without a size, plain paper to cut. Raises
    ``WrongUsage`` for what does not go on the paper."""
    known = STOCK.get((size or "").lower())
    if known and not grid and not gap and paper in (None, known[0]):
        name, width, height, columns, rows, across, down = known
        page, cells, gaps = PAPERS_MM[name], (columns, rows), (across, down)
    else:
        page = PAPERS_MM[paper or (known[0] if known else "a4")]
        width, height = known[1:3] if known else _pair(size, "size", "x") if size else PLAIN_MM
        if width < LEAST_MM[0] or height < LEAST_MM[1]:
            raise WrongUsage(f"a label of {width:g} x {height:g} mm is too small",
                             f"below {LEAST_MM[0]:g} x {LEAST_MM[1]:g} mm nobody could read it",
                             "take a larger size")  # fmt: skip
        gaps = _pair(gap, "gap", ",") if gap else (0.0, 0.0)
        edge = 0.0 if size else PLAIN_MARGIN_MM
        cells = _grid(grid) if grid else _most(page, (width, height), gaps, edge)
    block = [n * side + (n - 1) * g for n, side, g in zip(cells, (width, height), gaps,
                                                         strict=True)]  # fmt: skip
    dx, dy = _pair(shift, "shift", ",", signed=True) if shift else (0.0, 0.0)
    if min(cells) < 1 or block[0] > page[0] + 0.2 or block[1] > page[1] + 0.2:
        raise WrongUsage(
            f"{cells[0]} x {cells[1]} labels of {width:g} x {height:g} mm need {block[0]:.0f} x "
            f"{block[1]:.0f} mm, and the paper is {page[0]:g} x {page[1]:g} mm",
            "they would be printed beside the paper",
            "measure a label, and count the columns and rows of a sheet",
        )
    first = ((page[0] - block[0]) / 2 + dx, (page[1] - block[1]) / 2 + dy)
    step = (width + gaps[0], height + gaps[1])
    return Stock(page, (width, height), *cells, first, step, cut or not size)


def _most(page, label, gaps, edge: float) -> tuple[int, int]:
    cells = [
        int((side - 2 * edge + g + 1e-6) // (length + g))
        for side, length, g in zip(page, label, gaps, strict=True)
    ]
    return cells[0], cells[1]


def _pair(text: str, parameter: str, sign: str, signed: bool = False) -> tuple[float, float]:
    try:
        a, b = (float(part) for part in text.lower().split(sign))
        if not (abs(a) < 2000 and abs(b) < 2000) or (not signed and min(a, b) < 0):
            raise ValueError
    except ValueError:
        raise WrongUsage(
            f"`{parameter}` {text} is not two lengths in mm",
            "labels are placed by their measures",
            f"write for example: `{parameter}` {'70x37' if sign == 'x' else '2.5,0'}"
            + (f", or one of {', '.join(STOCK)}" if parameter == "size" else ""),
        ) from None
    return a, b


def _grid(text: str) -> tuple[int, int]:
    try:
        columns, rows = (int(part) for part in text.lower().split("x"))
        if not (1 <= columns <= 50 and 1 <= rows <= 100):
            raise ValueError
    except ValueError:
        raise WrongUsage(f"`grid` {text} is not columns x rows", "it says how many labels are on "
                         "a sheet", "write for example: `grid` 3x8") from None  # fmt: skip
    return columns, rows


# What stands on a label --------------------------------------------------------------------


@dataclass(frozen=True)
class Label:
    """``rgb`` None: the colour is not known. ``mix`` each ink with its parts; ``facts`` short
    texts such as weight, day, place; ``cautions`` (long, short) for each toxic pigment."""

    name: str
    rgb: Rgb | None
    mix: tuple[str, ...]
    facts: tuple[str, ...]
    colour: str
    cautions: tuple[tuple[str, str], ...] = ()


def label_items(label: Label, box) -> list[Item]:
    """Everything on one label, within its box. Letters shrink and lines break until all fits;
    then the Lab figures go, the mix and the name are shortened, but never the caution. Raises
    ``WrongUsage`` when not even that fits."""
    x, y, width, height = box
    pad = min(2.5, 0.07 * min(width, height) + 0.6)
    side = min(height - 2 * pad, 0.26 * width)
    left = x + pad + side + 0.7 * pad
    room, tall = x + width - pad - left, height - 2 * pad
    swatch = Field((x + pad, y + pad, side, side if height < width else 0.8 * side), label.rgb,
                   crossed=label.rgb is None)  # fmt: skip
    em = LARGEST_EM_MM
    while em >= LEAST_EM_MM:
        lines = _lines(label, em, room, short=em < 1.2 * LEAST_EM_MM)
        if _tall(lines) <= tall:
            return [swatch, *set_lines(lines, left, y + pad)]
        em *= 0.96
    lines = _squeezed(label, LEAST_EM_MM, room, tall)
    return [swatch, *set_lines(lines, left, y + pad)]


def _rows(text: str, em: float, room: float, bold: bool = False, rgb: Rgb = BLACK) -> list[Line]:
    return [(line, em, bold, rgb) for line in broken(text, em, room, bold)]


def _lines(label: Label, em: float, room: float, *, short: bool) -> list[Line]:
    lines = _rows(label.name, 1.25 * em, room, True)
    for facts in (label.mix, label.facts):
        lines += _rows(_joined(facts, em, room), em, room)
    if not short:
        small = 0.85 * em
        lines += _rows(_joined(label.colour.split(", "), small, room), small, room, rgb=GREY)
    return lines + _caution_lines(label, em, room, short)


def _joined(facts: Sequence[str], em: float, room: float) -> str:
    return ", ".join(held(fact, em, room) for fact in facts if fact)


def _caution_lines(
    label: Label, em: float, room: float, short: bool, bare: bool = False
) -> list[Line]:
    if not label.cautions:
        return []
    said = "; ".join(dict.fromkeys(c[short] for c in label.cautions))
    tail = "" if bare else " See its data sheet." if short else (
        " Gloves, no dust, see its safety data sheet.")  # fmt: skip
    said = f"{said}." if tail else said
    return _rows(f"CAUTION: {said}{tail}", em, room, True)


def _squeezed(label: Label, em: float, room: float, tall: float) -> list[Line]:
    """The smallest letters, and less of everything but the caution."""
    caution = _caution_lines(label, em, room, True, bare=True)
    facts = _rows(_joined(label.facts, em, room), em, room)
    name = _rows(label.name, em, room, True)
    mix = _rows(_joined(label.mix, em, room), em, room)

    def left_for(*others: Sequence[Line]) -> int:
        used = sum(map(_tall, others))
        return int((tall - used + 1e-6) // (LEADING * em))

    facts = _cut(facts, max(1, left_for(caution, name[:1])), em, room) if facts else []
    name = _cut(name, max(1, left_for(caution, facts, mix[:2])), em, room, True)
    mix = _cut(mix, max(0, left_for(caution, facts, name)), em, room)
    lines = [*name, *mix, *facts, *caution]
    if _tall(lines) > tall + 1e-6:
        raise WrongUsage(
            f'the label "{label.name[:60]}" does not go on this size',
            "name, day and caution must be legible",
            "take a larger size",
        )
    return lines


def _cut(lines: list[Line], most: int, em: float, room: float, bold: bool = False) -> list[Line]:
    if len(lines) <= most:
        return lines
    if most == 0:
        return []
    last = " ".join(text for text, *_ in lines[most - 1 :])
    return [*lines[: most - 1], (shortened(last + " ...", em, room, bold), *lines[0][1:])]


def _tall(lines: Sequence[Line]) -> float:
    return sum(LEADING * em for _, em, *_ in lines)


# Sheets ------------------------------------------------------------------------------------


def label_pages(labels: Sequence[Label], stock: Stock, start: int = 1) -> list[list[Item]]:
    """The sheets; the first ``start`` - 1 places of the first one are left free."""
    pages: list[list[Item]] = []
    for number, label in enumerate(labels, start - 1):
        sheet, place = divmod(number, stock.count)
        if sheet == len(pages):
            pages.append(_cut_lines(stock) if stock.cut else [])
        pages[-1] += label_items(label, stock.box_mm(place))
    return pages


def _cut_lines(stock: Stock) -> list[Item]:
    """Lines along every edge, a little beyond the labels, so that a knife finds its start."""
    (x0, y0), (w, h), beyond = stock.first_mm, stock.label_mm, 3.0
    right = x0 + (stock.columns - 1) * stock.step_mm[0] + w
    low = y0 + (stock.rows - 1) * stock.step_mm[1] + h
    across = {round(x0 + c * stock.step_mm[0] + e, 3) for c in range(stock.columns) for e in (0, w)}
    down = {round(y0 + r * stock.step_mm[1] + e, 3) for r in range(stock.rows) for e in (0, h)}
    lines: list[Item] = [
        Stroke((x, y0 - beyond), (x, low + beyond), 0.1, LIGHT) for x in sorted(across)
    ]
    lines += [Stroke((x0 - beyond, y), (right + beyond, y), 0.1, LIGHT) for y in sorted(down)]
    return lines
