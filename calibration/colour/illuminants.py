"""How two colours that agree under the photo's light look under other lamps (metamerism)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.uncertainty.intervals import quantiles

HERE = "daylight D50"  # what colours are measured for


def _lamps() -> dict[str, np.ndarray]:
    """Lamp -> (31, 3) weights for 400 .. 700 nm, as README.md says how they are made. Those
    of D50 sum to the ICC white, so that a reflectance of 1 is exactly L* 100, a* 0, b* 0."""
    rows = Path(__file__).with_suffix(".csv").read_text(encoding="utf-8").splitlines()[1:]
    table: dict[str, list[list[float]]] = {}
    for lamp, _, *weights in (row.split(",") for row in rows):
        table.setdefault(lamp, []).append([float(w) for w in weights])
    lamps = {lamp: np.array(channels).T.copy() for lamp, channels in table.items()}
    lamps[HERE] *= WHITE_D50 / lamps[HERE].sum(axis=0)
    return lamps


LAMPS = _lamps()


@dataclass(frozen=True)
class UnderLamp:
    """Predicted CIEDE2000 between original and batch under one lamp: of the most probable
    state of the model, and the value that 95 % of its samples stay below."""

    lamp: str
    de00: float
    de00_high95: float


def lab_under(spectrum: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """CIELAB (..., 3) of reflectances (..., 31) under a lamp, relative to the lamp's white."""
    return xyz_to_lab(spectrum @ weights, weights.sum(axis=0))


def under_lamps(
    original: np.ndarray, batch: np.ndarray, sample_weight: np.ndarray, left: np.ndarray,
    more: Mapping[str, np.ndarray] = MappingProxyType({}),
) -> tuple[UnderLamp, ...]:  # fmt: skip
    """The distance under each lamp of ``LAMPS``, and of ``more`` (name -> weights).
    ``original`` and ``batch`` (r, 31) are the reflectances
    the model gives, most probable first and then its samples, with ``sample_weight`` (r - 1,);
    ``left`` (r, 3) is original less batch in Lab D50 as predicted with what was measured.
    What the spectra do not know of that (they are a model's) is carried along unchanged."""
    unknown = left - (lab_under(original, LAMPS[HERE]) - lab_under(batch, LAMPS[HERE]))
    seen = []
    for lamp, weights in (LAMPS | dict(more)).items():
        one = lab_under(original, weights)
        two = lab_under(batch, weights) - unknown
        de00 = delta_e_2000(one, two)
        high = float(quantiles(de00[1:], 0.95, sample_weight))
        seen.append(UnderLamp(lamp, float(de00[0]), max(high, float(de00[0]))))
    return tuple(seen)
