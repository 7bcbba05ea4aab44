"""The form of a correction: tone curve, root-polynomial features, and their slopes."""

from __future__ import annotations

import numpy as np

from calibration.colorimetry import WHITE_D50

KNOTS = 9  # coefficients of the tone curve
MAP_TERMS = 6  # r g b, sqrt(rg), sqrt(gb), sqrt(rb)


def tone_basis(rgb_linear: np.ndarray) -> np.ndarray:
    """(..., KNOTS) uniform cubic B-splines in the cube root of the photo's linear value."""
    u = np.clip(np.cbrt(np.maximum(rgb_linear, 0.0)), 0.0, 1.0)
    cells = KNOTS - 3
    position = u * cells
    first = np.minimum(position.astype(int), cells - 1)
    t = (position - first)[..., None]
    weights = np.concatenate(
        [
            (1 - t) ** 3 / 6,
            (3 * t**3 - 6 * t**2 + 4) / 6,
            (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6,
            t**3 / 6,
        ],
        axis=-1,
    )
    out = np.zeros((*np.shape(rgb_linear), KNOTS))
    index = first[..., None] + np.arange(4)
    np.put_along_axis(out, index, weights, axis=-1)
    return out


def undo_tone(rgb_linear: np.ndarray, tone: np.ndarray) -> np.ndarray:
    """The photo's linear RGB with the phone's tone curve undone: u exp(h(u))."""
    rgb_linear = np.maximum(rgb_linear, 1e-6)
    if rgb_linear.size > 6000:
        # One curve for many pixels: read it from a table, exact to 1e-5.
        grid = np.linspace(0.0, 1.0, 2049)
        bend = tone_basis(grid**3) @ tone
        return rgb_linear * np.exp(np.interp(np.cbrt(rgb_linear), grid, bend))
    return rgb_linear * np.exp(tone_basis(rgb_linear) @ tone)


def features(light: np.ndarray) -> np.ndarray:
    r, g, b = light[..., 0], light[..., 1], light[..., 2]
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)


def feature_slopes(light: np.ndarray) -> np.ndarray:
    """d features / d log light: (..., 6, 3)."""
    r, g, b = light[..., 0], light[..., 1], light[..., 2]
    zero = np.zeros_like(r)
    rg, gb, rb = np.sqrt(r * g) / 2, np.sqrt(g * b) / 2, np.sqrt(r * b) / 2
    rows = [
        (r, zero, zero),
        (zero, g, zero),
        (zero, zero, b),
        (rg, rg, zero),
        (zero, gb, gb),
        (rb, zero, rb),
    ]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def lab_slopes(xyz: np.ndarray) -> np.ndarray:
    """d Lab / d XYZ: (..., 3, 3)."""
    t = xyz / WHITE_D50
    low = (6 / 29) ** 3
    slope = np.where(t > low, 1 / (3 * np.cbrt(np.maximum(t, low)) ** 2), (29 / 3) ** 3 / 116)
    slope = slope / WHITE_D50
    out = np.zeros((*xyz.shape, 3))
    out[..., 0, 1] = 116 * slope[..., 1]
    out[..., 1, 0], out[..., 1, 1] = 500 * slope[..., 0], -500 * slope[..., 1]
    out[..., 2, 1], out[..., 2, 2] = 200 * slope[..., 1], -200 * slope[..., 2]
    return out


def metric(lab: np.ndarray) -> np.ndarray:
    """(..., 3, 3) matrix that turns a small Lab difference into one whose length follows
    CIEDE2000: lightness, chroma and hue weights at this colour (S_L, S_C, S_H of ISO/CIE
    11664-6 with T = 1; blue rotation left out)."""
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    safe = np.maximum(chroma, 1e-6)
    cos, sin = lab[..., 1] / safe, lab[..., 2] / safe
    grey = chroma < 1.0
    cos, sin = np.where(grey, 1.0, cos), np.where(grey, 0.0, sin)
    off = (lab[..., 0] - 50) ** 2
    s_l = 1 + 0.015 * off / np.sqrt(20 + off)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma
    # a' stretches a near the grey axis (G of the formula).
    c7 = chroma**7
    g = 1 + 0.5 * (1 - np.sqrt(c7 / (c7 + 25.0**7)))
    out = np.zeros((*lab.shape, 3))
    out[..., 0, 0] = 1 / s_l
    out[..., 1, 1], out[..., 1, 2] = cos / s_c * g, sin / s_c
    out[..., 2, 1], out[..., 2, 2] = -sin / s_h * g, cos / s_h
    return out


def least_slope(tone: np.ndarray, rgb_linear: np.ndarray) -> float:
    """The smallest slope d log(light) / d log(photo) of an undone tone curve over the range of
    some readings. A phone's curve stretches and squeezes, but not to nothing: a small slope
    means that something else, such as a shadow, was taken for tone."""
    low, high = np.cbrt(np.clip(np.quantile(rgb_linear, (0.02, 0.98)), 1e-6, 1.0))
    t = np.linspace(low, high, 60)
    bend = tone_basis(t**3) @ tone
    return float(np.min(1 + np.gradient(bend, t) * t / 3))
