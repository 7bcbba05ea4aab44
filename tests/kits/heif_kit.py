"""HEIC files as phones write them, for tests: an image that hangs on the main one.

The encoder used by the tests writes plain pictures only; here the second of two becomes an
auxiliary image (ISO/IEC 14496-12, item references; ISO/IEC 23008-12, 6.5.8 auxC and 'auxl').
"""

from __future__ import annotations

import io
import struct

import numpy as np
from PIL import Image


def heic_bytes(rgb: np.ndarray, second: np.ndarray | None = None, **options: object) -> bytes:
    """One picture (uint8, or uint16 for 10 bits), or two."""
    import pillow_heif

    if rgb.dtype == np.uint16:
        size = (rgb.shape[1], rgb.shape[0])
        heif = pillow_heif.from_bytes("RGB;16", size, np.ascontiguousarray(rgb).tobytes())
    else:
        heif = pillow_heif.from_pillow(Image.fromarray(rgb))
    if second is not None:
        heif.add_from_pillow(Image.fromarray(second))
    buffer = io.BytesIO()
    # Any preset keeps what is tested here; the encoder's own takes six times as long.
    heif.save(buffer, **{"quality": 90, "enc_params": {"preset": "ultrafast"}, **options})
    return buffer.getvalue()


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _boxes(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        found.append((kind, data[at + 8 : at + size]))
        at += size
    return found


def with_auxiliary(data: bytes, urn: str) -> bytes:
    """Item 2 of a file of two pictures becomes an auxiliary image of item 1."""
    top = _boxes(data)
    meta = dict(top)[b"meta"]
    parts = _boxes(meta[4:])
    inside = dict(_boxes(dict(parts)[b"iprp"]))
    properties = len(_boxes(inside[b"ipco"]))
    about = _box(b"auxC", bytes(4) + urn.encode() + b"\0")
    ipma = bytearray(inside[b"ipma"])
    assert ipma[:8] == struct.pack(">II", 0, 2)  # version 0, no flags, two items
    at = 8 + 2 + 1 + ipma[10]  # past item 1 to item 2: number, count, one byte each
    assert ipma[at : at + 2] == b"\0\2"
    ipma[at + 2] += 1
    ipma += bytes((0x80 | (properties + 1),))
    iprp = _box(b"ipco", inside[b"ipco"] + about) + _box(b"ipma", bytes(ipma))
    reference = _box(b"iref", bytes(4) + _box(b"auxl", struct.pack(">HHH", 2, 1, 1)))

    def built(shift: int) -> bytes:
        body = b""
        for kind, content in parts:
            if kind == b"iprp":
                content = iprp
            elif kind == b"iloc":
                content = _moved(content, shift)
            body += _box(kind, content)
        return _box(b"meta", meta[:4] + body + reference)

    shift = len(built(0)) - len(meta) - 8
    return b"".join(built(shift) if kind == b"meta" else _box(kind, body) for kind, body in top)


def _moved(iloc: bytes, shift: int) -> bytes:
    """An item location box whose items begin ``shift`` bytes later."""
    assert iloc[:6] == bytes((0, 0, 0, 0, 0x44, 0x40))
    (count,) = struct.unpack_from(">H", iloc, 6)
    out = bytearray(iloc)
    for k in range(count):
        at = 8 + 18 * k + 10  # number, reference, base, one extent
        (offset,) = struct.unpack_from(">I", out, at)
        struct.pack_into(">I", out, at, offset + shift)
    return bytes(out)
