"""What pictures are drawn on: a page that grows downwards."""

from __future__ import annotations

import math
from collections.abc import Iterable

from PIL import Image, ImageDraw

from drawdown.report.pictures.letters import broken, fitting, font, plain
from drawdown.report.text.terminal import swatch_rgb

Box = tuple[float, float, float, float]  # x0, y0, x1, y1
Points = Iterable[tuple[float, float]]
PAGE_PX, WIDE_PAGE_PX, PHONE_PX = 1280, 2400, 1200
PAPER, INK, QUIET, FAINT = (246, 246, 246), (20, 20, 20), (80, 80, 80), (150, 150, 150)
Span = tuple[float, float]


def round_values(low: float, high: float, least: float) -> list[float]:
    """The round values from ``low`` up to ``high``, apart by the smallest 1, 2 or 5 times a
    power of ten that is no less than ``least``."""
    power = 10.0 ** math.floor(math.log10(max(least, 1e-6)))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= least)
    first = math.ceil(low / step)
    return [(first + k) * step for k in range(math.ceil(high / step - first))]


def on_top(lab_d50) -> tuple[int, int, int]:
    """Black or white, whichever reads better on this colour."""
    return (255, 255, 255) if lab_d50[0] < 55 else (0, 0, 0)


class Page:
    """A sheet that is written from the top and cut to length at the end.

    Places and sizes are in units: hundredths of its width, or ``unit_px`` pixels each. ``y`` is
    where the next line goes."""

    def __init__(
        self, width_px: int, tallest: float = 400, paper=PAPER, unit_px: float | None = None
    ) -> None:
        self.width = width_px
        self.unit = width_px / 100 if unit_px is None else unit_px
        self.sheet = Image.new("RGB", (width_px, round(tallest * self.unit)), paper)
        self.draw = ImageDraw.Draw(self.sheet)
        self.y = 0.0

    def px(self, *units: float) -> tuple[int, ...]:
        return tuple(round(u * self.unit) for u in units)

    # Words

    def line(self, text: str, size: float, x: float = 3, room: float = 94, fill=INK, bold=0.0):
        """Text of one size, broken to fit; moves on, not at all without any."""
        for part in broken(self.draw, text, size * self.unit, room * self.unit) if text else ():
            self.put(part, size, x, self.y, fill, bold)
            self.y += size * 1.3

    def put(
        self, text: str, size: float, x: float, y: float, fill=INK, bold=0.0, anchor="la",
        room: float | None = None,
    ) -> None:  # fmt: skip
        """One line at x, y, smaller where it would be wider than ``room``."""
        if room is not None:
            size = self.fitted(text, size, room)
        stroke = round(bold * self.unit)
        at, text = (round(x * self.unit), round(y * self.unit)), plain(text)
        self.draw.text(
            at, text, fill, font(size * self.unit, text), anchor=anchor,
            stroke_width=stroke, stroke_fill=fill,
        )  # fmt: skip

    def fitted(self, text: str, size: float, room: float) -> float:
        """The size, or the smaller one, at which the text is no wider than ``room``."""
        return fitting(self.draw, text, size * self.unit, room * self.unit) / self.unit

    def title(self, text: str) -> None:
        """The heading of the whole page."""
        self.y = 3
        self.line(text, 5.5, bold=0.12)

    # Fields and signs

    def field(self, box: Box, lab_d50, edge=None, wide: int = 1) -> None:
        """A field of colour."""
        self.box(box, swatch_rgb(lab_d50), edge, wide)

    def box(self, box: Box, fill=None, edge=None, wide: int = 2) -> None:
        self.draw.rectangle(self.px(*box), fill=fill, outline=edge, width=wide)

    def stroke(self, points: Points, wide: float, fill=INK) -> None:
        self.draw.line(self._floats(points), fill, round(wide * self.unit))

    def shape(self, points: Points, wide: float, fill="white") -> None:
        """A white shape with a dark edge: the mark of a value."""
        self.draw.polygon(self._floats(points), fill, INK, round(wide * self.unit))

    def dot(self, x: float, y: float, across: float, down: float, fill=None, edge=INK) -> None:
        """An ellipse about a place, by its half axes."""
        box = self._floats([(x - across, y - down), (x + across, y + down)])
        self.draw.ellipse(box, fill, edge, 1 if fill is None else 2)

    def cross(self, box: Box, fill) -> None:
        """An x over a field: what should be seen here is lost."""
        x0, y0, x1, y1 = self.px(*box)
        wide = max(2, round(0.09 * (x1 - x0)))
        self.draw.line((x0, y0, x1, y1), fill=fill, width=wide)
        self.draw.line((x0, y1, x1, y0), fill=fill, width=wide)

    def hatch(self, box: Box, fill, lines: int = 4) -> None:
        """Slanting lines in the lower right corner of a field: something shows through."""
        _, _, x1, y1 = self.px(*box)
        side = min(self.px(box[2] - box[0])[0], self.px(box[3] - box[1])[0])
        wide = max(1, round(side * 0.025))
        for i in range(1, lines + 1):
            reach = round(side * 0.4 * i / lines)
            self.draw.line((x1 - reach, y1 - 1, x1 - 1, y1 - reach), fill=fill, width=wide)

    def _floats(self, points: Points) -> list[tuple[float, float]]:
        return [(x * self.unit, y * self.unit) for x, y in points]

    # The end

    def end(self, notes: Iterable[str], size: float = 2.5) -> Image.Image:
        """The notes in small letters, and the picture, cut to length."""
        for note in notes:
            self.line(note, size, fill=QUIET)
            self.y += 0.4
        return self.cut()

    def cut(self) -> Image.Image:
        """The picture with a margin below its last line."""
        return self.sheet.crop((0, 0, self.width, round((self.y + 2) * self.unit)))


class Plot:
    """A frame on a page, with round values at its left, and below it where values run ``across``.
    What lies beyond the values it spans is put at its edge."""

    def __init__(
        self, page: Page, box: Box, up: Span, across: Span = (0.0, 1.0), size: float = 20
    ) -> None:
        self.page, self.box, self.up, self.across = page, box, up, across
        page.box(box, edge=FAINT)
        x0, _, _, y1 = box
        for value, y in ((value, self.y(value)) for value in self._round(up)):
            page.stroke([(x0 - 9, y), (x0, y)], 2, FAINT)
            page.put(f"{value:g}", size, x0 - 14, y, anchor="rm")
        for value, x in ((v, self.x(v)) for v in self._round(across) if across != (0.0, 1.0)):
            page.stroke([(x, y1), (x, y1 + 9)], 2, FAINT)
            page.put(f"{value:g}", size, x, y1 + 13, anchor="ma")

    @staticmethod
    def _round(span: Span) -> list[float]:
        return round_values(span[0], span[1] + 1e-9, (span[1] - span[0]) / 5)

    def x(self, value: float) -> float:
        x0, _, x1, _ = self.box
        return x0 + (x1 - x0) * _share(value, self.across)

    def y(self, value: float) -> float:
        _, y0, _, y1 = self.box
        return y1 - (y1 - y0) * _share(value, self.up)

    def level(self, value: float, wide: float, fill=INK, dash: float = 0) -> None:
        """A line at a value from side to side; dashed with strokes and gaps of ``dash``."""
        x0, _, x1, _ = self.box
        ends = [x0, x1] if not dash else [x0 + k * dash for k in range(int((x1 - x0) / dash) + 1)]
        for start, end in zip(ends[::2], ends[1::2], strict=False):
            self.page.stroke([(start, self.y(value)), (end, self.y(value))], wide, fill)

    def bar(self, x: float, low: float, high: float, wide: float, fill=INK) -> None:
        """An interval at a place, upright."""
        self.page.stroke([(x, self.y(low)), (x, self.y(high))], wide, fill)


def _share(value: float, span: Span) -> float:
    return (min(max(value, span[0]), span[1]) - span[0]) / (span[1] - span[0])
