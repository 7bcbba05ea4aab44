"""CIEDE2000 (ISO/CIE 11664-6:2014; Sharma, Wu, Dalal, Color Res. Appl. 30 (2005) 21-30) and its
local metric, CIE94's (CIE 116-1995), dL*, dC*, dH*, and how Lab follows XYZ (CIE 15:2018).
"""

from __future__ import annotations

import numpy as np

from calibration.colour.spaces import WHITE_D50

_25_TO_7 = 25.0**7
# Hues that differ by 180 degrees to within this (radians) count as exactly opposite.
_OPPOSITE = 1e-12
_TINY = 1e-150  # no colour has so little chroma but a grey, whose chroma is 0
# T of the formula as the real part of a polynomial in exp(i h): factors of exp(i h) .. exp(4 i h).
_T = np.array([-0.17, 0.24, 0.32, -0.20]) * np.exp(1j * np.deg2rad([-30.0, 0.0, 6.0, -63.0]))


def delta_e_2000(lab_1: np.ndarray, lab_2: np.ndarray) -> np.ndarray:
    """CIEDE2000 with k_L = k_C = k_H = 1 of Lab colours (..., 3); shapes broadcast, gives (...).

    The mean hue jumps where two hues are exactly 180 degrees apart. Sharma, Wu, Dalal 2005
    take half the sum of the two hue angles there, which of the two mean hues is the one with
    a' < 0, or +b for hues of 0 and 180 degrees (their pair 14: 4.8045). So it is here, both
    ways round: hues that are opposite to within rounding are treated as exactly opposite, and
    the last bit decides nothing.

    Raises ``ValueError`` where the last axis is not three long or the shapes do not fit.
    """
    l_1, a_1, b_1 = _channels(lab_1)
    l_2, a_2, b_2 = _channels(lab_2)
    stretch = _stretch((_length(a_1, b_1) + _length(a_2, b_2)) / 2)
    a_1, a_2 = a_1 * stretch, a_2 * stretch
    c_1, c_2 = _length(a_1, b_1), _length(a_2, b_2)
    hue_1 = _unit(a_1 + 1j * b_1)  # of length 1, and 0 for a grey
    hue_2 = _unit(a_2 + 1j * b_2)
    both = c_1 * c_2
    cross, dot = a_1 * b_2 - a_2 * b_1, a_1 * a_2 + b_1 * b_2
    opposite = (dot < 0) & (np.abs(cross) <= _OPPOSITE * both)
    rise = np.where(np.abs(b_1) <= _OPPOSITE * c_1, a_1, b_1)
    above = rise > 0  # hue of the first in 0 <= h < 180 degrees
    sense = np.where(opposite, np.where(above, 1.0, -1.0), np.sign(cross))
    # The mean hue halves the angle; beyond 90 degrees it is sharper seen across the chord.
    chord = hue_2 - hue_1
    mean = np.where(dot < 0, -1j * sense * chord, hue_1 + hue_2)
    s_l, s_c, s_h, r_t = _weights((l_1 + l_2) / 2, (c_1 + c_2) / 2, mean)
    d_l, d_c = (l_2 - l_1) / s_l, (c_2 - c_1) / s_c
    # The chord is 2 sin(dh / 2) long.
    d_h = sense * np.sqrt(both) * _length(chord.real, chord.imag) / s_h
    square = d_l * d_l + d_c * d_c + d_h * (d_h + r_t * d_c)
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _channels(lab: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lab = np.asarray(lab, dtype=float)
    if lab.shape[-1:] != (3,):
        raise ValueError(f"Lab colours end in an axis of three, not in shape {lab.shape}")
    return lab[..., 0], lab[..., 1], lab[..., 2]


def _length(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """As numpy's hypot, five times as fast: no chroma overflows."""
    return np.asarray(np.sqrt(x * x + y * y))


def _unit(hue: np.ndarray) -> np.ndarray:
    """The complex number made one long; 0 stays 0."""
    return np.asarray(hue * (1 / np.maximum(_length(hue.real, hue.imag), _TINY)))


def _seventh(chroma: np.ndarray) -> np.ndarray:
    """sqrt(C^7 / (C^7 + 25^7))."""
    square = chroma * chroma
    power = square * square * square * chroma
    return np.asarray(np.sqrt(power / (power + _25_TO_7)))


def _stretch(chroma: np.ndarray) -> np.ndarray:
    """1 + G: what a* is multiplied by, most near the grey axis."""
    return 1.5 - 0.5 * _seventh(chroma)


def _weights(
    lightness: np.ndarray, chroma: np.ndarray, hue: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """S_L, S_C, S_H and R_T at a mean L*, C' and hue (a complex number of any length)."""
    off = (lightness - 50.0) ** 2
    unit = _unit(hue)
    t = 1 + ((((_T[3] * unit + _T[2]) * unit + _T[1]) * unit + _T[0]) * unit).real
    degrees = np.rad2deg(np.arctan2(unit.imag, unit.real))
    degrees = degrees + 360.0 * (degrees < 0)
    swing = np.deg2rad(60.0) * np.exp(-(((degrees - 275.0) / 25.0) ** 2))
    return (
        1 + 0.015 * off / np.sqrt(20.0 + off),
        1 + 0.045 * chroma,
        1 + 0.015 * chroma * t,
        -2 * _seventh(chroma) * np.sin(swing),
    )


def local_metric(lab: np.ndarray) -> np.ndarray:
    """(..., 3, 3) matrix W at colours (..., 3) such that CIEDE2000 of a small Lab step d is
    the length of W d: the formula's own second-order form, hue rotation included.

    W.T @ W is the quadratic form; rows are lightness, chroma (with what R_T adds) and hue.
    At the grey axis, where there is no hue, all directions weigh alike and W is the limit.
    """
    out, r_t = _parts(lab)
    # c^2 + h^2 + R c h as a sum of two squares; |R| stays below 2 sin 60 degrees.
    out[..., 1, :] += (r_t / 2)[..., None] * out[..., 2, :]
    out[..., 2, :] *= np.sqrt(1 - r_t * r_t / 4)[..., None]
    return out


def lch_metric(lab: np.ndarray) -> np.ndarray:
    """(..., 3, 3) matrix that takes a small Lab step at colours (..., 3) to its parts in Delta
    E, dL' / S_L, dC' / S_C and dH' / S_H of the formula. Its length is not CIEDE2000 among
    blues, where hue and chroma together count for less: that is ``local_metric``."""
    return _parts(lab)[0]


def _parts(lab: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The rows of ``lch_metric`` and R_T."""
    lightness, a, b = _channels(lab)
    stretch = _stretch(_length(a, b))
    cos, sin, chroma = _hue(a * stretch, b)
    s_l, s_c, s_h, r_t = _weights(lightness, chroma, cos + 1j * sin)
    out = _rows(cos, sin, 1 / s_l, 1 / s_c, 1 / s_h)
    out[..., 1] *= stretch[..., None]
    return out, r_t


def local_distance(lab: np.ndarray, step_lab: np.ndarray) -> np.ndarray:
    """(...) Delta E of small Lab steps (..., 3) at colours (..., 3), by the local metric."""
    scaled = local_metric(lab) @ np.asarray(step_lab, dtype=float)[..., None]
    return np.asarray(np.linalg.norm(scaled[..., 0], axis=-1))


def cie94_metric(lab: np.ndarray, k_l: float = 1.0) -> np.ndarray:
    """(..., 3, 3) matrix that takes a small Lab step at colours (..., 3) to (dL* / k_L,
    dC* / (1 + 0.045 C*), dH* / (1 + 0.015 C*)): the weights of CIE94 (CIE 116-1995) at one
    colour. Plain along L*, and smooth everywhere but on the grey axis."""
    lightness, a, b = _channels(lab)
    cos, sin, chroma = _hue(a, b)
    one = np.ones_like(lightness)
    return _rows(cos, sin, one / k_l, 1 / (1 + 0.045 * chroma), 1 / (1 + 0.015 * chroma))


def _hue(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cosine and sine of the hue, and the chroma; a grey gets the hue of +a."""
    chroma = _length(a, b)
    grey = chroma < 1e-9
    safe = np.where(grey, 1.0, chroma)
    return np.where(grey, 1.0, a / safe), np.where(grey, 0.0, b / safe), chroma


def _rows(
    cos: np.ndarray, sin: np.ndarray, by_l: np.ndarray, by_c: np.ndarray, by_h: np.ndarray
) -> np.ndarray:
    """(..., 3, 3): steps along L*, the chroma and the hue, each with its weight."""
    out = np.zeros((*np.shape(cos), 3, 3))
    out[..., 0, 0] = by_l
    out[..., 1, 1], out[..., 1, 2] = cos * by_c, sin * by_c
    out[..., 2, 1], out[..., 2, 2] = -sin * by_h, cos * by_h
    return out


def lch_difference(lab_1: np.ndarray, lab_2: np.ndarray) -> tuple[float, float, float]:
    """dL*, dC*ab and signed dH*ab of two Lab colours (3,), second minus first
    (CIE 15:2018, 8.2.1)."""
    c_1, c_2 = np.hypot(*lab_1[1:]), np.hypot(*lab_2[1:])
    cross = lab_1[1] * lab_2[2] - lab_1[2] * lab_2[1]
    square = np.sum((lab_2[1:] - lab_1[1:]) ** 2)
    d_h = np.sqrt(max(0.0, float(square - (c_2 - c_1) ** 2)))
    return float(lab_2[0] - lab_1[0]), float(c_2 - c_1), float(np.copysign(d_h, cross))


def lab_by_xyz(xyz: np.ndarray, white: np.ndarray = WHITE_D50) -> np.ndarray:
    """d Lab / d XYZ (..., 3, 3) at XYZ (..., 3), Y = 1 scale: rows L*, a*, b*, columns X, Y,
    Z (the slope of CIE 15:2018, 8.2.1, its straight part near black included)."""
    t = np.asarray(xyz, dtype=float) / white
    low = (6 / 29) ** 3
    straight = (29 / 3) ** 3 / 116
    slope = np.where(t > low, 1 / (3 * np.cbrt(np.maximum(t, low)) ** 2), straight) / white
    return np.asarray(_LAB_OF_CUBE_ROOTS * slope[..., None, :])


# L*, a*, b* are linear in the cube roots of X / Xn, Y / Yn, Z / Zn.
_LAB_OF_CUBE_ROOTS = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
