"""Why no strip was found, in words."""

from __future__ import annotations

from collections import Counter

from calibration.errors import PhotoUnfit
from drawdown.strip_ground import Ground
from drawdown.strip_search import Candidate

_REASONS = {
    "soft": "with soft edges like a shadow",
    "ragged": "that are no rectangle with straight edges",
    "textured": "that change along their length like print, wood or a ruler",
    "open": "that are not surrounded by paper",
    "round": "that bulge and are darker at both sides like a knife or a pencil",
    "goes on": "that go on beyond the paper",
    "faint": "that hardly differ from their paper",
    "large": "that are too large",
    "long": "that are too long for their width",
    "small": "that are too small",
    "lighter": "that are lighter than what they lie on",
    "holds a strip": "that hold others",
    "bordered": "that are pieces of paper with something on them",
}


def nothing_found(grounds: list[Ground], rejected: list[Candidate]) -> PhotoUnfit:
    """The refusal of a photo without strips, with what was seen in their stead."""
    todo = (
        "lay the strips on plain paper, 2 mm or more apart, all within the photo; or give "
        "their places yourself with --strip x,y,w,h in mm from the card's upper left corner"
    )
    if not grounds:
        return PhotoUnfit(
            "no strip was found, and no even paper either",
            "a strip is known by the bare paper around it",
            todo,
        )
    counts = Counter(
        c.shape.reason
        for c in rejected
        if c.shape.reason in _REASONS and (c.shape.strip_sized or c.shape.reason in ("small",))
    )
    if not counts:
        seen = "no strip was found: the paper was seen, but nothing of a strip's shape on it"
    else:
        words = ", ".join(
            f"{n} shape{'s' if n > 1 else ''} {_REASONS[reason]}"
            for reason, n in counts.most_common(3)
        )
        seen = f"no strip was found: on the paper there were {words}"
    return PhotoUnfit(
        seen,
        "a draw-down shows as an even rectangle with two sharp straight edges and paper "
        "beside them, at least 8 mm wide and 17 mm long",
        todo,
    )
