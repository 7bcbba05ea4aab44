"""Wet beside dry in a comparison: the dry colour of the wet strip, as far as it is known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration import flags as fl
from calibration.colorimetry import munsell_value
from drawdown.drying import Drying, dried, predict

if TYPE_CHECKING:
    from drawdown.measure import StripColour

DRY, WET = "dry", "wet"


@dataclass(frozen=True)
class Settled:
    """Both strips as they are to be compared, and what is to be said of it. ``guessed``:
    wet is compared with dry and nothing was ever learned of it here."""

    original: StripColour
    batch: StripColour
    flags: tuple[fl.Flag, ...] = ()
    guessed: bool = False


def settle(original: StripColour, batch: StripColour, drying: Drying) -> Settled:
    """When one strip is wet and the other dry, put the dry colour that is expected of the
    wet one in its place, as uncertain as that is. Two wet strips are compared as they are."""
    if WET not in (original.state, batch.state) or original.state == batch.state:
        return Settled(original, batch)
    wet = original if original.state == WET else batch
    dry = as_dry(wet, drying)
    role = "original" if wet is original else "batch"
    if drying.count:
        pairs = "1 pair" if drying.count == 1 else f"{drying.count} pairs"
        lab = ", ".join(f"{a}* {v:.1f}" for a, v in zip("Lab", dry.lab_d50, strict=True))
        flag = fl.DRY_EXPECTED(f"{role}: {lab}, from {pairs} of wet and dry strips")
    else:
        flag = fl.WET_WITH_DRY(f"the {role} is still wet")
    pair = (dry, batch) if wet is original else (original, dry)
    return Settled(*pair, (flag,), guessed=not drying.count)


def as_dry(wet: StripColour, drying: Drying) -> StripColour:
    """The strip as it should look once dry."""
    lab, samples = predict(wet.lab_d50, wet.lab_samples, drying)
    more = samples.var(axis=0) - wet.lab_samples.var(axis=0)
    y = float(np.clip(((lab[0] + 16) / 116) ** 3 if lab[0] > 8 else lab[0] / 903.3, 0, 1.2))
    return replace(
        wet,
        lab_d50=lab,
        lab_samples=samples,
        lab_u95=np.sqrt(wet.lab_u95**2 + 1.96**2 * np.maximum(more, 0.0)),
        munsell_value=munsell_value(y),
        trail_lab_d50=dried(wet.trail_lab_d50, drying.mean),
        state=DRY,
    )
