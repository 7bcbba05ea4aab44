"""Small plots as SVG text: values in turn with their 95 % intervals, and a line to hold them to.

So narrow that their letters are legible on a phone; a wider screen need not stretch them far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from calibration.signs import visible
from drawdown.report.pictures.canvas import round_values

WIDE, TALL, LEFT, RIGHT, TOP, BOTTOM = 460, 260, 44, 10, 30, 40
MOST_NAMED = 12  # names below the plot that have room


@dataclass(frozen=True)
class Dot:
    """One value: ``name`` stands below it, ``marked`` makes it a square; ``low`` and ``high`` are
    the ends of its interval."""

    name: str
    value: float
    low: float
    high: float
    marked: bool = False


def dots_svg(
    dots: Sequence[Dot],
    title: str,
    lines: Sequence[tuple[float, str]] = (),
    floor: float | None = 0,
) -> str:
    """The plot, black on white. ``lines`` are levels with their names, the first unbroken;
    ``floor`` is the lowest value shown, None for what the values need."""
    ends = [end for dot in dots for end in (dot.low, dot.high)] + [level for level, _ in lines]
    low, high = min(ends, default=0.0), max(ends, default=1.0)
    room = max(high - low, 1.0)
    low, high = (low - 0.06 * room if floor is None else floor), high + 0.06 * room
    across, up = WIDE - LEFT - RIGHT, TALL - TOP - BOTTOM

    def x(k: int) -> float:
        return LEFT + (k + 0.5) * across / max(len(dots), 1)

    def y(value: float) -> float:
        return TOP + up * (high - min(max(value, low), high)) / (high - low)

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {TALL}" width="{WIDE}" '
        f'height="{TALL}" font-family="sans-serif" font-size="14">',
        f'<rect width="{WIDE}" height="{TALL}" fill="#fff"/>',
        _text(LEFT, 18, title, "start"),
        f'<rect x="{LEFT}" y="{TOP}" width="{across}" height="{up}" fill="none" stroke="#999"/>',
    ]
    for value in round_values(low, high + 1e-9, (high - low) / 5):
        out.append(_text(LEFT - 7, y(value) + 5, f"{value:g}", "end"))
        out.append(f'<path d="M{LEFT - 4} {y(value):.1f}h4" stroke="#999"/>')
    for k, (level, name) in enumerate(lines):
        dash = ' stroke-dasharray="6 5"' if k else ""
        out.append(f'<path d="M{LEFT} {y(level):.1f}h{across}" stroke="#111"{dash}/>')
        out.append(_text(WIDE - RIGHT - 5, y(level) - 4, name, "end"))
    places = " ".join(f"{x(k):.1f},{y(dot.value):.1f}" for k, dot in enumerate(dots))
    out.append(f'<polyline points="{places}" fill="none" stroke="#999" stroke-width="1.5"/>')
    every = -(-len(dots) // MOST_NAMED) or 1
    for k, dot in enumerate(dots):
        out.append(
            f'<path d="M{x(k):.1f} {y(dot.low):.1f}V{y(dot.high):.1f}" stroke="#666" '
            'stroke-width="2"/>'
        )
        if dot.marked:
            out.append(
                f'<rect x="{x(k) - 6:.1f}" y="{y(dot.value) - 6:.1f}" width="12" height="12" '
                'fill="#b21f1f" stroke="#111"/>'
            )
        else:
            out.append(f'<circle cx="{x(k):.1f}" cy="{y(dot.value):.1f}" r="5" fill="#111"/>')
        if k % every == 0 or k == len(dots) - 1:
            out.append(_text(x(k), TALL - BOTTOM + 20, dot.name, "middle"))
    return "".join([*out, "</svg>"])


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#111">'
        f"{escape(visible(text))}</text>"
    )
