"""Rendered scenes as raw photos: what the sensor of a scene's camera saw, as a DNG.

The file notes what a camera notes: the balance it chose (AsShotNeutral), and a ColorMatrix1 for D65
that is a plain least-squares fit to the CIE test colour samples (DNG specification 1.4, chapter 6).
"""

from __future__ import annotations

import numpy as np
from dng_kit import dng_bytes, exposed

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, WHITE_D65, adaptation
from fixtures import render
from fixtures.develop import sensed
from fixtures.optics import make_sensor
from fixtures.spec import SceneSpec
from fixtures.spectra import camera_weights, cie_samples, xyz_weights
from fixtures.truth import Truth


def from_xyz(camera: int) -> np.ndarray:
    """(3, 3) XYZ -> the sensor's own numbers, fitted under D65, white kept."""
    samples, weights, to_xyz = cie_samples(), camera_weights(camera, "D65"), xyz_weights("D65")
    raw = samples @ weights / weights.sum(axis=0)
    white = to_xyz.sum(axis=0)
    rgb = samples @ to_xyz @ adaptation(white, WHITE_D50).T @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    left = np.linalg.lstsq(raw[:, :2] - raw[:, 2:], rgb - raw[:, 2:], rcond=None)[0].T
    balanced = np.column_stack([left, 1 - left.sum(axis=1)])
    to_rgb = np.linalg.inv(SRGB_TO_XYZ_D50) @ adaptation(WHITE_D65, WHITE_D50)
    matrix = np.diag(weights.sum(axis=0)) @ np.linalg.inv(balanced) @ to_rgb
    return np.asarray(matrix / np.abs(matrix).max())


def raw_scene(spec: SceneSpec) -> tuple[bytes, Truth]:
    """A scene as a DNG, and what is true of it."""
    gain = make_sensor(spec).weights[0].sum(axis=0) / camera_weights(spec.camera, spec.lamp).sum(
        axis=0
    )
    neutral = 0.9 / gain / (1 / gain).max()
    bands = []

    def keep(raw, spec, sensor, exposure, part):
        bands.append(sensed(raw, spec, exposure, part))
        return np.zeros(raw.shape, np.uint8)

    usual, render.develop = render.develop, keep
    try:
        made = render.render(spec)
    finally:
        render.develop = usual
    rows, start = [], 0
    high, step = spec.height_px, max(64, render.BAND_PIXELS // made.rgb8.shape[1])
    high = made.rgb8.shape[0]
    for band in bands:
        pad = start - max(0, start - 48)
        count = min(step, high - start)
        rows.append(band[pad : pad + count])
        start += count
    light = np.concatenate(rows)
    sensor = exposed(light, neutral=tuple(neutral))
    file = dng_bytes(sensor, neutral=tuple(neutral), matrix=from_xyz(spec.camera))
    return file, made.truth
