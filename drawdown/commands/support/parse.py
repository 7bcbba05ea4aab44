"""The wording of ``--card-corners``: four points, clockwise, that make a card of some size."""

from __future__ import annotations

import re

from calibration.errors import WrongUsage

Corners = tuple[tuple[float, float], ...]

LEAST_SIDE_PX = 20.0
_NUMBER = r"[-+]?\d{1,7}(?:\.\d*)?"
_POINT = re.compile(rf"({_NUMBER})\s*,\s*({_NUMBER})")
_EXAMPLE = (
    'write for example --card-corners "310,205 1710,220 1695,840 300,815": x,y of each corner in '
    "pixels of the upright photo, clockwise from the upper left of the upright card"
)
_WHY = "the four outer corners say where the card lies"


def check_card_corners(text: str) -> Corners:
    """Four points in photo pixels; raises ``WrongUsage``.

    Whether they lie in the photo is seen when it is open; whether they begin at the right
    corner, by the colours of the patches.
    """
    points = tuple((float(x), float(y)) for x, y in _POINT.findall(text))
    if _POINT.sub("", text).strip(" ;\t\n") or not points:
        raise WrongUsage(f'--card-corners "{text}" is not four points x,y', _WHY, _EXAMPLE)
    if len(points) != 4:
        count = "one point" if len(points) == 1 else f"{len(points)} points"
        raise WrongUsage(f"--card-corners names {count} instead of four", _WHY, _EXAMPLE)
    sides = [_length(points[k], points[k - 1]) for k in range(4)]
    if min(sides) < LEAST_SIDE_PX:
        raise WrongUsage(
            f"--card-corners names corners only {min(sides):.0f} pixels apart",
            "colour patches so small cannot be read",
            "give the corners of the whole card, in pixels of the photo at its full size",
        )
    turns = [_turn(points[k - 2], points[k - 1], points[k]) for k in range(4)]
    if not (all(t > 0 for t in turns) or all(t < 0 for t in turns)):
        raise WrongUsage(
            "--card-corners names points whose connecting lines cross or bend inwards",
            "a flat card has four corners that all point outwards",
            "name them in the order in which they follow around the card; " + _EXAMPLE,
        )
    # A quarter of a degree of bend is no corner: three points in one line.
    flat = min(abs(t) / (sides[k] * sides[k - 1]) for k, t in enumerate(turns))
    if flat < 0.05:
        raise WrongUsage(
            "--card-corners names three corners in one line",
            "a card seen so flat, or a corner named wrongly, shows no patches",
            _EXAMPLE,
        )
    return points


def _length(a: tuple[float, float], b: tuple[float, float]) -> float:
    return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    """Twice the area of the triangle, positive for a turn to the right (y down)."""
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
