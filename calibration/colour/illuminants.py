"""How two colours that agree under the photo's light look under other lamps.

Two mixes of different pigments can agree in daylight and part under a bulb (metamerism). The
model has spectra, so the distance can be predicted under each lamp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from calibration.uncertainty.intervals import quantiles

# CIE 1931 2 degree colour-matching functions times the lamp, as 10 nm weights for 400 .. 700
# nm made like those of ``calibration.colour.spectra`` (method of ASTM E2022, the ends added to the
# outer weights), scaled to Y = 1. Lamps: CIE standard illuminants D65 and A (ISO/CIE
# 11664-2), CIE illuminant LED-B3 (CIE 15:2018, from memory: a blue-pumped white LED of
# about 4100 K), from the tables that colour-science carries.
_D65 = np.array(
    [
        (
            0.001306, 0.003756, 0.011999, 0.023961, 0.034178, 0.036987, 0.032273, 0.021488,
            0.010424, 0.003327, 0.000455, 0.000980, 0.006367, 0.016665, 0.028836, 0.042504,
            0.056259, 0.069877, 0.082136, 0.087298, 0.090147, 0.084915, 0.070504, 0.051241,
            0.035158, 0.021673, 0.012521, 0.006784, 0.003407, 0.001534, 0.001506,
        ),
        (
            0.000036, 0.000100, 0.000355, 0.000984, 0.002261, 0.004173, 0.006642, 0.009980,
            0.015013, 0.021637, 0.033521, 0.051290, 0.070763, 0.087076, 0.094736, 0.097519,
            0.094191, 0.087217, 0.078017, 0.064419, 0.053511, 0.042625, 0.031452, 0.021126,
            0.013732, 0.008175, 0.004630, 0.002483, 0.001238, 0.000555, 0.000544,
        ),
        (
            0.006181, 0.017883, 0.057654, 0.116975, 0.171502, 0.195057, 0.185203, 0.141366,
            0.088498, 0.048559, 0.028024, 0.016019, 0.007913, 0.004197, 0.002023, 0.000856,
            0.000366, 0.000193, 0.000144, 0.000098, 0.000067, 0.000032, 0.000014, 0.000004,
            0.000001, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000,
        ),
    ]
)  # fmt: skip
_A = np.array(
    [
        (
            0.000235, 0.000701, 0.002725, 0.006440, 0.009242, 0.010358, 0.010168, 0.007792,
            0.004283, 0.001598, 0.000243, 0.000588, 0.004280, 0.012096, 0.023135, 0.037349,
            0.055109, 0.075734, 0.097176, 0.115829, 0.127059, 0.126707, 0.113466, 0.090096,
            0.065513, 0.043450, 0.026262, 0.014566, 0.007940, 0.004064, 0.004283,
        ),
        (
            0.000007, 0.000018, 0.000080, 0.000265, 0.000608, 0.001166, 0.002095, 0.003621,
            0.006180, 0.010391, 0.018017, 0.030911, 0.047558, 0.063201, 0.075989, 0.085709,
            0.092193, 0.094562, 0.092236, 0.085426, 0.075470, 0.063598, 0.050614, 0.037155,
            0.025593, 0.016392, 0.009713, 0.005331, 0.002885, 0.001470, 0.001547,
        ),
        (
            0.001110, 0.003334, 0.013091, 0.031444, 0.046360, 0.054622, 0.058393, 0.051288,
            0.036394, 0.023318, 0.015129, 0.009623, 0.005330, 0.003054, 0.001622, 0.000754,
            0.000359, 0.000210, 0.000170, 0.000130, 0.000095, 0.000047, 0.000023, 0.000008,
            0.000003, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000,
        ),
    ]
)  # fmt: skip
_LED_B3 = np.array(
    [
        (
            -0.000005, 0.000005, 0.001136, 0.008622, 0.029642, 0.040456, 0.021346, 0.008067,
            0.003332, 0.001443, 0.000270, 0.000699, 0.005002, 0.013939, 0.026416, 0.042233,
            0.061223, 0.081835, 0.101295, 0.115661, 0.119628, 0.109491, 0.087109, 0.059388,
            0.035820, 0.019128, 0.009053, 0.003844, 0.001576, 0.000602, 0.000362,
        ),
        (
            0.000000, -0.000001, 0.000025, 0.000335, 0.002051, 0.004547, 0.004266, 0.003723,
            0.004947, 0.009659, 0.019802, 0.036200, 0.055628, 0.072848, 0.086747, 0.096900,
            0.102416, 0.102188, 0.096153, 0.085310, 0.071071, 0.054970, 0.038855, 0.024485,
            0.013988, 0.007212, 0.003346, 0.001406, 0.000573, 0.000218, 0.000131,
        ),
        (
            -0.000023, 0.000017, 0.005408, 0.041999, 0.149214, 0.213150, 0.121812, 0.053195,
            0.028706, 0.021404, 0.016596, 0.011300, 0.006252, 0.003520, 0.001850, 0.000853,
            0.000398, 0.000227, 0.000177, 0.000130, 0.000090, 0.000041, 0.000017, 0.000005,
            0.000001, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000, 0.000000,
        ),
    ]
)  # fmt: skip
HERE = "daylight D50"  # what colours are measured for
LAMPS: dict[str, np.ndarray] = {  # name -> (31, 3)
    HERE: XYZ_D50_WEIGHTS,
    "daylight D65": _D65.T,
    "tungsten": _A.T,
    "LED": _LED_B3.T,
}


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
    original: np.ndarray, batch: np.ndarray, sample_weight: np.ndarray, left: np.ndarray
) -> tuple[UnderLamp, ...]:
    """The distance under each lamp. ``original`` and ``batch`` (r, 31) are the reflectances
    the model gives, most probable first and then its samples, with ``sample_weight`` (r - 1,);
    ``left`` (r, 3) is original less batch in Lab D50 as predicted with what was measured.
    What the spectra do not know of that (they are a model's) is carried along unchanged."""
    unknown = left - (lab_under(original, XYZ_D50_WEIGHTS) - lab_under(batch, XYZ_D50_WEIGHTS))
    seen = []
    for lamp, weights in LAMPS.items():
        one = lab_under(original, weights)
        two = lab_under(batch, weights) - unknown
        de00 = delta_e_2000(one, two)
        high = float(quantiles(de00[1:], 0.95, sample_weight))
        seen.append(UnderLamp(lamp, float(de00[0]), max(high, float(de00[0]))))
    return tuple(seen)
