"""JPEG's rounding of even areas, against Pillow's encoder (libjpeg), which the program does
not use for this."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from calibration.colour.difference import local_metric
from calibration.colour.spaces import (
    SRGB_TO_XYZ_D50,
    lab_to_xyz,
    srgb_decode,
    xyz_d50_to_srgb,
    xyz_to_lab,
)
from drawdown.reading.budget import jpeg_sd_de

ROWS, COLUMNS = 48, 40  # an area of 30 x 20 px is read in each


def errors(quality: int, rng: np.random.Generator) -> np.ndarray:
    """(24, 3) what JPEG does to the mean colour of even areas of all kinds on paper, in the
    CIEDE2000 metric; a phone's noise and a lamp's fall-off included."""
    lab = np.column_stack([rng.uniform(20, 88, 24), rng.uniform(-35, 35, (24, 2))])
    picture = np.tile(xyz_d50_to_srgb(lab_to_xyz(np.array([92.0, 0, 3]))), (240, 160, 1))
    picture = np.tile(picture, (2, 1, 1))[: 6 * ROWS]
    corners = []
    for k, colour in enumerate(xyz_d50_to_srgb(lab_to_xyz(lab))):
        y, x = (k // 4) * ROWS + rng.integers(4, 10), (k % 4) * COLUMNS + rng.integers(4, 10)
        picture[y : y + 36, x : x + 26] = colour
        corners.append((y + 3, x + 3))
    picture = picture * (1 + 0.02 * np.linspace(-1, 1, picture.shape[1])[None, :, None])
    picture = picture + 0.006 * rng.standard_normal(picture.shape)
    plain = np.clip(np.round(picture * 255), 0, 255).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(plain).save(stream, "JPEG", quality=quality, subsampling=2)
    coded = np.asarray(Image.open(stream))

    def read(image):
        means = [
            srgb_decode(image[y : y + 30, x : x + 20] / 255).reshape(-1, 3).mean(axis=0)
            for y, x in corners
        ]
        return xyz_to_lab(np.array(means) @ SRGB_TO_XYZ_D50.T)

    return np.einsum("nij,nj->ni", local_metric(lab), read(coded) - read(plain))


@pytest.mark.parametrize("quality", [60, 75, 85, 90])
def test_size_agrees_with_an_encoder(quality):
    rng = np.random.default_rng(quality)
    found = np.concatenate([errors(quality, rng) for _ in range(6)])
    ratio = jpeg_sd_de(quality) / np.sqrt(np.mean(found**2))
    assert 0.7 < ratio < 1.5, ratio


def test_coarser_tables_leave_more_open_and_no_jpeg_nothing():
    sizes = [jpeg_sd_de(q) for q in (30, 50, 70, 90, 98)]
    assert sizes == sorted(sizes, reverse=True)
    assert jpeg_sd_de(None) == 0.0
