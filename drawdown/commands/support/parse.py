"""What is typed, as values: the card's corners."""

from __future__ import annotations

import re

from calibration.errors import WrongUsage
from drawdown.pipeline.options import CORNERS_EXAMPLE, CORNERS_WHY, Corners, check_corners

_NUMBER = r"[-+]?\d{1,7}(?:\.\d*)?"
_POINT = re.compile(rf"({_NUMBER})\s*,\s*({_NUMBER})")


def read_corners(text: str) -> Corners:
    """``"x,y x,y x,y x,y"`` as points; raises ``WrongUsage``."""
    points = tuple((float(x), float(y)) for x, y in _POINT.findall(text))
    if _POINT.sub("", text).strip(" ;\t\n") or not points:
        raise WrongUsage(
            f'`card_corners` "{text}" is not four points x,y', CORNERS_WHY, CORNERS_EXAMPLE
        )
    check_corners(points)
    return points
