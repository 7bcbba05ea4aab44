"""XYZ, Lab, sRGB, adaptation, value 0 to 10. XYZ is scaled to Y = 1 for the perfect diffuser;
the white is D50, 2 degree observer, unless a name says otherwise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# D50 as the ICC profile connection space has it (ICC.1:2022, 7.2.16), Y = 1.
WHITE_D50 = np.array([0.9642, 1.0, 0.8249])
# D65 from its chromaticity 0.3127, 0.3290 (IEC 61966-2-1).
WHITE_D65 = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
# Bradford cone response (ICC.1:2022, Annex E).
BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_EPSILON = (6 / 29) ** 3
_KAPPA = (29 / 3) ** 3


def xyz_to_lab(xyz: np.ndarray, white: np.ndarray = WHITE_D50) -> np.ndarray:
    """CIELAB of XYZ (..., 3), Y = 1 scale (CIE 15:2018, 8.2.1). Negative XYZ continue the
    straight part near black, so the function stays monotone."""
    t = np.asarray(xyz, dtype=float) / white
    f = np.where(t > _EPSILON, np.cbrt(np.maximum(t, _EPSILON)), (_KAPPA * t + 16) / 116)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])],
        axis=-1,
    )


def lab_to_xyz(lab: np.ndarray, white: np.ndarray = WHITE_D50) -> np.ndarray:
    """The inverse of ``xyz_to_lab``."""
    lab = np.asarray(lab, dtype=float)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    t = np.where(f > 6 / 29, f**3, (116 * f - 16) / _KAPPA)
    return np.asarray(t * white)


def adaptation(source_white: np.ndarray, target_white: np.ndarray) -> np.ndarray:
    """(3, 3) Bradford matrix that takes XYZ under one white to another."""
    gain = (BRADFORD @ target_white) / (BRADFORD @ source_white)
    return np.asarray(np.linalg.inv(BRADFORD) @ np.diag(gain) @ BRADFORD)


def rgb_to_xyz_d50_matrix(primaries_xy: ArrayLike, white: np.ndarray = WHITE_D65) -> np.ndarray:
    """(3, 3) linear RGB -> XYZ D50 from the chromaticities (3, 2) of its primaries."""
    xy = np.asarray(primaries_xy, dtype=float)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    return np.asarray(adaptation(white, WHITE_D50) @ (columns * np.linalg.solve(columns, white)))


SRGB_TO_XYZ_D50 = rgb_to_xyz_d50_matrix([(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)])
P3_TO_XYZ_D50 = rgb_to_xyz_d50_matrix([(0.680, 0.320), (0.265, 0.690), (0.150, 0.060)])


def srgb_decode(encoded: np.ndarray) -> np.ndarray:
    """Encoded 0..1 -> linear 0..1 (IEC 61966-2-1)."""
    v = np.asarray(encoded, dtype=float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: np.ndarray) -> np.ndarray:
    """Linear -> encoded (IEC 61966-2-1); negative values follow the straight part."""
    v = np.asarray(linear, dtype=float)
    return np.where(
        v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055
    )


def xyz_d50_to_srgb(xyz: np.ndarray, clip: bool = True) -> np.ndarray:
    """XYZ D50 (..., 3) -> encoded sRGB 0..1, clipped to the gamut unless told otherwise."""
    rgb = srgb_encode(np.asarray(xyz, dtype=float) @ np.linalg.inv(SRGB_TO_XYZ_D50).T)
    return np.clip(rgb, 0.0, 1.0) if clip else rgb


def colour_temperature(xyz: np.ndarray) -> float:
    """Correlated colour temperature in kelvin of the XYZ (3,) of a light: the cubic of McCamy 1992,
    Color Res. Appl. 17, 142, from memory; good to 50 K from 2800 to 8000 near the black body."""
    x, y = xyz[:2] / xyz.sum()
    n = (x - 0.3320) / (0.1858 - y)
    return float(449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33)


def y_of_lightness(l_star: float) -> float:
    """Y 0..1 of CIE lightness L* (CIE 15:2018, 8.2.1)."""
    return float(lab_to_xyz(np.array([l_star, 0.0, 0.0]))[1])


def munsell_value(y: float) -> float:
    """Value of a luminous reflectance factor Y (0..1, perfect diffuser = 1) by
    bisection of ``y_of_value``."""
    low, high = 0.0, 10.0
    for _ in range(60):
        v = (low + high) / 2
        low, high = (v, high) if y_of_value(v) < y else (low, v)
    return (low + high) / 2


def y_of_value(value: float) -> float:
    """Y 0..1 of a value 0..10: the quintic of ASTM D1535, in percent relative to the
    perfect diffuser, divided by 100."""
    v = float(value)
    percent = v * (1.1914 + v * (-0.22533 + v * (0.23352 + v * (-0.020484 + v * 0.00081939))))
    return percent / 100
