"""The control chart of a run: Delta E and L* from pull to pull, and what to do, large enough for
a phone. What is out is a square with its number, never a colour alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from calibration.files import write_atomically
from drawdown.book.edition import SOON, STOP, Point, Run
from drawdown.printing.control_chart import Limits
from drawdown.report.pictures.answer import png_bytes
from drawdown.report.pictures.canvas import PAPER, round_values
from drawdown.report.pictures.letters import broken, font, plain
from drawdown.report.text.book import count_words
from drawdown.report.text.edition import SIGNS
from drawdown.report.text.terminal import swatch_rgb

WIDTH, PANEL, LEFT, RIGHT = 1080, 520, 110, 60
INK, FAINT, MARK = (20, 20, 20), (150, 150, 150), (190, 30, 30)
TITLE, TEXT, SMALL = 44, 34, 30
_DE = ("tolerance", "de-limit", "de-run")
_L = ("l-limit", "l-run")


def save_chart(path: Path, runs: Sequence[Run]) -> None:
    """Write the charts, one below the other, as PNG. Raises ``BadFile``."""
    parts = [draw_run(run) for run in runs]
    whole = Image.new("RGB", (WIDTH, sum(part.height for part in parts)), PAPER)
    y = 0
    for part in parts:
        whole.paste(part, (0, y))
        y += part.height
    write_atomically(path, png_bytes(whole))


def draw_run(run: Run) -> Image.Image:
    """One run: heading, advice, Delta E, L*, the colours of the pulls."""
    picture = Image.new("RGB", (WIDTH, 2400), PAPER)
    draw = ImageDraw.Draw(picture)
    y = 28
    where = f" at {run.spot}" if run.spot else ""
    y = _words(draw, f"{run.edition}{where}, {count_words(len(run.points), 'pull')}", y, TITLE)
    last = run.points[-1]
    signs = ", ".join(SIGNS[s] for s in last.signs)
    said = f"{run.advice.capitalize()}." + (f" Pull {last.pull.number}: {signs}." if signs else "")
    y = _words(draw, said, y + 4, TITLE, MARK if run.advice in (STOP, SOON) else INK)
    points = run.points
    lines = [(run.tolerance, "tolerance", INK)]
    y = _panel(
        draw, y + 20, "Delta E 2000 from the first good pull", points,
        np.array([p.de00 for p in points]),
        np.array([[p.de00_low95, p.de00_high95] for p in points]), run.limits_de, _DE, lines,
        floor=0.0,
    )  # fmt: skip
    y = _panel(
        draw, y + 24, "L*  (up: lighter)", points, np.array([p.l for p in points]),
        np.array([[p.l - p.l_u95, p.l + p.l_u95] for p in points]), run.limits_l, _L,
        [(run.good.reading.lab_d50[0], "first good", INK)], floor=None,
    )  # fmt: skip
    xs = _places(len(points))
    gap = (xs[1] - xs[0]) if len(xs) > 1 else 80.0
    y += 16
    for x, p in zip(xs, points, strict=True):
        draw.rectangle(
            (x - 0.5 * gap, y, x + 0.5 * gap, y + 60), swatch_rgb(p.pull.reading.lab_d50)
        )
    y = _words(draw, "the colours as each photo read them", y + 64, SMALL)
    y = _words(
        draw, "Dot: pull. Square: a sign. Thin bar: 95 % interval. Dashes: control limits (mean "
        "and 3 standard deviations from the moving range).", y + 4, SMALL,
    )  # fmt: skip
    return picture.crop((0, 0, WIDTH, y + 24))


def _words(draw: ImageDraw.ImageDraw, text: str, y: float, size: int, fill=INK) -> int:
    for line in broken(draw, text, size, WIDTH - 80):
        draw.text((40, y), line, fill, font(size, line))
        y += 1.25 * size
    return round(y)


def _places(count: int) -> np.ndarray:
    span = WIDTH - RIGHT - LEFT - 130
    return LEFT + 40 + (np.arange(count) + 0.5) * span / max(count, 1)


def _panel(
    draw: ImageDraw.ImageDraw, top: int, title: str, points: Sequence[Point], values: np.ndarray,
    bars: np.ndarray, limits: Limits | None, ours: tuple[str, ...],
    lines: list[tuple[float, str, tuple]], floor: float | None,
) -> int:  # fmt: skip
    draw.text((40, top), plain(title), INK, font(TEXT, title))
    top += 56
    low_, high_ = _reach(values, bars, limits, [v for v, *_ in lines], floor)
    bottom = top + PANEL - 110

    def height(value: float) -> float:
        share = (min(max(value, low_), high_) - low_) / (high_ - low_)
        return bottom - share * (bottom - top)

    right = WIDTH - RIGHT - 80
    draw.rectangle((LEFT, top, right, bottom), outline=FAINT, width=2)
    for value in round_values(low_, high_ + 1e-9, (high_ - low_) / 5):
        y = height(value)
        draw.line((LEFT - 10, y, LEFT, y), FAINT, 2)
        draw.text((LEFT - 16, y), f"{value:g}", INK, font(SMALL), anchor="rm")
    marks = list(lines)
    for value, _, fill in lines:
        draw.line((LEFT, height(value), right, height(value)), fill, 4)
    if limits is not None:
        draw.line((LEFT, height(limits.centre), right, height(limits.centre)), FAINT, 2)
        marks.append((limits.centre, "mean", FAINT))
        for value in (limits.lower, limits.upper):
            if floor is None or value > floor:
                _dashed(draw, LEFT, right, height(value))
                marks.append((value, "limit", INK))
    _name_lines(draw, right + 8, [(height(v), name) for v, name, _ in marks])
    xs = _places(len(points))
    draw.line([(x, height(v)) for x, v in zip(xs, values, strict=True)], FAINT, 3)
    r = float(np.clip(0.3 * (xs[1] - xs[0] if len(xs) > 1 else 60), 5, 13))
    every = max(1, -(-len(points) // 16))
    for i, (x, p) in enumerate(zip(xs, points, strict=True)):
        y = height(values[i])
        draw.line((x, height(bars[i, 0]), x, height(bars[i, 1])), FAINT, 3)
        out = bool(set(p.signs) & set(ours))
        if out:
            draw.rectangle((x - 1.3 * r, y - 1.3 * r, x + 1.3 * r, y + 1.3 * r), MARK, INK, 2)
        elif p.pull.good:
            draw.polygon([(x, y - 1.7 * r), (x + 1.7 * r, y), (x, y + 1.7 * r), (x - 1.7 * r, y)],
                         PAPER, INK)  # fmt: skip
        else:
            draw.ellipse((x - r, y - r, x + r, y + r), INK)
        last = len(points) - 1
        if i == last or (i % every == 0 and last - i >= every):
            draw.text((x, bottom + 20), str(p.pull.number), INK, font(SMALL), anchor="ma")
    return bottom + 60


def _reach(values, bars, limits: Limits | None, lines: list[float], floor) -> tuple[float, float]:
    """What the panel shows: points, lines and limits in full, bars as far as they go within
    twice that."""
    inside = [*values, *lines]
    if limits is not None:
        inside += [limits.lower if floor is None else max(limits.lower, floor), limits.upper]
    low, high = min(inside), max(inside)
    room = max(high - low, 1.0)
    low, high = max(low - 0.5 * room, min(low, bars.min())), min(high + 0.5 * room,
                                                                max(high, bars.max()))  # fmt: skip
    if high - low < 1.0:  # equal values still need a scale
        low, high = (low - 0.5, low + 0.5) if floor is None else (low, low + 1.0)
    pad = 0.06 * (high - low)
    return (floor if floor is not None else low - pad), high + pad


def _name_lines(draw: ImageDraw.ImageDraw, x: float, names: list[tuple[float, str]]) -> None:
    """The lines' names at the right, moved apart where they would lie over each other."""
    last = -1e9
    for y, name in sorted(names):
        y = max(y, last + SMALL * 0.95)
        draw.text((x, y), name, INK, font(SMALL - 4), anchor="lm")
        last = y


def _dashed(draw: ImageDraw.ImageDraw, x0: float, x1: float, y: float) -> None:
    for x in np.arange(x0, x1, 26):
        draw.line((x, y, min(x + 15, x1), y), INK, 3)
