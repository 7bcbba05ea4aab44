"""What the tests of photo files share: a picture, ways to save it, and profiles by hand."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
from PIL import Image, ImageCms

from calibration.colour.spaces import P3_TO_XYZ_D50, WHITE_D50
from calibration.errors import BadFile
from calibration.photo.icc import ProfileUnread
from calibration.photo.open import open_photo

HIGH, WIDE = 310, 340


def picture(dtype: type = np.uint8) -> np.ndarray:
    """No two of its eight orientations are alike, and R, G, B differ."""
    top = np.iinfo(dtype).max
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    rgb = np.stack([x / WIDE, y / HIGH, (x + 2 * y) % 97 / 97], axis=-1)
    rgb[:60, :90] = (1, 0, 0)
    rgb[-50:, :40] = (0, 0, 1)
    return (rgb * top).round().astype(dtype)


PICTURE, PICTURE_16 = picture(), picture(np.uint16)


def saved(rgb: np.ndarray, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, kind, **options)
    return buffer.getvalue()


def opened(tmp_path, data: bytes, name: str = "photo"):
    path = tmp_path / name
    path.write_bytes(data)
    return open_photo(path)


def outcome(call):
    """What a call returns, or the explained failure it ends in; anything else escapes."""
    try:
        return call()
    except (BadFile, ProfileUnread) as error:
        return error


def codes(photo) -> list[str]:
    return [flag.code for flag in photo.flags]


def orientation(value: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = value
    return exif


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def with_chunks(png: bytes, *chunks: tuple[bytes, bytes]) -> bytes:
    return png[:33] + b"".join(png_chunk(*chunk) for chunk in chunks) + png[33:]


def s15(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def curv(*values: int) -> bytes:
    return b"curv" + bytes(4) + struct.pack(f">I{len(values)}H", len(values), *values)


def para(function: int, *values: float) -> bytes:
    return b"para" + bytes(4) + struct.pack(">HH", function, 0) + s15(*values)


def mluc(text: str) -> bytes:
    body = text.encode("utf-16-be")
    return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(body), 28) + body


def profile_bytes(
    matrix: np.ndarray,
    curves: list[bytes],
    name: str = "hand-made",
    version: int = 4,
    space: bytes = b"RGB ",
) -> bytes:
    """A display profile after ICC.1:2022, clause 7 and 8.4.3."""
    v2_name = b"desc" + bytes(4) + struct.pack(">I", len(name) + 1) + name.encode() + bytes(79)
    tags = {
        b"desc": mluc(name) if version == 4 else v2_name,
        b"cprt": mluc("none") if version == 4 else b"text" + bytes(4) + b"none\0",
        b"wtpt": b"XYZ " + bytes(4) + s15(*WHITE_D50),
    }
    for channel, column, curve in zip("rgb", matrix.T, curves, strict=True):
        tags[f"{channel}XYZ".encode()] = b"XYZ " + bytes(4) + s15(*column)
        tags[f"{channel}TRC".encode()] = curve
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for signature, content in tags.items():
        table += struct.pack(">4sII", signature, start + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    head = struct.pack(
        ">I4sI4s4s4s", start + len(body), bytes(4), version << 24, b"mntr", space, b"XYZ "
    )
    head += bytes(12) + b"acsp" + bytes(28) + s15(*WHITE_D50)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


SRGB_PARA = para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
PILLOW_SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
DISPLAY_P3 = profile_bytes(P3_TO_XYZ_D50, [SRGB_PARA] * 3, "Wide display")


def colour_space(code: int | None, interop: str | None = None) -> bytes:
    exif = Image.Exif()
    details = {} if code is None else {0xA001: code}
    if interop:
        details[0xA005] = {1: interop}
    exif[0x8769] = details
    return exif.tobytes()
