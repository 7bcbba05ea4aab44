"""Strip colours made up for comparisons: a colour, its scatter, and colours a given way apart."""

from __future__ import annotations

import dataclasses

import numpy as np

from calibration.colour.difference import delta_e_2000
from drawdown.reading.colour import StripReading


@dataclasses.dataclass(frozen=True)
class _Strip:
    number: int
    shine_level: float = 0.0


def strip(number, lab, sd=0.1, seed=0, flags=(), light_sd=0.003, common=None, rim=None):
    """A strip colour whose members scatter by ``sd`` (and by what both strips share)."""
    lab = np.asarray(lab, float)
    scatter = np.random.default_rng(seed + 10 * number).normal(0, sd, (96, 3))
    shared = 0.0 if common is None else common
    return StripReading(
        strip=_Strip(number), lab_d50=lab, lab_samples=lab + scatter + shared,
        lab_u95=np.full(3, 1.0), evenness_de00=0.3, trail_lab_d50=lab[None], light_sd=light_sd,
        rim=rim, flags=tuple(flags),
    )  # fmt: skip


BLUE = np.array([50.0, -10.0, -30.0])


def along(direction, amount):
    """A colour at a given CIEDE2000 from BLUE along a direction."""
    unit = np.asarray(direction, float) / np.linalg.norm(direction)
    low, high = 0.0, 60.0
    for _ in range(60):
        middle = (low + high) / 2
        if delta_e_2000(BLUE, BLUE + middle * unit) < amount:
            low = middle
        else:
            high = middle
    return BLUE + low * unit
