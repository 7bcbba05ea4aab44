"""The control chart of a run: Delta E and L* from pull to pull, and what to do, large enough for
a phone. What is out is a square with its number, never a colour alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from calibration.files import write_atomically
from drawdown.book.edition import SOON, STOP, Point, Run
from drawdown.printing.control_chart import Limits
from drawdown.report.pictures.answer import picture_bytes
from drawdown.report.pictures.canvas import FAINT, INK, PAPER, Page, Plot
from drawdown.report.text.edition import OF_DE, OF_L, SIGNS
from drawdown.wording import figures as words

WIDTH, LEFT, RIGHT, TALL = 1080, 110, 940, 410
MARK = (190, 30, 30)
TITLE, TEXT, SMALL = 44, 34, 30


def save_chart(path: Path, runs: Sequence[Run]) -> None:
    """Write the charts, one below the other, as PNG. Raises ``BadFile``."""
    parts = [draw_run(run) for run in runs]
    whole = Image.new("RGB", (WIDTH, sum(part.height for part in parts)), PAPER)
    y = 0
    for part in parts:
        whole.paste(part, (0, y))
        y += part.height
    write_atomically(path, picture_bytes(whole, path))


def draw_run(run: Run) -> Image.Image:
    """One run: heading, advice, Delta E, L*, the colours of the pulls."""
    page, points = Page(WIDTH, 2400, unit_px=1), run.points
    page.y = 28
    where = f" at {run.spot}" if run.spot else ""
    _words(page, f"{run.edition}{where}, {words.count(len(points), 'pull')}", TITLE)
    last = points[-1]
    signs = ", ".join(SIGNS[s] for s in last.signs)
    said = f"{run.advice.capitalize()}." + (f" Pull {last.pull.number}: {signs}." if signs else "")
    _words(page, said, TITLE, MARK if run.advice in (STOP, SOON) else INK)
    values = np.array([[p.de00, p.de00_low95, p.de00_high95] for p in points])
    line = run.tolerance, "tolerance"
    _panel(
        page, "Delta E 2000 from the first good pull", points, values, run.limits_de, OF_DE, line
    )
    values = np.array([[p.l, p.l - p.l_u95, p.l + p.l_u95] for p in points])
    line = run.good.reading.lab_d50[0], "first good"
    _panel(page, "L*  (up: lighter)", points, values, run.limits_l, OF_L, line)
    xs = _places(len(points))
    half = 0.5 * (xs[1] - xs[0]) if len(xs) > 1 else 40.0
    page.y += 16
    for x, p in zip(xs, points, strict=True):
        page.field((x - half, page.y, x + half, page.y + 60), p.pull.reading.lab_d50)
    page.y += 64
    _words(page, "the colours as each photo read them", SMALL)
    _words(
        page, "Dot: pull. Square: a sign. Thin bar: 95 % interval. Dashes: control limits (mean "
        "and 3 standard deviations from the moving range).", SMALL,
    )  # fmt: skip
    page.y += 18
    return page.cut()


def _words(page: Page, text: str, size: int, fill=INK) -> None:
    page.line(text, size, 40, WIDTH - 80, fill)
    page.y += 4


def _places(count: int) -> np.ndarray:
    return LEFT + 40 + (np.arange(count) + 0.5) * (RIGHT - LEFT - 50) / max(count, 1)


def _panel(
    page: Page, title: str, points: Sequence[Point], values: np.ndarray, limits: Limits | None,
    ours: tuple[str, ...], line: tuple[float, str],
) -> None:  # fmt: skip
    """``values`` (n, 3) with their intervals, and what of the signs is ``ours``."""
    page.y += 20
    page.put(title, TEXT, 40, page.y)
    floor = 0.0 if ours is OF_DE else None
    top, bottom = page.y + 56, page.y + 56 + TALL
    reach = _reach(values[:, 0], values[:, 1:], limits, [line[0]], floor)
    plot = Plot(page, (LEFT, top, RIGHT, bottom), reach, size=SMALL)
    plot.level(line[0], 4)
    names = [line]
    if limits is not None:
        plot.level(limits.centre, 2, FAINT)
        names.append((limits.centre, "mean"))
        for value in (limits.lower, limits.upper):
            if floor is None or value > floor:
                plot.level(value, 3, dash=13)
                names.append((value, "limit"))
    last = -1e9  # the lines' names at the right, moved apart where they would lie over each other
    for y, name in sorted((plot.y(value), name) for value, name in names):
        last = max(y, last + SMALL * 0.95)
        page.put(name, SMALL - 4, RIGHT + 8, last, anchor="lm")
    xs = _places(len(points))
    page.stroke([(x, plot.y(v)) for x, v in zip(xs, values[:, 0], strict=True)], 3, FAINT)
    r = float(np.clip(0.3 * (xs[1] - xs[0] if len(xs) > 1 else 60), 5, 13))
    every, ahead = max(1, -(-len(points) // 16)), len(points) - 1
    for i, (x, p) in enumerate(zip(xs, points, strict=True)):
        y = plot.y(values[i, 0])
        plot.bar(x, *values[i, 1:], 3, FAINT)
        if set(p.signs) & set(ours):
            page.box((x - 1.3 * r, y - 1.3 * r, x + 1.3 * r, y + 1.3 * r), MARK, INK)
        elif p.pull.good:
            far = 1.7 * r
            page.shape([(x, y - far), (x + far, y), (x, y + far), (x - far, y)], 2)
        else:
            page.dot(x, y, r, r, INK)
        if i == ahead or (i % every == 0 and ahead - i >= every):
            page.put(str(p.pull.number), SMALL, x, bottom + 20, anchor="ma")
    page.y = bottom + 60


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
