"""A picture of a block or a print as greys: scans, bitmaps and drawings, not only photos."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calibration.errors import BadFile
from calibration.files import read_bytes
from calibration.photo.decode import pillow_picture, upright
from calibration.photo.header import check_room, damaged

FORMATS = ("PNG", "JPEG", "TIFF", "WEBP", "GIF", "BMP", "PPM")
LONGEST_PX = 3000  # finer than any printed area is known
_BAND_PIXELS = 4_000_000  # worked on at a time
_WHY = "the printed area is counted in it"


def read_grey(path: Path) -> np.ndarray:
    """(h, w) uint8 greys of a picture, upright, at most 3000 px long; what is transparent
    counts as white. Raises ``BadFile``."""
    from PIL import Image, UnidentifiedImageError

    data = read_bytes(path, "a picture of the block", 400_000_000)
    try:
        with pillow_picture(data, FORMATS) as picture:
            # Pillow's own copy, the decoder's, and ours.
            room = 2 * _pixel_bytes(picture.mode) + 2
            check_room(picture.size, f"the picture {path}", room, len(data))
            picture.draft("L", (LONGEST_PX, LONGEST_PX))
            # Pillow turns TIFFs by itself.
            turn = 1 if picture.format == "TIFF" else picture.getexif().get(0x0112, 1)
            picture.load()
            return upright(_shrunk(_grey(picture, path)), turn)
    except UnidentifiedImageError:
        from calibration.photo.open import photo_from_bytes  # phones' and raw formats

        return _shrunk(photo_from_bytes(data, str(path)).grey8())
    except Image.DecompressionBombError as error:
        raise BadFile(
            f"the picture {path} is too large ({error})",
            "it may not fit in the memory of this computer",
            "scan at 300 dpi, or shrink it",
        ) from None
    except BadFile:
        raise
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise damaged(str(path), f"is damaged ({error})") from None


def _pixel_bytes(mode: str) -> int:
    return {"1": 1, "L": 1, "P": 1}.get(mode, 2 if mode.startswith("I;16") else 4)


def _grey(picture, path: Path) -> np.ndarray:
    """Greys 0..255 of a Pillow picture of any mode."""
    width, height = picture.size
    deep = picture.mode.startswith(("I", "F"))  # 16 bits and more: by its own range of values
    top = 0.0
    if deep:
        highest = float(picture.getextrema()[1])
        top = max(65535.0 if highest > 255 else 255.0, highest)
    grey = np.empty((height, width), np.uint8)
    step = max(1, _BAND_PIXELS // width)
    for y in range(0, height, step):
        band = picture.crop((0, y, width, min(y + step, height)))
        if deep:
            values = np.asarray(band, dtype=float)
            if not np.isfinite(values).all():
                raise BadFile(
                    f"the picture {path} holds places that are no number",
                    _WHY,
                    "export or scan it again as 8-bit greys",
                )
            grey[y : y + step] = np.clip(np.rint(values * 255 / top), 0, 255)
        else:
            grey[y : y + step] = _on_white(band)
    return grey


def _on_white(picture) -> np.ndarray:
    from PIL import Image

    if "A" in picture.getbands() or "transparency" in picture.info:
        over = picture.convert("RGBA")
        white = Image.new("RGBA", over.size, "white")
        picture = Image.alpha_composite(white, over)
    return np.asarray(picture.convert("L"))


def _shrunk(grey: np.ndarray) -> np.ndarray:
    import cv2

    shrink = LONGEST_PX / max(grey.shape)
    if shrink >= 1:
        return grey
    size = (max(1, round(grey.shape[1] * shrink)), max(1, round(grey.shape[0] * shrink)))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
