"""The form of a correction: tone curve, map features, and their slopes."""

from __future__ import annotations

import numpy as np

KNOTS = 9  # coefficients of the tone curve
CELLS = KNOTS - 3
# r g b; sqrt(rg) sqrt(gb) sqrt(rb); 1
MAP_TERMS = 7
LINEAR, ROOTS, OFFSET = slice(0, 3), slice(3, 6), 6
# No camera multiplies contrast by more than 1 / this, so no undone curve is flatter: where one
# is, something else (a shadow) was taken for tone.
LEAST_SLOPE = 0.3


def tone_basis(rgb_linear: np.ndarray) -> np.ndarray:
    """(..., KNOTS) uniform cubic B-splines in the cube root of the photo's linear value."""
    u = np.clip(np.cbrt(np.maximum(rgb_linear, 0.0)), 0.0, 1.0)
    position = u * CELLS
    first = np.minimum(position.astype(int), CELLS - 1)
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


def least_slope(tone: np.ndarray) -> np.ndarray:
    """Lower bound (...,) of d log light / d log reading over 0..1 for curves (..., KNOTS);
    above zero the curve rises everywhere.

    With w the cube root of the reading that slope is 1 + w h'(w) / 3, and on a cell of the
    spline h' is at least CELLS times the smallest of its three coefficient steps (the
    derivative of a B-spline is a mean of those; de Boor 1978, ch. X)."""
    steps = np.diff(tone, axis=-1)
    low = np.minimum(np.minimum(steps[..., :-2], steps[..., 1:-1]), steps[..., 2:])
    return 1 + np.min(np.minimum(low, 0.0) * (np.arange(CELLS) + 1) / 3, axis=-1)


def features(light: np.ndarray) -> np.ndarray:
    """(..., 3) -> (..., MAP_TERMS): root-polynomial terms of degree 2, and one."""
    r, g, b = light[..., 0], light[..., 1], light[..., 2]
    roots = [np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)]
    return np.stack([r, g, b, *roots, np.ones_like(r)], axis=-1)


# How often each channel is a factor of each term.
_POWERS = np.array(
    [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0.5, 0], [0, 0.5, 0.5], [0.5, 0, 0.5], [0, 0, 0]]
)


def feature_slopes(terms: np.ndarray) -> np.ndarray:
    """d features / d log light: (..., MAP_TERMS, 3) from the features themselves."""
    return terms[..., None] * _POWERS
