"""HEIC (ISO/IEC 14496-12 and 23008-12): its main picture, and the same file without anything that
this picture does not need.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from calibration.errors import BadFile
from calibration.photo.decode import overheard, without_alpha
from calibration.photo.exif import read_exif
from calibration.photo.header import Header, check_size, damaged, not_rgb, several
from calibration.photo.icc import plain_icc
from calibration.photo.jpeg import GAIN_MAP_SIGNS

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
_PROPERTIES = frozenset((b"ispe", b"hvcC", b"colr", b"pixi", b"irot", b"imir", b"clap", b"pasp"))
_CODED = frozenset((b"hvc1", b"grid", b"iden"))


class _Box(NamedTuple):
    """Its kind, and where it, its body and what follows it begin."""

    kind: bytes
    start: int
    body: int
    end: int


class _Item(NamedTuple):
    """A kind of item, where the kind stands, and the item's entry."""

    kind: bytes
    at: int
    entry: _Box


class _Reference(NamedTuple):
    """A kind of reference, from which item to which, and its box."""

    kind: bytes
    item: int
    to: tuple[int, ...]
    box: _Box


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
        yield _Box(kind, at, body, at + size)
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
        self.copy(box.start, box.body)
        self.out[box.start + 4 : box.start + 8] = b"free"


def plain_heif(data: bytes) -> bytes:
    """Every byte where it was, but zero unless the main picture needs it. Raises ``ValueError``
    for a file that is built in a way not known here."""
    kept = _Kept(data)
    try:
        for box in _boxes(data, 0, len(data)):
            if box.kind == b"ftyp":
                kept.copy(box.start, box.end)
            elif box.kind == b"mdat":
                kept.copy(box.start, box.body)
            elif box.kind == b"meta":
                _meta(kept, box)
            else:
                kept.empty(box)
    except (LookupError, struct.error) as error:
        raise ValueError("a box that breaks off") from error
    return bytes(kept.out)


def _meta(kept: _Kept, meta: _Box) -> None:
    """The box that says what and where everything is, and what lies there."""
    data = kept.data
    parts = {box.kind: box for box in _boxes(data, meta.body + 4, meta.end)}
    items = dict(_items(data, parts[b"iinf"]))
    refers = list(_references(data, parts[b"iref"])) if b"iref" in parts else []
    main = _number(data, parts[b"pitm"], 4)
    wanted = _put_together(main, items, refers)
    about = [r.item for r in refers if r.kind == b"cdsc" and main in r.to]
    exif = [item for item in about if items[item].kind == b"Exif"][:1]
    kept.copy(meta.start, meta.body + 4)
    for kind, box in parts.items():
        if kind in (b"pitm", b"iloc"):
            kept.copy(box.start, box.end)
        elif kind == b"hdlr":
            kept.copy(box.start, box.body + 12)
        elif kind == b"idat":
            kept.copy(box.start, box.body)
        elif kind == b"iinf":
            kept.copy(box.start, _after_count(data, box))
            for number, item in items.items():
                kept.copy(item.entry.start, item.at + 4)
                if number not in wanted and number not in exif:
                    kept.put(item.at, b"skip", item.at + 4)
        elif kind == b"iref":
            kept.copy(box.start, box.body + 4)
            for reference in refers:
                kept.copy(reference.box.start, reference.box.end)
                if reference.item not in wanted and reference.item not in exif:
                    kept.put(reference.box.start + 4, b"free", reference.box.body)
        elif kind == b"iprp":
            _properties(kept, box)
        else:
            kept.empty(box)
    places = _places(data, parts)
    for start, end in (place for item in wanted for place in places.get(item, ())):
        kept.copy(start, end)
    for start, end in (place for item in exif for place in places.get(item, ())[:1]):
        (skipped,) = struct.unpack_from(">I", data, start)
        plain = bytes(4) + read_exif(data[start + 4 + skipped : end]).written()
        if len(plain) <= end - start:  # else there was hardly any
            kept.put(start, plain, end)


def _put_together(main: int, items: dict[int, _Item], refers: list[_Reference]) -> set[int]:
    """The main picture, and what it is put together from."""
    wanted: set[int] = set()
    waiting = [main]
    while waiting:
        item = waiting.pop()
        if items[item].kind not in _CODED:
            raise ValueError("a picture of another kind")
        if item not in wanted:
            wanted.add(item)
            waiting += [to for r in refers if (r.kind, r.item) == (b"dimg", item) for to in r.to]
    return wanted


def _number(data: bytes, box: _Box, skip: int) -> int:
    """A number of 16 bits, or 32 in a box of a later version."""
    return int(struct.unpack_from(">I" if data[box.body] else ">H", data, box.body + skip)[0])


def _after_count(data: bytes, box: _Box) -> int:
    return box.body + (8 if data[box.body] else 6)


def _items(data: bytes, iinf: _Box) -> Iterator[tuple[int, _Item]]:
    """Each item by its number (14496-12, 8.11.6)."""
    for entry in _boxes(data, _after_count(data, iinf), iinf.end):
        version = data[entry.body]
        if version not in (2, 3):
            raise ValueError("an old kind of entry")
        at = entry.body + (8 if version == 2 else 10)
        code = ">H" if version == 2 else ">I"
        (number,) = struct.unpack_from(code, data, entry.body + 4)
        yield number, _Item(data[at : at + 4], at, entry)


def _references(data: bytes, iref: _Box) -> Iterator[_Reference]:
    """14496-12, 8.11.12."""
    number = "I" if data[iref.body] else "H"
    for box in _boxes(data, iref.body + 4, iref.end):
        item, count = struct.unpack_from(f">{number}H", data, box.body)
        at = box.body + struct.calcsize(f">{number}H")
        to = struct.unpack_from(f">{count}{number}", data, at)
        yield _Reference(box.kind, item, to, box)


def _properties(kept: _Kept, iprp: _Box) -> None:
    """Properties keep their places, for they are known by number (23008-12, 9.3)."""
    data = kept.data
    kept.copy(iprp.start, iprp.body)
    for box in _boxes(data, iprp.body, iprp.end):
        if box.kind == b"ipma":
            kept.copy(box.start, box.end)
            continue
        if box.kind != b"ipco":
            kept.empty(box)
            continue
        kept.copy(box.start, box.body)
        for each in _boxes(data, box.body, box.end):
            if each.kind not in _PROPERTIES:
                kept.empty(each)
            elif each.kind == b"colr" and data[each.body : each.body + 4] in (b"prof", b"rICC"):
                kept.copy(each.start, each.body + 4)
                kept.put(each.body + 4, plain_icc(data[each.body + 4 : each.end]), each.end)
            else:
                kept.copy(each.start, each.end)


def _places(data: bytes, parts: dict[bytes, _Box]) -> dict[int, list[tuple[int, int]]]:
    """Where the bytes of each item lie (14496-12, 8.11.3)."""
    at = parts[b"iloc"].body
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
        base = number(base_size) + (parts[b"idat"].body if way == 1 else 0)
        for _ in range(number(2)):
            if version in (1, 2):
                number(index_size)
            start = base + number(offset_size)
            length = number(length_size)
            if way > 1 or start + length > len(data):
                raise ValueError("an item elsewhere")
            found.setdefault(item, []).append((start, start + length))
    return found
