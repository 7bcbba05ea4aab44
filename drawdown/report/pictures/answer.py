"""The answer as a picture: the verdict and what to do, and below them the photo with what was
measured.

Sizes are in hundredths of the picture's width, so that the words stay legible when the
picture is shown 400 pixels wide on a phone.
"""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
from PIL import Image

from calibration.errors import PhotoUnfit
from calibration.files import write_atomically
from calibration.photo.decode import png_bytes
from calibration.photo.open import Photo, open_photo
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.report.pictures.canvas import PAPER
from drawdown.report.pictures.overlay import mark_photo, mark_rough
from drawdown.report.pictures.panel import draw_panel, draw_refusal, draw_rough

WIDTH_PX, TALLEST_PX = 1000, 2000
_LEAST_PHOTO_PX = 400  # so tall it stays whatever is written above it


def save_picture(judgement: Judgement | RoughLook, path: Path) -> None:
    """Write the picture (sRGB, 8 bit) as its ending says, whole or not at all. Raises
    ``BadFile``."""
    write_atomically(path, picture_bytes(draw_picture(judgement), path))


def save_refusal(unfit: PhotoUnfit, photo: Path, path: Path) -> None:
    """The same for a photo that can't be judged, with what was found in it."""
    write_atomically(path, picture_bytes(draw_refused(unfit, shown(unfit, photo)), path))


def shown(unfit: PhotoUnfit, photo: Path) -> Photo:
    """The photo that can't be judged, opened again where nothing of it was kept."""
    return open_photo(photo) if unfit.found is None else unfit.found.photo


def draw_picture(judgement: Judgement | RoughLook) -> Image.Image:
    """The picture: panel above, photo (if any) below, 1000 px wide and at most 2000 px tall."""
    rough = isinstance(judgement, RoughLook)
    above = draw_rough(judgement, WIDTH_PX) if rough else draw_panel(judgement, WIDTH_PX)
    if judgement.photo is None:
        return above
    return _together(above, marked_photo(judgement, *_room(above)))


def marked_photo(judgement: Judgement | RoughLook, wide: int, tall: int) -> Image.Image:
    """The photo as large as fits ``wide`` by ``tall`` pixels, with what was measured outlined."""
    photo, scale = small_srgb(judgement.photo, wide, tall)
    if isinstance(judgement, RoughLook):
        return mark_rough(photo, scale, judgement)
    return mark_photo(photo, scale, judgement)


def draw_refused(unfit: PhotoUnfit, photo: Photo) -> Image.Image:
    """The picture of a photo that can't be judged; card and strips are outlined as far as they
    were found (``unfit.found``)."""
    above = draw_refusal(unfit, WIDTH_PX)
    small, scale = small_srgb(photo, *_room(above))
    found = unfit.found
    below = Image.fromarray(small) if found is None else mark_photo(small, scale, found)
    return _together(above, below)


def _room(above: Image.Image) -> tuple[int, int]:
    return WIDTH_PX, max(_LEAST_PHOTO_PX, TALLEST_PX - above.height)


def _together(above: Image.Image, below: Image.Image) -> Image.Image:
    picture = Image.new("RGB", (WIDTH_PX, above.height + below.height), PAPER)
    picture.paste(above, (0, 0))
    picture.paste(below, ((WIDTH_PX - below.width) // 2, above.height))
    if picture.height > TALLEST_PX:
        picture = picture.resize((WIDTH_PX * TALLEST_PX // picture.height, TALLEST_PX))
    return picture


def small_srgb(photo: Photo, wide: int, tall: int) -> tuple[np.ndarray, float]:
    """(h, w, 3) uint8 sRGB of the photo, as large as fits ``wide`` by ``tall`` pixels, and its
    scale."""
    import cv2

    from calibration.colour.spaces import xyz_d50_to_srgb

    if not photo.rgb_encoded.size:  # put down after it was read
        photo = open_photo(photo.path)
    scale = min(wide / photo.width_px, tall / photo.height_px)
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    way = cv2.INTER_AREA if scale <= 1 else cv2.INTER_LINEAR
    small = cv2.resize(photo.rgb_encoded, size, interpolation=way)
    if photo.profile.name == "sRGB":
        return (small if small.dtype == np.uint8 else (small // 257).astype(np.uint8)), scale
    linear = np.stack([photo.profile.decode[i][small[..., i]] for i in range(3)], axis=-1)
    encoded = xyz_d50_to_srgb(linear @ photo.profile.to_xyz_d50.T)
    return np.rint(255 * encoded).astype(np.uint8), scale


def picture_bytes(picture: Image.Image, path: Path) -> bytes:
    """The picture in the format that the ending of ``path`` names: .png, .jpg, .pdf, or .svg, which
    holds the PNG."""
    ending = path.suffix.lower()
    if ending == ".svg":
        wide, tall = picture.size
        data = base64.b64encode(png_bytes(picture)).decode("ascii")
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {tall}">'
            f'<image width="{wide}" height="{tall}" href="data:image/png;base64,{data}"/></svg>\n'
        ).encode("ascii")
    if ending not in (".jpg", ".jpeg", ".pdf"):
        return png_bytes(picture)
    out = io.BytesIO()
    kind, how = ("PDF", {"resolution": 150}) if ending == ".pdf" else ("JPEG", {"quality": 92})
    picture.convert("RGB").save(out, kind, **how)
    return out.getvalue()
