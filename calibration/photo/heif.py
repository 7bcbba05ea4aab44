"""HEIC (ISO/IEC 14496-12 and 23008-12): its main picture, and the same file without anything that
this picture does not need.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np

from calibration.errors import BadFile
from calibration.photo.decode import overheard, without_alpha
from calibration.photo.exif import read_exif
from calibration.photo.header import (
    GAIN_MAP_SIGNS,
    Header,
    check_size,
    damaged,
    not_rgb,
    several,
)
from calibration.photo.icc import plain_icc

HEIF_PIXEL_BYTES = 18.0  # the decoder's planes, its RGB and ours, each of up to 16 bits


def read_heif(data: bytes, name: str) -> tuple[Header, np.ndarray]:
    """The main picture of a HEIC file. The container's own turn has been applied by the
    decoder; the Exif orientation repeats it (ISO/IEC 23008-12) and is ignored."""
    import cv2
    import pillow_heif

    try:
        with overheard():
            heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=False)
            if "sequence" in str(heif.mimetype):
                raise several(name, None, "a sequence of pictures")
            image = heif[heif.primary_index]
            check_size(image.size, f"the file {name}", HEIF_PIXEL_BYTES, len(data))
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
    rgb = pixels if pixels.shape[2] == 3 else without_alpha(pixels, cv2.COLOR_RGBA2RGB, name)
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


# What is kept of it -----------------------------------------------------------------------
_PROPERTIES = frozenset(
    (b"ispe", b"hvcC", b"av1C", b"colr", b"pixi", b"irot", b"imir", b"clap", b"pasp")
)
_CODED = frozenset((b"hvc1", b"grid", b"iden"))
_Box = tuple[bytes, int, int, int]  # kind, where it begins, where its body does, where it ends


def _boxes(data: bytes, at: int, end: int) -> Iterator[_Box]:
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, body)
            body += 8
        size = size or end - at
        if not body - at <= size <= end - at:
            raise ValueError("a box that does not fit")
        yield kind, at, body, at + size
        at += size


class _Kept:
    """A file as long as the old one, empty but for what is put there."""

    def __init__(self, data: bytes) -> None:
        self.data, self.out = data, bytearray(len(data))

    def copy(self, start: int, end: int) -> None:
        self.out[start:end] = self.data[start:end]

    def put(self, at: int, content: bytes, end: int) -> None:
        if len(content) > end - at:
            raise ValueError("no room for what is new")
        self.out[at : at + len(content)] = content

    def empty(self, box: _Box) -> None:
        """A box of this size, whose kind says that there is nothing in it."""
        _, at, body, _ = box
        self.copy(at, body)
        self.out[at + 4 : at + 8] = b"free"


def plain_heif(data: bytes, name: str) -> bytes:
    """Every byte where it was, but zero unless the main picture needs it."""
    kept = _Kept(data)
    try:
        top = list(_boxes(data, 0, len(data)))
        meta = next(box for box in top if box[0] == b"meta")
        for box in top:
            if box[0] == b"ftyp":
                kept.copy(*box[1:4:2])
            elif box[0] == b"mdat":
                kept.copy(box[1], box[2])
            elif box is not meta:
                kept.empty(box)
        _meta(kept, meta)
    except (ValueError, KeyError, StopIteration, struct.error, IndexError):
        raise damaged(name) from None
    return bytes(kept.out)


def _meta(kept: _Kept, meta: _Box) -> None:
    data = kept.data
    kept.copy(meta[1], meta[2] + 4)
    parts = {box[0]: box for box in _boxes(data, meta[2] + 4, meta[3])}
    kinds = dict(_items(data, parts[b"iinf"]))
    refers = list(_references(data, parts[b"iref"])) if b"iref" in parts else []
    wide = data[parts[b"pitm"][2]]
    (main,) = struct.unpack_from(">I" if wide else ">H", data, parts[b"pitm"][2] + 4)
    wanted, waiting = set(), [main]
    while waiting:  # the main picture, and what it is put together from
        item = waiting.pop()
        if item not in wanted and kinds[item][0] in _CODED:
            wanted.add(item)
            waiting += [to for kind, start, tos, _ in refers for to in tos
                        if kind == b"dimg" and start == item]  # fmt: skip
    if main not in wanted:
        raise ValueError("the main picture is of another kind")
    about = {start for kind, start, tos, _ in refers if kind == b"cdsc" and main in tos}
    exif = next((i for i in about if kinds[i][0] == b"Exif"), None)
    for kind, box in parts.items():
        if kind in (b"pitm", b"iloc"):
            kept.copy(box[1], box[3])
        elif kind == b"hdlr":
            kept.copy(box[1], box[2] + 12)
        elif kind == b"idat":
            kept.copy(box[1], box[2])
        elif kind == b"iinf":
            kept.copy(box[1], box[2] + (8 if data[box[2]] else 6))
            for item, (_, entry, end) in kinds.items():
                kept.copy(entry[1], end)
                if item not in wanted and item != exif:
                    kept.put(end - 4, b"skip", end)
        elif kind == b"iref":
            kept.copy(box[1], box[2] + 4)
            for _, start, _, entry in refers:
                kept.copy(entry[1], entry[3])
                if start not in wanted and start != exif:
                    kept.put(entry[1] + 4, b"free", entry[3])
        elif kind == b"iprp":
            _properties(kept, box)
        else:
            kept.empty(box)
    places = _places(data, parts)
    for item in wanted:
        for start, end in places.get(item, ()):
            kept.copy(start, end)
    for start, end in places.get(exif, ())[:1] if exif is not None else ():
        (skipped,) = struct.unpack_from(">I", data, start)
        plain = bytes(4) + read_exif(data[start + 4 + skipped : end]).written()
        if len(plain) <= end - start:  # else there was hardly any
            kept.put(start, plain, end)


def _items(data: bytes, iinf: _Box) -> Iterator[tuple[int, tuple[bytes, _Box, int]]]:
    """Each item's number, kind, entry, and where its kind ends (8.11.6)."""
    for entry in _boxes(data, iinf[2] + (8 if data[iinf[2]] else 6), iinf[3]):
        version = data[entry[2]]
        if version not in (2, 3):
            raise ValueError("an old kind of entry")
        at = entry[2] + 4
        (item,) = struct.unpack_from(">H" if version == 2 else ">I", data, at)
        at += 4 if version == 2 else 6
        yield item, (data[at : at + 4], entry, at + 4)


def _references(data: bytes, iref: _Box) -> Iterator[tuple[bytes, int, list[int], _Box]]:
    """Each reference's kind, from where, to where, and its box (8.11.12)."""
    number = "I" if data[iref[2]] else "H"
    for box in _boxes(data, iref[2] + 4, iref[3]):
        start, count = struct.unpack_from(f">{number}H", data, box[2])
        at = box[2] + struct.calcsize(f">{number}H")
        yield box[0], start, list(struct.unpack_from(f">{count}{number}", data, at)), box


def _properties(kept: _Kept, iprp: _Box) -> None:
    """Properties keep their places, for they are known by number (23008-12, 9.3)."""
    data = kept.data
    kept.copy(iprp[1], iprp[2])
    for box in _boxes(data, iprp[2], iprp[3]):
        if box[0] == b"ipma":
            kept.copy(box[1], box[3])
        elif box[0] == b"ipco":
            kept.copy(box[1], box[2])
            for each in _boxes(data, box[2], box[3]):
                profile = each[0] == b"colr" and data[each[2] : each[2] + 4] in (b"prof", b"rICC")
                if each[0] not in _PROPERTIES:
                    kept.empty(each)
                elif profile:
                    kept.copy(each[1], each[2] + 4)
                    icc = data[each[2] + 4 : each[3]]
                    kept.put(each[2] + 4, plain_icc(icc), each[3])
                else:
                    kept.copy(each[1], each[3])
        else:
            kept.empty(box)


def _places(data: bytes, parts: dict[bytes, _Box]) -> dict[int, list[tuple[int, int]]]:
    """Where the bytes of each item lie (14496-12, 8.11.3)."""
    at = parts[b"iloc"][2]
    version = data[at]
    sizes = data[at + 4] >> 4, data[at + 4] & 15, data[at + 5] >> 4, data[at + 5] & 15
    offset_size, length_size, base_size, index_size = sizes
    at += 6

    def number(size: int) -> int:
        nonlocal at
        at += size
        return int.from_bytes(data[at - size : at], "big")

    found: dict[int, list[tuple[int, int]]] = {}
    for _ in range(number(2 if version < 2 else 4)):
        item = number(2 if version < 2 else 4)
        way = number(2) & 15 if version in (1, 2) else 0
        number(2)
        base = number(base_size) + (parts[b"idat"][2] if way == 1 else 0)
        for _ in range(number(2)):
            if version in (1, 2):
                number(index_size)
            start = base + number(offset_size)
            length = number(length_size)
            if way > 1 or start + length > len(data):
                raise ValueError("an item elsewhere")
            found.setdefault(item, []).append((start, start + length))
    return found
