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


def as_grid(data: bytes, across: int, high: int) -> bytes:
    """A file of two pictures of one size (``across``, ``high``) as phones write large ones: a
    grid of both, side by side, is the main picture (ISO/IEC 23008-12, 6.6.2.3)."""
    top = _boxes(data)
    meta = dict(top)[b"meta"]
    parts = dict(_boxes(meta[4:]))
    inside = dict(_boxes(parts[b"iprp"]))
    properties = len(_boxes(inside[b"ipco"]))
    ispe = _box(b"ispe", struct.pack(">III", 0, 2 * across, high))
    ipma = bytearray(inside[b"ipma"])
    ipma[4:8] = struct.pack(">I", 3)
    ipma += struct.pack(">HBB", 3, 1, properties + 1)
    iprp = _box(b"ipco", inside[b"ipco"] + ispe) + _box(b"ipma", bytes(ipma))
    entry = _box(b"infe", struct.pack(">IHH4s", 2 << 24, 3, 0, b"grid") + b"\0")
    iinf = parts[b"iinf"][:4] + struct.pack(">H", 3) + parts[b"iinf"][6:] + entry
    iref = bytes(4) + _box(b"dimg", struct.pack(">HHHH", 3, 2, 1, 2))
    grid = struct.pack(">BBBBHH", 0, 0, 0, 1, 2 * across, high)

    def built(shift: int) -> bytes:
        places = b""
        for k in range(2):  # number, reference, base, extents, where, how long
            item, _, base, _, start, length = struct.unpack_from(
                ">HHIHII", parts[b"iloc"], 8 + 18 * k
            )
            places += struct.pack(">HHHIHII", item, 0, 0, base, 1, start + shift, length)
        places += struct.pack(">HHHIHII", 3, 1, 0, 0, 1, 0, len(grid))
        iloc = bytes((1, 0, 0, 0, 0x44, 0x40)) + struct.pack(">H", 3) + places
        new = {b"iinf": iinf, b"iloc": iloc, b"iprp": iprp, b"pitm": bytes(4) + b"\0\3"}
        body = b"".join(_box(kind, new.get(kind, content)) for kind, content in parts.items())
        return _box(b"meta", meta[:4] + body + _box(b"iref", iref) + _box(b"idat", grid))

    shift = len(built(0)) - len(meta) - 8
    return b"".join(built(shift) if kind == b"meta" else _box(kind, body) for kind, body in top)
