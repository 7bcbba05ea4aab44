"""The answer as a picture: the photo with what was measured, and below it the verdict.

Sizes are in hundredths of the picture's width, so that the words stay legible when the
picture is shown 400 pixels wide on a phone.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from calibration.files import write_atomically
from drawdown.report.pictures.overlay import mark_photo
from drawdown.report.pictures.panel import draw_panel

if TYPE_CHECKING:
    from calibration.photo.open import Photo
    from drawdown.pipeline.read import Judgement

LONG_SIDE_PX = 1280
LEAST_WIDTH_PX = 800


def save_picture(judgement: Judgement, path: Path) -> None:
    """Write the picture as PNG (sRGB, 8 bit), whole or not at all. Raises ``BadFile``."""
    write_atomically(path, png_bytes(draw_picture(judgement)))


def draw_picture(judgement: Judgement) -> Image.Image:
    """The picture: photo above, panel below, at most 1280 px wide."""
    photo, scale = small_srgb(judgement.photo)
    above = mark_photo(photo, scale, judgement)
    below = draw_panel(judgement, above.width)
    picture = Image.new("RGB", (above.width, above.height + below.height))
    picture.paste(above, (0, 0))
    picture.paste(below, (0, above.height))
    return picture


def small_srgb(photo: Photo) -> tuple[np.ndarray, float]:
    """(h, w, 3) uint8 sRGB of the photo, long side at most 1280 px but at least 800 px
    wide, and its scale."""
    import cv2

    from calibration.colour.spaces import xyz_d50_to_srgb

    scale = min(1.0, LONG_SIDE_PX / max(photo.width_px, photo.height_px))
    scale = max(scale, LEAST_WIDTH_PX / photo.width_px)
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    way = cv2.INTER_AREA if scale <= 1 else cv2.INTER_LINEAR
    small = cv2.resize(photo.rgb_encoded, size, interpolation=way)
    if photo.profile.name == "sRGB":
        return (small if small.dtype == np.uint8 else (small // 257).astype(np.uint8)), scale
    linear = np.stack([photo.profile.decode[i][small[..., i]] for i in range(3)], axis=-1)
    encoded = xyz_d50_to_srgb(linear @ photo.profile.to_xyz_d50.T)
    return np.rint(255 * encoded).astype(np.uint8), scale


def png_bytes(picture: Image.Image) -> bytes:
    """PNG that says it is sRGB (W3C PNG, sRGB chunk, perceptual intent)."""
    info = PngInfo()
    info.add(b"sRGB", b"\x00")
    out = io.BytesIO()
    picture.save(out, "PNG", pnginfo=info, compress_level=6)
    return out.getvalue()
