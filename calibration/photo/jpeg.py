"""What a JPEG says before any pixel is decoded (ITU-T T.81): frame, tables, profile, Exif."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from calibration.photo.exif import Exif, directory, integer, read_exif
from calibration.photo.header import Header, damaged, not_rgb

# ISO 21496-1 marks a photo with a gain map by this name; before it, XMP of a namespace did.
GAIN_MAP_SIGNS = (b"urn:iso:std:iso:ts:21496:-1", b"hdr-gain-map/1.0", b"aux:hdrgainmap")
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
# Any marker but those that stand within coded data (T.81, B.1.1.5).
_MARKER = re.compile(rb"\xff([^\x00\xff\xd0-\xd7])")
SCAN, END = 0xDA, 0xD9
# fmt: off
ANNEX_K_LUMINANCE = (  # ITU-T T.81 (1992), table K.1
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55,
    14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
    18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
)
# fmt: on


def jpeg_quality(steps: tuple[int, ...]) -> int | None:
    """The quality, 1..100, at which a JPEG was saved, from the 64 steps of its luminance
    quantisation table (any order).

    Quality is no part of the standard. Usual encoders scale the example table K.1 of
    ITU-T T.81 by s %, with s = 5000 / q below q = 50 and s = 200 - 2 q from there on, and
    limit the steps to 1..255 (the free reference encoder's rule). The quality whose scaled
    table has the nearest sum is returned, so an encoder with tables of its own gets the
    quality of the equally coarse usual table. None when there are not 64 steps.
    """
    if len(steps) != 64:
        return None
    quality = np.arange(1, 101)
    scale = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)
    tables = np.clip((scale[:, None] * np.array(ANNEX_K_LUMINANCE) + 50) // 100, 1, 255)
    return int(quality[np.abs(tables.sum(axis=1) - sum(steps)).argmin()])


def segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """(marker, start, end of its body) of each segment of a JPEG, up to its end or to where it
    breaks off. After a scan's segment come its coded data, up to the next marker."""
    at = 2
    while (found := _MARKER.search(data, at)) is not None:
        marker, at = found[1][0], found.end()
        if marker in (0x01, 0xD8):
            continue
        if marker == END:
            yield marker, at, at
            return
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2 or at + length > len(data):
            return
        yield marker, at + 2, at + length
        at += length


def coded_end(data: bytes, at: int) -> int:
    """Where the coded data of a scan end that begin here."""
    found = _MARKER.search(data, at)
    return len(data) if found is None else found.start()


def read_jpeg(data: bytes, name: str) -> Header:
    """Walk the segments to the coded data, and see that these end (T.81, annex B)."""
    frame: tuple[int, int, int, int] | None = None
    tables: dict[int, tuple[int, ...]] = {}
    profile: dict[int, bytes] = {}
    exif, pictures, luminance, gain_map, whole = Exif(), 1, 0, False, False
    for marker, start, end in segments(data):
        body = data[start:end]
        if marker in FRAMES and frame is None and len(body) >= 9:
            frame, luminance = struct.unpack_from(">BHHB", body), body[8]
            whole = marker & 3 == 2  # progressive: all coefficients are held until the end
        elif marker == 0xDB:
            tables |= _quantisation(body)
        elif marker == 0xE1 and body[:6] == b"Exif\0\0" and exif == Exif():
            exif = read_exif(body)
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0" and len(body) > 14:
            profile[body[12]] = body[14:]  # ICC.1:2022, B.4: numbered pieces
        elif marker == 0xE2 and body[:4] == b"MPF\0":
            pictures = _multi_picture(body[4:])
        elif marker in (0xE1, 0xE2) and any(sign in body for sign in GAIN_MAP_SIGNS):
            gain_map = True
        elif marker == END:
            raise damaged(name, "holds no picture data")
        elif marker == SCAN:
            # Coded data never hold this pair (T.81, B.1.1.5): it is the end of the image.
            if data.find(b"\xff\xd9", end) < 0:
                raise damaged(name, "breaks off in the middle of the picture")
            whole |= frame is not None and body[:1] != bytes((frame[3],))  # one colour a scan
            break
    else:
        raise damaged(name, "breaks off before its end")
    if frame is None:
        raise damaged(name)
    bits, height, width, parts = frame
    if bits != 8:
        raise not_rgb(name, f"a JPEG of {bits} bits", "this rare kind of JPEG cannot be read here")
    if parts == 1:
        raise not_rgb(name, "a picture without colour (shades of grey)")
    if parts != 3:
        raise not_rgb(name, "colours for printing (CMYK)", "they are no record of a camera's light")
    icc = b"".join(profile[k] for k in sorted(profile))
    quality = jpeg_quality(tables.get(luminance, ()))
    header = Header("JPEG", (width, height), 8, False, icc, exif, quality, pictures)
    return replace(header, gain_map=gain_map, scratch=3.0 if whole else 0.0)


def _quantisation(body: bytes) -> dict[int, tuple[int, ...]]:
    """The tables of one DQT segment (T.81, B.2.4.1)."""
    tables, at = {}, 0
    while at < len(body):
        wide, number = body[at] >> 4, body[at] & 15
        steps = body[at + 1 : at + 1 + (128 if wide else 64)]
        at += 1 + (128 if wide else 64)
        if wide and len(steps) == 128:
            tables[number] = struct.unpack(">64H", steps)
        else:
            tables[number] = tuple(steps)
    return tables


def _multi_picture(body: bytes) -> int:
    """The number of pictures that a multi-picture index lists (CIPA DC-007, tag B001)."""
    try:
        return max(1, integer(directory(body)[0], 0xB001, 1))
    except ValueError:
        return 1
