"""From file bytes to an upright array: decoding, turning, and what decoders say on the side."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from calibration.errors import BadFile
from calibration.photo.header import (
    PACKINGS,
    PLAIN_PACKINGS,
    SEARCH_BYTES,
    Header,
    check_room,
    check_size,
    damaged,
)

if TYPE_CHECKING:
    from PIL import Image


def decode(data: bytes, header: Header, name: str) -> np.ndarray:
    """(h, w, 3) RGB, upright."""
    import cv2

    what, value = f"the file {name}", header.bits // 8
    # The decoder's picture is copied into the array; so is, later, one that is turned.
    check_size(header.size, what, 2 * (3 + header.alpha) * value + header.scratch, len(data))
    check_room(header.size, what, 3 * value + (1 if value == 1 else 3), SEARCH_BYTES)
    if header.compression not in PLAIN_PACKINGS:
        return _decode_rare_tiff(data, header, name)
    whole = header.bits == 16 or header.alpha
    mode = cv2.IMREAD_UNCHANGED if whole else cv2.IMREAD_COLOR_RGB
    pixels = None
    with overheard() as murmur, contextlib.suppress(cv2.error):
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), mode | cv2.IMREAD_IGNORE_ORIENTATION)
    # TIFFs come turned, whatever the flag says.
    if pixels is None or pixels.ndim != 3 or not _is_size(pixels.shape[1::-1], header):
        raise damaged(name, "is damaged, or of a kind too rare to be read here")
    # The JPEG decoder fills gaps with grey and mentions it only there.
    spoilt = [line for line in murmur().splitlines() if b"orrupt" in line or b"remature" in line]
    if header.format == "JPEG" and any(b"extraneous bytes" not in line for line in spoilt):
        raise damaged(name, "is damaged in the middle of the picture")
    if pixels.shape[2] == 4:
        pixels = without_alpha(pixels, cv2.COLOR_BGRA2RGB, name)
    elif whole:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)
    return pixels if header.format == "TIFF" else upright(pixels, header.exif.orientation)


def _is_size(size: tuple[int, ...], header: Header) -> bool:
    return size == header.size or (header.format == "TIFF" and size == header.size[::-1])


def without_alpha(pixels: np.ndarray, conversion: int, name: str) -> np.ndarray:
    import cv2

    if cv2.minMaxLoc(cv2.extractChannel(pixels, 3))[0] < np.iinfo(pixels.dtype).max:
        raise BadFile(
            f"the file {name} is partly transparent or carries a mask",
            "what lies behind it would be measured as colour",
            "save it without transparency, as one flat layer",
        )
    return cv2.cvtColor(pixels, conversion)


def _decode_rare_tiff(data: bytes, header: Header, name: str) -> np.ndarray:
    """8-bit TIFFs whose compression only Pillow can undo; it turns them, too."""
    import cv2

    try:
        with pillow_picture(data, ("TIFF",)) as image, overheard():
            image.load()
            if _is_size(image.size, header) and image.mode == "RGB":
                return np.array(image)
            if _is_size(image.size, header) and image.mode == "RGBA":
                return without_alpha(np.array(image), cv2.COLOR_RGBA2RGB, name)
    except BadFile:
        raise
    except Exception:  # whatever a broken file makes a decoder raise
        pass
    how = PACKINGS.get(header.compression, f"kind {header.compression}")
    raise BadFile(
        f"the file {name} is a TIFF with {how} compression that cannot be undone here",
        "it is damaged, or its compression is a rare one",
        "save it as TIFF with LZW, ZIP or no compression",
    )


@contextlib.contextmanager
def pillow_picture(data: bytes, formats: tuple[str, ...]) -> Iterator[Image.Image]:
    """A picture of one of these formats, not yet decoded, by Pillow. No other format is tried:
    some start outside programs. How large it may be is for the caller to say."""
    import warnings

    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow's remarks are for programmers
        with Image.open(io.BytesIO(data), formats=formats) as image:
            yield image


def upright(rgb: np.ndarray, orientation: int) -> np.ndarray:
    """The picture as it was meant to be seen, for Exif orientations 1 to 8 (CIPA DC-008)."""
    import cv2

    if orientation in (5, 6, 7, 8):
        turn = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(orientation)
        if turn is not None:
            return cv2.rotate(rgb, turn)
        turned = cv2.transpose(rgb)
        return turned if orientation == 5 else cv2.flip(turned, -1, dst=turned)
    mirror = {2: 1, 3: -1, 4: 0}.get(orientation)
    return rgb if mirror is None else cv2.flip(rgb, mirror, dst=rgb)


@contextlib.contextmanager
def overheard() -> Iterator[Callable[[], bytes]]:
    """Keep what compiled decoders print to the terminal; the value returns it afterwards.

    They write to file descriptor 2 behind Python's back. Where there is none, or no place
    to keep the words in, the decoders are left alone.
    """
    heard = bytearray()
    with contextlib.ExitStack() as stack:
        try:
            if sys.stderr is not None:
                sys.stderr.flush()
            saved = os.dup(2)
            stack.callback(os.close, saved)
            log = stack.enter_context(_scratch())
            os.dup2(log.fileno(), 2)
            stack.callback(os.dup2, saved, 2)
        except (OSError, ValueError):
            log = None
        yield lambda: bytes(heard)
        if log is not None:
            log.seek(0)
            heard += log.read(100_000)


def _scratch() -> BinaryIO:
    """A file without a name, in memory where the system can."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("decoder"), "w+b")
    import tempfile

    return tempfile.TemporaryFile()


def png_bytes(picture: Image.Image) -> bytes:
    """The other way: PNG that says it is sRGB (W3C PNG, sRGB chunk, perceptual intent)."""
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add(b"sRGB", b"\x00")
    out = io.BytesIO()
    picture.save(out, "PNG", pnginfo=info, compress_level=6)
    return out.getvalue()
