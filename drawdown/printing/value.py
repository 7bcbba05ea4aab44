"""Value (ASTM D1535) with its uncertainty, and the grey that has it. Pure.

Value is that of ASTM D1535 for the luminance factor Y relative to the perfect diffuser.
the chips of ASTM D1535 were measured for illuminant C; Y of a strongly coloured ink differs a
little between C and our D50, which is not allowed for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.spaces import (
    WHITE_D50,
    lab_to_xyz,
    munsell_value,
    xyz_d50_to_srgb,
    xyz_to_lab,
    y_of_lightness,
    y_of_value,
)


@dataclass(frozen=True)
class Value:
    """``value`` 0..10 and the ends of its 95 % interval; ``grey_l`` the L* of the neutral
    grey of that value, ``grey_hex`` the same as 8-bit sRGB "#rrggbb"."""

    value: float
    low95: float
    high95: float
    grey_l: float
    grey_hex: str


def l_of_value(value: float) -> float:
    """CIE lightness L* of a value."""
    return float(xyz_to_lab(y_of_value(value) * WHITE_D50)[0])


def value_of(l_star: float, u95: float) -> Value:
    """The value of a colour of lightness L* with half width ``u95``."""
    ends = (l_star, l_star - u95, l_star + u95)
    middle, low, high = (munsell_value(float(np.clip(y_of_lightness(v), 0.0, 1.0))) for v in ends)
    return Value(middle, low, high, float(l_star), grey_hex(l_star))


def grey_hex(l_star: float) -> str:
    """ "#rrggbb" of the neutral grey with that L*."""
    return hex_of((l_star, 0.0, 0.0))


def hex_of(lab_d50) -> str:  # (3,) floats
    """ "#rrggbb" in sRGB of a Lab D50 colour, clipped to the gamut."""
    encoded = np.rint(255 * xyz_d50_to_srgb(lab_to_xyz(np.asarray(lab_d50, dtype=float))))
    return "#" + "".join(f"{int(v):02x}" for v in encoded)
