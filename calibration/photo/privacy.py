"""A photo's bytes without the place where it was taken: what names one is overwritten where it
stands, and the picture, its orientation and its profile stay as they are, bit by bit.
"""

from __future__ import annotations

import re
import struct
import zlib

from calibration.photo.exif import EXIF_IFD, Tiff

GPS_IFD, MAKER_NOTE, SUB_IFDS = 0x8825, 0x927C, 0x014A
_EXIF_BLOCK = re.compile(rb"Exif\0\0(?=II\x2a\0|MM\0\x2a)")
_PLACE = (
    rb"[\w-]+:(?:GPS\w*|City|State|Country\w*|Location\w*|Sublocation|ProvinceState|WorldRegion)"
)
_XMP_ATTRIBUTE = re.compile(rb"\b" + _PLACE + rb"\s*=\s*(?:\"([^\"]*)\"|'([^']*)')")
_XMP_ELEMENT = re.compile(rb"<(" + _PLACE + rb")\b[^>]*>(.*?)</\1\s*>", re.DOTALL)
_XMP_PACKET = re.compile(rb"<x:xmpmeta.*?</x:xmpmeta\s*>", re.DOTALL)
_PNG = b"\x89PNG\r\n\x1a\n"


def without_place(data: bytes) -> bytes:
    """The same file, as long as before (a PNG loses its text chunks), without a place.

    Knows JPEG, HEIF, PNG, TIFF and TIFF's raw kin; of any other file, the Exif blocks and XMP
    packets in it. A directory that is damaged is left, because readers cannot read it either.
    """
    if data[:8] == _PNG:
        return _png(data)
    out = bytearray(data)
    for block in _EXIF_BLOCK.finditer(data):
        _blank_directories(out, block.end(), notes=True)
    if data[:4] in (b"II\x2a\0", b"MM\0\x2a", b"II\x2b\0", b"MM\0\x2b"):
        _blank_directories(out, 0, notes=False)
    if data[:2] == b"\xff\xd8":
        _blank_iptc(out)
    for packet in _XMP_PACKET.finditer(data):
        _blank_xmp(out, *packet.span())
    return bytes(out)


def _blank_directories(out: bytearray, base: int, *, notes: bool) -> None:
    """Empty the GPS directory of a TIFF structure that begins at ``base``; with ``notes``
    the maker's notes too (in a raw photo they may be needed to develop it)."""
    view = memoryview(out)[base:]
    try:
        tiff = Tiff(bytes(view))
    except ValueError:
        return
    seen: set[int] = set()
    waiting = [(tiff.first, False)]
    while waiting and len(seen) < 64:
        offset, gps = waiting.pop()
        if offset in seen or not 0 < offset < len(view):
            continue
        seen.add(offset)
        try:
            entries, end, following = tiff.entries(offset)
        except ValueError:
            continue
        for tag, kind, number, at, length in entries:
            if tag in (GPS_IFD, EXIF_IFD, SUB_IFDS):
                inner = _offsets(tiff, kind, number, at)
                waiting += [(place, tag == GPS_IFD) for place in inner]
            if (gps or (notes and tag == MAKER_NOTE)) and at + length <= len(view):
                view[at : at + length] = bytes(length)
        if gps:
            view[offset:end] = bytes(end - offset)
        elif following:
            waiting.append((following, False))


def _offsets(tiff: Tiff, kind: int, number: int, at: int) -> tuple[int, ...]:
    code = {4: "I", 13: "I", 16: "Q", 18: "Q"}.get(kind)
    try:
        return (
            struct.unpack_from(tiff.order + code * min(number, 16), tiff.data, at) if code else ()
        )
    except struct.error:
        return ()


def _blank_xmp(out: bytearray, start: int, end: int) -> None:
    packet = bytes(out[start:end])
    for pattern in (_XMP_ATTRIBUTE, _XMP_ELEMENT):
        for found in pattern.finditer(packet):
            group = found.lastindex or 0
            a, b = found.span(group)
            out[start + a : start + b] = b" " * (b - a)


def _blank_iptc(out: bytearray) -> None:
    """Empty a JPEG's APP13 segments, where IPTC's city and country stand."""
    at = 2
    while at + 4 <= len(out) and out[at] == 0xFF and out[at + 1] not in (0xDA, 0xD9):
        marker, length = out[at + 1], int.from_bytes(out[at + 2 : at + 4], "big")
        end = min(at + 2 + max(length, 2), len(out))
        if marker == 0xED:
            name = out.find(b"\0", at + 4, end)
            start = name + 1 if name >= 0 else at + 4
            out[start:end] = bytes(end - start)
        at = end


def _png(data: bytes) -> bytes:
    out = bytearray(_PNG)
    at = len(_PNG)
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind, body = data[at + 4 : at + 8], bytearray(data[at + 8 : at + 8 + length])
        if kind == b"eXIf":
            _blank_directories(body, 0, notes=True)
        if kind not in (b"tEXt", b"zTXt", b"iTXt"):
            whole = data[at : at + 12 + length]
            if kind == b"eXIf" and len(body) == length:
                crc = zlib.crc32(kind + body)
                whole = data[at : at + 8] + body + struct.pack(">I", crc)
            out += whole
        at += 12 + length
    return bytes(out + data[at:])
