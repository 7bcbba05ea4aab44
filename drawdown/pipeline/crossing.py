"""One strip laid across another in a photo: how the prediction stands to what was read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.uncertainty.intervals import CHI2_95, common_sd
from calibration.uncertainty.streams import mirrored_normals, stream
from drawdown.ink.shelf import Shelf
from drawdown.pipeline.read import Judgement
from drawdown.printing.overprint import LAYER_SAMPLES, Predicted, layer_from_colour, over, sheet
from drawdown.reading.colour import StripReading
from drawdown.reading.crossing import Readings

TELLING = 5.9  # of -2 log likelihood: odds of 19 to 1


@dataclass(frozen=True, eq=False)
class Order:
    """The prediction for one strip on top: ``lower`` and ``upper`` are the strips' names;
    ``de00`` reading against prediction; ``distance`` the squared distance of both in units
    of their joint uncertainty (3 degrees of freedom); ``covers`` is "as predicted", "more
    than predicted" or "less than predicted"."""

    lower: str
    upper: str
    predicted: Predicted
    de00: float
    de00_95: tuple[float, float]
    distance: float
    covers: str
    opaque: tuple[float | None, float | None]
    # The upper ink taken as each kind: de00, distance, and -2 log likelihood of the reading.
    kinds: dict[str, tuple[float, float, float]] | None = None

    @property
    def agrees(self) -> bool:
        return self.distance <= CHI2_95[3]

    @property
    def kind(self) -> str | None:
        """What the reading says of the upper ink where its mix is not known: "covering" (white
        in it), "transparent", or None where it cannot tell."""
        if self.kinds is None:
            return None
        (best, near), (_, far) = sorted(self.kinds.items(), key=lambda k: k[1][2])
        return best if near[1] <= CHI2_95[3] and far[2] - near[2] > TELLING else None


def predict(
    seen: Judgement,
    read: Readings,
    shelf: Shelf,
    lower: str,
    upper: str,
    mixes: tuple[dict[str, float] | None, dict[str, float] | None] = (None, None),
    wet: bool = False,
) -> Order:
    """Predict the crossing from the two strips alone, ``upper`` on top, and compare it with
    the reading. ``mixes`` are those of lower and upper, where they are known."""
    shared = mirrored_normals(stream("card error of a crossing"), LAYER_SAMPLES, 3)
    on = sheet(seen.correction.paper_lab_d50, wet=wet)
    above, reading = _with_card(read.alone[upper], shared), _with_card(read.crossing, shared)
    seen_lab = read.crossing.lab_d50

    def layer(name: str, place: int, opaque: bool | None = None):
        return layer_from_colour(
            name, read.alone[name].lab_d50, on, shelf,
            lab_samples=_with_card(read.alone[name], shared), mix=mixes[place], opaque=opaque,
            place=place,
        )  # fmt: skip

    def against(predicted: Predicted) -> tuple[float, float, float, np.ndarray]:
        off = reading - predicted.lab_samples
        miss = seen_lab - predicted.lab_d50
        spread = np.cov(off.T) + 0.1**2 * np.eye(3)
        distance = float(miss @ np.linalg.solve(spread, miss))
        unlikely = distance + float(np.linalg.slogdet(spread)[1])
        return float(delta_e_2000(seen_lab, predicted.lab_d50)), distance, unlikely, off

    below, top = layer(lower, 0), layer(upper, 1)
    predicted = over([below, top], on)
    de00, distance, _, off = against(predicted)
    miss = seen_lab - predicted.lab_d50
    spread = delta_e_2000(predicted.lab_samples + off - off.mean(axis=0) + miss,
                          predicted.lab_samples)  # fmt: skip
    apart = float(delta_e_2000(seen_lab, read.alone[upper].lab_d50))
    low, high = np.percentile(delta_e_2000(predicted.lab_samples, above), [2.5, 97.5])
    covers = "more" if apart < low else "less" if apart > high else ""
    kinds = None
    if mixes[1] is None:
        kinds = {
            kind: against(over([below, layer(upper, 1, opaque)], on))[:3]
            for kind, opaque in (("covering", True), ("transparent", False))
        }
    # Where they agree, the true distance may be nothing; a sampled one never is.
    least = 0.0 if distance <= CHI2_95[3] else float(np.percentile(spread, 2.5))
    covers = f"{covers} than predicted" if covers else "as predicted"
    interval = (least, float(np.percentile(spread, 97.5)))
    opaque = (below.opaque, top.opaque)
    return Order(lower, upper, predicted, de00, interval, distance, covers, opaque, kinds)


def _with_card(colour: StripReading, shared: np.ndarray) -> np.ndarray:
    """(m, 3) possible colours, what the card leaves open included, alike for all strips."""
    members = colour.members()
    return np.resize(members, (LAYER_SAMPLES, 3)) + common_sd(colour.widest_u95, members) * shared
