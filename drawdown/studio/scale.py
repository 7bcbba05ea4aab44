"""The smallest step that the studio's scale shows, named once: amounts are rounded to it."""

from __future__ import annotations

import math
from pathlib import Path

from calibration.errors import WrongUsage
from calibration.files import private_folder, write_atomically
from drawdown.matching.amounts import round_grams
from drawdown.studio.locations import own_shelf


def own_scale() -> Path:
    """The file of the scale's step; it need not exist."""
    return own_shelf().parent / "scale.txt"


def scale_step(given: float | None = None) -> float | None:
    """The step in grams: the one ``given``, which is remembered, else the one named before, else
    None. Raises ``WrongUsage`` and ``BadFile``."""
    path = own_scale()
    if given is None:
        try:
            step = float(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return step if 0 < step < math.inf else None
    check_step(given)
    if scale_step() != given:
        private_folder(path.parent)
        write_atomically(path, f"{given:g}\n".encode())
    return given


def check_step(step_g: float) -> None:
    """Raises ``WrongUsage`` for a step that no scale has."""
    if not 0 < step_g < math.inf:  # also refuses nan
        raise WrongUsage(
            f"`scale_step` is {step_g:g}, and must be above 0",
            "amounts are rounded to what the scale can show",
            "kitchen scales show 1 g, letter scales 0.1 g, pocket scales 0.01 g",
        )


def on_scale(grams: float, step_g: float | None) -> float:
    """An amount as the scale shows it; as it is where no scale was named."""
    return grams if step_g is None else round_grams(grams, step_g)
