"""A picture of a block or a print as greys: scans, bitmaps and drawings, not only photos."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np

from calibration.errors import BadFile
from calibration.files import read_bytes

MOST_GREY_PIXELS = 150_000_000
LONGEST_PX = 3000  # finer than any printed area is known
_WHY = "the printed area is counted in it"


def read_grey(path: Path) -> np.ndarray:
    """(h, w) uint8 greys of a picture, upright, at most 3000 px long; what is transparent
    counts as white. Raises ``BadFile``."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    data = read_bytes(path, "a picture of the block", 400_000_000)
    try:
        with warnings.catch_warnings():
            # Large scans are usual; the size is checked here, before anything is unpacked.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as picture:
                width, height = picture.size
                if width * height > MOST_GREY_PIXELS:
                    raise _too_large(path)
                picture.draft("L", (LONGEST_PX, LONGEST_PX))
                return _shrunk(_grey(ImageOps.exif_transpose(picture)))
    except UnidentifiedImageError:
        from calibration.photo.open import open_photo  # knows phones' and raw formats, or says why

        return _shrunk(open_photo(path).grey8())
    except Image.DecompressionBombError:
        raise _too_large(path) from None
    except (OSError, SyntaxError, ValueError, EOFError) as error:
        raise BadFile(
            f"the picture {path} is damaged ({error})", _WHY, "export or scan it again"
        ) from None


def _too_large(path: Path) -> BadFile:
    return BadFile(
        f"the picture {path} has more than {MOST_GREY_PIXELS // 1_000_000} million pixels",
        "that many need more memory than the count is worth",
        "scan at 300 dpi, or shrink it",
    )


def _grey(picture) -> np.ndarray:
    """Greys 0..255 of a Pillow picture of any mode."""
    from PIL import Image

    if picture.mode.startswith(("I", "F")):  # 16 bits and more: by its own range of values
        deep = np.asarray(picture, dtype=float)
        top = 65535.0 if deep.max() > 255 else 255.0
        return np.clip(np.rint(deep * 255 / max(top, deep.max())), 0, 255).astype(np.uint8)
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
