"""Value (ASTM D1535) with its uncertainty, 0 to 10, and greys. Pure.

Value is that of ASTM D1535 for the luminance factor Y relative to the perfect diffuser.
the chips of ASTM D1535 were measured for illuminant C; Y of a strongly coloured ink differs a
little between C and our D50, which is not allowed for.
"""

from __future__ import annotations

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
from drawdown.printing.opacity import Number


def l_of_value(value: float) -> float:
    """CIE lightness L* of a value."""
    return float(xyz_to_lab(y_of_value(value) * WHITE_D50)[0])


def value_of(l_star: float, u95: float) -> Number:
    """The value of a colour of lightness L* with half width ``u95``."""
    ends = (l_star, l_star - u95, l_star + u95)
    return Number(*(munsell_value(float(np.clip(y_of_lightness(v), 0.0, 1.0))) for v in ends))


def grey_hex(l_star: float) -> str:
    """ "#rrggbb" of the neutral grey with that L*."""
    return hex_of((l_star, 0.0, 0.0))


def hex_of(lab_d50) -> str:  # (3,) floats
    """ "#rrggbb" in sRGB of a Lab D50 colour, clipped to the gamut."""
    encoded = np.rint(255 * xyz_d50_to_srgb(lab_to_xyz(np.asarray(lab_d50, dtype=float))))
    return "#" + "".join(f"{int(v):02x}" for v in encoded)
