"""What the book keeps of a photo: a file built anew from what is known to be needed, its pixels,
profile, orientation, time and exposure. Whatever else the file held is dropped, known or not.
"""

from __future__ import annotations

import contextlib
import struct
import zlib
from dataclasses import replace

from calibration.photo.exif import Exif, read_exif
from calibration.photo.formats import kind_of
from calibration.photo.header import (
    chunks_of,
    damaged,
    inflate,
    read_webp,
    riff_chunks,
)
from calibration.photo.heif import plain_heif
from calibration.photo.icc import linear_icc, plain_icc
from calibration.photo.jpeg import END, FRAMES, SCAN, coded_end, read_jpeg, segments

_ICC_PIECE = 65_519  # bytes of a profile in one segment (ICC.1:2022, B.4)


def kept_copy(data: bytes, name: str) -> tuple[bytes, str]:
    """The photo to keep and the ending of its format. JPEG, PNG, WebP and HEIC keep their coded
    pixels as they are; TIFF and raw photos, and a HEIC that is built in a way not known here,
    become a PNG of the pixels that were read from them. Raises ``BadFile`` for what is no
    photo."""
    kind = kind_of(data, name)
    if kind == "JPEG":
        return _jpeg(data, name), ".jpg"
    if kind == "PNG":
        return _png(data), ".png"
    if kind == "WEBP":
        return _webp(data, name), ".webp"
    if kind == "HEIF":
        with contextlib.suppress(ValueError):
            return plain_heif(data), ".heic"
    return _as_png(data, name), ".png"


def _plain_exif(exif: Exif, icc: bytes) -> bytes:
    """A new block; where there is a profile, usable or not, it alone speaks of colour."""
    return replace(exif, colour_space="" if icc else exif.colour_space).written()


# JPEG -------------------------------------------------------------------------------------
def _jpeg(data: bytes, name: str) -> bytes:
    """Tables, frames and scans (T.81, annex B), with new application segments."""
    header = read_jpeg(data, name)
    out = [b"\xff\xd8"]

    def add(marker: int, body: bytes) -> None:
        out.append(struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body)

    profile = plain_icc(header.icc)
    pieces = [profile[at : at + _ICC_PIECE] for at in range(0, len(profile), _ICC_PIECE)]
    about: list[tuple[int, bytes]] = [(0xE1, b"Exif\0\0" + _plain_exif(header.exif, header.icc))]
    about += [
        (0xE2, b"ICC_PROFILE\0" + bytes((n, len(pieces))) + piece)
        for n, piece in enumerate(pieces, 1)
    ]
    for marker, start, end in segments(data):
        body = data[start:end]
        if marker == 0xE0 and body[:5] == b"JFIF\0" and len(out) == 1:
            # Both this and the next tell the decoder how its three channels are meant.
            add(marker, b"JFIF\0" + struct.pack(">HBHHBB", 0x0102, 0, 1, 1, 0, 0))
        elif marker == 0xEE and body[:5] == b"Adobe" and len(body) >= 12:
            add(marker, b"Adobe" + struct.pack(">HHHB", 100, 0, 0, body[11]))
        elif marker in FRAMES or marker in (0xC4, 0xCC, 0xDB, 0xDD, SCAN):
            for each in about:
                add(*each)
            about = []
            add(marker, body)
            if marker == SCAN:
                out.append(data[end : coded_end(data, end)])
        elif marker == END:
            break
    return b"".join([*out, b"\xff\xd9"])


# PNG --------------------------------------------------------------------------------------
# Chunks that pixels and their colour need, and the bytes of those that have a fixed number.
_PIXELS = {b"IHDR": 13, b"tRNS": 6, b"IDAT": None, b"IEND": 0}
_COLOUR = {b"cICP": 4, b"sRGB": 1, b"gAMA": 4, b"cHRM": 32, b"sBIT": None}


def _png(
    data: bytes, icc: bytes = b"", exif: Exif | None = None, codes: tuple[int, ...] = ()
) -> bytes:
    """The PNG's pixels and colour; ``icc``, ``exif`` and ``codes`` of ITU-T H.273 in the place
    of its own."""
    chunks = [(kind, data[start:end]) for kind, start, end in chunks_of(data)]
    first = dict(reversed(chunks))
    old = icc or (inflate(first[b"iCCP"]) if b"iCCP" in first else b"")
    profile = plain_icc(old)
    exif = read_exif(first.get(b"eXIf", b"")) if exif is None else exif
    keeps = _PIXELS | _COLOUR
    if old and not profile:  # what it stood for was not believed; nor may these be now
        keeps = _PIXELS | {b"cICP": 4, b"sRGB": 1}
    about = [(b"iCCP", b"profile\0\0" + zlib.compress(profile))] if profile else []
    if codes and max(codes) < 256:
        about.append((b"cICP", bytes((*codes, 0, 1))))
    about.append((b"eXIf", _plain_exif(exif, old)))
    out = [data[:8]]
    for kind, body in chunks:
        wanted = keeps.get(kind, -1)
        if wanted is None or wanted == len(body):
            out.append(_chunk(kind, body))
        if kind == b"IHDR":
            out += [_chunk(*each) for each in about]
    return b"".join(out)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _as_png(data: bytes, name: str) -> bytes:
    """The upright pixels of a photo of any kind, each number as it was read."""
    import cv2

    from calibration.photo.open import decoded

    header, pixels, profile, _ = decoded(data, name)
    icc = linear_icc(profile.to_xyz_d50) if header.format == "RAW" else header.icc
    done, png = cv2.imencode(".png", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR, dst=pixels))
    if not done:
        raise damaged(name, "cannot be kept")
    del pixels  # a large one, and the next line needs room
    codes = () if icc or header.cicp is None else header.cicp
    return _png(png.tobytes(), icc, replace(header.exif, orientation=1), codes)


# WebP -------------------------------------------------------------------------------------
def _webp(data: bytes, name: str) -> bytes:
    """The picture and its transparency (RFC 9649, 2.5 to 2.7), with new words about it."""
    header = read_webp(data, name)
    profile = plain_icc(header.icc)
    exif = _plain_exif(header.exif, header.icc)
    chunks = [(kind, data[start:end]) for kind, start, end in riff_chunks(data)]
    picture = [(k, body) for k, body in chunks if k in (b"ALPH", b"VP8 ", b"VP8L")]
    flags = 0x08 | (0x10 if header.alpha else 0) | (0x20 if profile else 0)
    width, height = ((v - 1).to_bytes(3, "little") for v in header.size)
    whole = [(b"VP8X", bytes((flags, 0, 0, 0)) + width + height)]
    whole += [*([(b"ICCP", profile)] if profile else ()), *picture, (b"EXIF", exif)]
    body = b"".join(k + struct.pack("<I", len(b)) + b + bytes(len(b) % 2) for k, b in whole)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body
