"""From file bytes to an upright array: decoding, turning, and what decoders say on the side."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Callable, Iterator
from typing import BinaryIO

import numpy as np

from calibration.errors import BadFile
from calibration.photo.exif import read_exif
from calibration.photo.header import (
    GAIN_MAP_SIGNS,
    PACKINGS,
    PLAIN_PACKINGS,
    Header,
    check_size,
    damaged,
    not_rgb,
    several,
)


def decode(data: bytearray, header: Header, name: str) -> np.ndarray:
    """(h, w, 3) RGB as stored, not yet turned."""
    import cv2

    if header.orientation_at is not None:
        # OpenCV turns TIFFs itself, some versions wrongly: hide the tag from it.
        order = "<" if data[:2] == b"II" else ">"
        np.frombuffer(data, order + "u2", 1, header.orientation_at)[0] = 1
    if header.compression not in PLAIN_PACKINGS:
        return _decode_rare_tiff(data, header, name)
    rgb_flag = getattr(cv2, "IMREAD_COLOR_RGB", None)  # since OpenCV 4.11
    whole = header.bits == 16 or header.alpha
    if whole or rgb_flag is None:
        mode = cv2.IMREAD_UNCHANGED if whole else cv2.IMREAD_COLOR
    else:
        mode = rgb_flag
    pixels = None
    with overheard() as murmur, contextlib.suppress(cv2.error):
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), mode | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None or pixels.ndim != 3 or pixels.shape[1::-1] != header.size:
        raise damaged(name, "is damaged, or of a kind too rare to be read here")
    # The JPEG decoder fills gaps with grey and mentions it only there.
    spoilt = [line for line in murmur().splitlines() if b"orrupt" in line or b"remature" in line]
    if header.format == "JPEG" and any(b"extraneous bytes" not in line for line in spoilt):
        raise damaged(name, "is damaged in the middle of the picture")
    if pixels.shape[2] == 4:
        return _without_alpha(pixels, cv2.COLOR_BGRA2RGB, name)
    return pixels if mode == rgb_flag else cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)


def _without_alpha(pixels: np.ndarray, conversion: int, name: str) -> np.ndarray:
    import cv2

    if cv2.minMaxLoc(np.ascontiguousarray(pixels[..., 3]))[0] < np.iinfo(pixels.dtype).max:
        raise BadFile(
            f"the file {name} is partly transparent or carries a mask",
            "what lies behind it would be measured as colour",
            "save it without transparency, as one flat layer",
        )
    return cv2.cvtColor(pixels, conversion)


def _decode_rare_tiff(data: bytearray, header: Header, name: str) -> np.ndarray:
    """8-bit TIFFs whose compression only Pillow can undo."""
    import warnings

    import cv2
    from PIL import Image

    try:
        with warnings.catch_warnings(), overheard():
            warnings.simplefilter("ignore")  # Pillow's remarks are for programmers
            with Image.open(io.BytesIO(data), formats=("TIFF",)) as image:
                if image.size == header.size and image.mode == "RGB":
                    return np.array(image)
                if image.size == header.size and image.mode == "RGBA":
                    return _without_alpha(np.array(image), cv2.COLOR_RGBA2RGB, name)
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
    return rgb if mirror is None else cv2.flip(rgb, mirror)


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


# HEIC -------------------------------------------------------------------------------------
def read_heif(data: bytearray, name: str) -> tuple[Header, np.ndarray]:
    """The main picture of a HEIC file. The container's own turn has been applied by the
    decoder; the Exif orientation repeats it (ISO/IEC 23008-12) and is ignored."""
    import cv2
    import pillow_heif

    try:
        with overheard():
            heif = pillow_heif.open_heif(bytes(data), convert_hdr_to_8bit=False)
            if "sequence" in str(heif.mimetype):
                raise several(name, None, "a sequence of pictures")
            image = heif[heif.primary_index]
            check_size(image.size, f"the file {name}")
            channels = image.mode.partition(";")[0]
            # A copy: the decoder's memory goes away with its object.
            pixels = np.array(image) if channels.upper() in ("RGB", "RGBA") else None
    except BadFile:
        raise
    except Exception:  # the decoder has many ways to fail
        raise damaged(name) from None
    if pixels is None:
        raise not_rgb(name, "a picture without colour (shades of grey)")
    info = image.info
    if pixels.dtype == np.uint16:
        # 10 bits were shifted up; repeat the upper bits below, so that white is 65535.
        pixels = pixels | (pixels >> int(info.get("bit_depth", 10)))
    rgb = pixels if pixels.shape[2] == 3 else _without_alpha(pixels, cv2.COLOR_RGBA2RGB, name)
    colour = info.get("nclx_profile") or {}
    codes = (colour.get("color_primaries", 2), colour.get("transfer_characteristics", 2))
    header = Header(
        "HEIF",
        image.size,
        bits=8 if rgb.dtype == np.uint8 else 16,
        icc=info.get("icc_profile") or b"",
        exif=read_exif(info.get("exif") or b""),
        # Depth and masks of persons or sky hang on the main picture and change nothing.
        pictures=len(heif),
        cicp=None if codes[1] == 2 or codes[0] == 2 else codes,
        gain_map=any(_names_gain_map(str(kind)) for kind in info.get("aux") or ()),
    )
    return header, rgb


def _names_gain_map(kind: str) -> bool:
    return any(sign.decode() in kind for sign in GAIN_MAP_SIGNS)
