"""Tags of TIFF (6.0) and Exif (CIPA DC-008): the directory both share, and the few entries a
photo needs. Odd entries are left out; the place where a photo was taken is never read.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from calibration.photo.icc import plain_text

EXIF_IFD, INTEROP_IFD = 0x8769, 0xA005
ORIENTATION, MAKE, MODEL, DATE = 0x0112, 0x010F, 0x0110, 0x0132
LENS = 0xA434
EXPOSURE_S, F_NUMBER, ISO, DATE_TAKEN, COLOUR_SPACE = 0x829A, 0x829D, 0x8827, 0x9003, 0xA001

# Type: struct code and size of one value (TIFF 6.0, section 2; 16 to 18 are BigTIFF's).
_TYPES = {
    1: ("B", 1), 2: ("s", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 6: ("b", 1),
    7: ("s", 1), 8: ("h", 2), 9: ("i", 4), 10: ("ii", 8), 11: ("f", 4), 12: ("d", 8),
    13: ("I", 4), 16: ("Q", 8), 17: ("q", 8), 18: ("Q", 8),
}  # fmt: skip
_LARGEST = 4_000_000  # bytes of one value: an ICC profile fits, a picture does not

Buffer = bytes | bytearray
Value = tuple[float, ...] | bytes
Entry = tuple[int, int, int, int, int]  # tag, type, how many, where the value starts, its bytes


@dataclass(frozen=True)
class Directory:
    """One image file directory: ``tags`` {tag: numbers or bytes}, ``places`` {tag: where
    in the data its value starts} of 16-bit integers, ``following`` offset of the next
    directory or 0."""

    tags: dict[int, Value]
    places: dict[int, int]
    following: int

    def number(self, tag: int, default: float | None = None) -> float | None:
        """The first number of a tag, if it is finite."""
        value = self.tags.get(tag, ())
        if isinstance(value, tuple) and value and math.isfinite(value[0]):
            return value[0]
        return default

    def integer(self, tag: int, default: int) -> int:
        """The first number of a tag as an integer."""
        return int(self.number(tag, default) or 0)

    def text(self, tag: int) -> str:
        """A tag's text, one printable line."""
        value = self.tags.get(tag, b"")
        if not isinstance(value, bytes):
            return ""
        return plain_text(value.split(b"\0")[0].decode("utf-8", "replace"))


NOTHING = Directory({}, {}, 0)


class Tiff:
    """A TIFF structure inside ``data``; raises ``ValueError`` when it is not one."""

    def __init__(self, data: Buffer) -> None:
        self.data = data
        order = {b"II": "<", b"MM": ">"}.get(bytes(data[:2]))
        if order is None or len(data) < 16:
            raise ValueError("not a TIFF structure")
        self.order = order
        (magic,) = struct.unpack_from(order + "H", data, 2)
        if magic not in (42, 43):
            raise ValueError("not a TIFF structure")
        self.big = magic == 43
        self.first = struct.unpack_from(order + ("Q" if self.big else "I"), data, 4 + 4 * self.big)[
            0
        ]

    def entries(self, offset: int) -> tuple[list[Entry], int, int]:
        """The entries of the directory at ``offset``, where they end, and the offset of the next
        directory or 0; raises ``ValueError`` when it lies outside."""
        count_code, size, inline, word = ("Q", 20, 8, "Q") if self.big else ("H", 12, 4, "I")
        start = offset + struct.calcsize("<" + count_code)
        try:
            (count,) = struct.unpack_from(self.order + count_code, self.data, offset)
        except (struct.error, OverflowError):
            raise ValueError("a directory lies outside the file") from None
        end = start + count * size
        if count > 4096 or end > len(self.data):
            raise ValueError("a directory is cut off")
        found: list[Entry] = []
        for at in range(start, end, size):
            tag, kind, number = struct.unpack_from(self.order + "HH" + word, self.data, at)
            length = number * _TYPES.get(kind, ("B", 1))[1]
            where = at + size - inline
            if length > inline:
                (where,) = struct.unpack_from(self.order + word, self.data, where)
            found.append((tag, kind, number, where, length))
        following = 0
        if end + inline <= len(self.data):
            (following,) = struct.unpack_from(self.order + word, self.data, end)
        return found, end, following

    def directory(self, offset: int) -> Directory:
        """The directory at ``offset``; raises ``ValueError`` when it lies outside."""
        tags: dict[int, Value] = {}
        places: dict[int, int] = {}
        entries, _, following = self.entries(offset)
        for tag, kind, number, where, length in entries:
            if kind not in _TYPES or number == 0:
                continue
            if length > _LARGEST or where + length > len(self.data):
                continue
            code = _TYPES[kind][0]
            if kind == 3:
                places[tag] = where
            if code == "s":
                tags[tag] = bytes(self.data[where : where + number])
                continue
            values = struct.unpack_from(self.order + code * number, self.data, where)
            if len(code) == 2:  # fractions
                values = tuple(
                    top / bottom if bottom else math.nan
                    for top, bottom in zip(values[::2], values[1::2], strict=True)
                )
            tags[tag] = values
        return Directory(tags, places, following)


@dataclass(frozen=True)
class Exif:
    """What a photo says of itself. ``colour_space`` is "sRGB", "DCF optional RGB" or ""."""

    orientation: int = 1
    colour_space: str = ""
    camera: str = ""
    lens: str = ""
    exposure: str = ""
    captured: str = ""

    @property
    def metadata(self) -> dict[str, str]:
        """The entries worth showing, those that are known."""
        entries = {
            "camera": self.camera,
            "lens": self.lens,
            "exposure": self.exposure,
            "captured": self.captured,
        }
        return {key: value for key, value in entries.items() if value}


def read_exif(data: Buffer) -> Exif:
    """The Exif of a photo; an empty one when there is none or it is damaged, because
    pixels and card tell all that is measured."""
    if data[:6] == b"Exif\0\0":
        data = data[6:]
    try:
        tiff = Tiff(data)
        return exif_of(tiff, tiff.directory(tiff.first))
    except ValueError:
        return Exif()


def exif_of(tiff: Tiff, main: Directory) -> Exif:
    """The Exif entries that hang on a main directory."""
    details = _child(tiff, main, EXIF_IFD)
    interop = _child(tiff, details, INTEROP_IFD)
    orientation = main.integer(ORIENTATION, 1)
    return Exif(
        orientation=orientation if 1 <= orientation <= 8 else 1,
        colour_space=_colour_space(details.integer(COLOUR_SPACE, 0), interop.text(1)),
        camera=_camera(main.text(MAKE), main.text(MODEL)),
        lens=details.text(LENS),
        exposure=_exposure(details),
        captured=_captured(details.text(DATE_TAKEN) or main.text(DATE)),
    )


def _child(tiff: Tiff, parent: Directory, tag: int) -> Directory:
    offset = parent.integer(tag, 0)
    try:
        return tiff.directory(offset) if offset > 0 else NOTHING
    except ValueError:
        return NOTHING


def _colour_space(code: int, interop: str) -> str:
    """ColorSpace 1 is sRGB; "R03" marks the optional space of DCF (CIPA DC-009), which
    some cameras also write as 2. 65535, "uncalibrated", says nothing."""
    if code == 1:
        return "sRGB"
    return "DCF optional RGB" if code == 2 or interop == "R03" else ""


def _camera(make: str, model: str) -> str:
    return model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()


def _exposure(details: Directory) -> str:
    parts = []
    seconds = details.number(EXPOSURE_S) or 0
    if seconds > 0:
        parts.append(f"1/{1 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.2g} s")
    f_number = details.number(F_NUMBER) or 0
    if f_number > 0:
        parts.append(f"f/{f_number:.2g}")
    iso = details.number(ISO) or 0
    if iso > 0:
        parts.append(f"ISO {iso:.0f}")
    return ", ".join(parts)


def _captured(text: str) -> str:
    """ "2026:05:01 09:30:00" as "2026-05-01 09:30:00"."""
    if len(text) >= 19 and text[:4].isdigit() and text[:4] != "0000":
        return text[:10].replace(":", "-") + text[10:19]
    return ""
