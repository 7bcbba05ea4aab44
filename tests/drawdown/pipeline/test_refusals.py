"""Photos that cannot be judged are refused for the true reason. A demo photo, spoiled in one way;
filters by ITU-R BT.709 luma."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from calibration.colour.spaces import srgb_decode, srgb_encode
from calibration.errors import PhotoUnfit
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips

PHOTO = Path(__file__).parents[3] / "fixtures" / "photos" / "match.jpg"


@pytest.fixture(scope="module")
def linear() -> np.ndarray:
    return srgb_decode(np.asarray(Image.open(PHOTO).convert("RGB")) / 255.0)


def refusal(linear: np.ndarray, folder: Path) -> str:
    path = folder / "spoiled.jpg"
    Image.fromarray(np.round(255 * srgb_encode(np.clip(linear, 0, 1))).astype(np.uint8)).save(
        path, quality=94
    )
    with pytest.raises(PhotoUnfit) as refused:
        read_strips(path, Options(), lambda *_: None)
    return refused.value.paragraph()


@pytest.mark.parametrize("tone", [(1.0, 1.0, 1.0), (1.1, 0.95, 0.7)], ids=["grey", "sepia"])
def test_a_photo_without_colours(linear, tmp_path, tone):
    luma = linear @ np.array([0.2126, 0.7152, 0.0722])
    assert "no colours" in refusal(luma[..., None] * tone, tmp_path)


def test_a_blurred_photo_is_called_blurred(linear, tmp_path):
    size = 0.0035 * linear.shape[1]
    said = refusal(gaussian_filter(linear, (size, size, 0)), tmp_path)
    assert "sharp" in said or "blur" in said


def test_an_overexposed_photo(linear, tmp_path):
    assert "burnt out" in refusal(linear * 4, tmp_path)
