"""What a photo says of itself in Exif (CIPA DC-008), read and written through Pillow: the few
entries that are shown or that its colours need. The place where it was taken is never read.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calibration.photo.icc import plain_text

EXIF_IFD, INTEROP_IFD = 0x8769, 0xA005
ORIENTATION, MAKE, MODEL, DATE = 0x0112, 0x010F, 0x0110, 0x0132
LENS = 0xA434
EXPOSURE_S, F_NUMBER, ISO, DATE_TAKEN, COLOUR_SPACE = 0x829A, 0x829D, 0x8827, 0x9003, 0xA001
_DATE = re.compile(r"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")

Directory = Mapping[int, Any]
NOTHING: Directory = {}


def directory(data: bytes, at: int | None = None) -> tuple[Directory, int]:
    """The tags of a TIFF structure's first image file directory, or of that at ``at``, and where
    the next one begins (0: nowhere). Raises ``ValueError`` when there is none."""
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's remarks are for programmers
            head = b"II+\0" + data[4:16] if 43 in data[2:4] else data[:8]  # BigTIFF of any order
            found = ImageFileDirectory_v2(head, prefix=data[:2])
            stream = io.BytesIO(data)
            stream.seek(found.next if at is None else at)
            found.next = None
            found.load(stream)
            tags = {tag: _value(found, tag) for tag in found}
    except Exception as error:  # whatever a damaged one makes the library raise
        raise ValueError("not a TIFF structure") from error
    if found.next is None:
        raise ValueError("a directory is cut off")
    return tags, found.next


def _value(found: Any, tag: int) -> Any:
    try:
        return found[tag]
    except Exception:  # one odd entry costs no other
        return None


def numbers(tags: Directory, tag: int) -> tuple[float, ...]:
    """The numbers of a tag; none when it holds none."""
    value = tags.get(tag)
    values = value if isinstance(value, tuple) else (value,)
    if not all(isinstance(v, int | float) or hasattr(v, "numerator") for v in values):
        return ()
    return tuple(float(v) for v in values)


def integer(tags: Directory, tag: int, default: int) -> int:
    """The first number of a tag, if it is finite."""
    found = numbers(tags, tag)[:1]
    return int(found[0]) if found and math.isfinite(found[0]) else default


def text(tags: Directory, tag: int) -> str:
    """A tag's text, one printable line."""
    value = tags.get(tag)
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return plain_text(value.split("\0")[0]) if isinstance(value, str) else ""


@dataclass(frozen=True)
class Exif:
    """What a photo says of itself. ``colour_space`` is "sRGB", "DCF optional RGB" or "";
    ``exposure`` seconds, f-number and ISO speed, 0 where unknown; ``captured`` as
    "2026:05:01 09:30:00"."""

    orientation: int = 1
    colour_space: str = ""
    camera: str = ""
    lens: str = ""
    exposure: tuple[float, float, float] = (0.0, 0.0, 0.0)
    captured: str = ""

    @property
    def metadata(self) -> dict[str, str]:
        """The entries worth showing, those that are known."""
        entries = {
            "camera": self.camera,
            "lens": self.lens,
            "exposure": _exposure_words(*self.exposure),
            "captured": self.captured[:10].replace(":", "-") + self.captured[10:],
        }
        return {key: value for key, value in entries.items() if value}

    def written(self, *, upright: bool = False) -> bytes:
        """A new Exif block, without "Exif" before it, of orientation, colour space, time and
        exposure; ``upright`` says that the picture has been turned."""
        from PIL.Image import Exif as Block
        from PIL.TiffImagePlugin import IFDRational

        block, details = Block(), {}
        block[ORIENTATION] = 1 if upright else self.orientation
        for tag, number in zip((EXPOSURE_S, F_NUMBER), self.exposure, strict=False):
            if number:
                details[tag] = IFDRational(number)
        if self.exposure[2]:
            details[ISO] = round(self.exposure[2])
        if self.captured:
            details[DATE_TAKEN] = self.captured
        if self.colour_space == "sRGB":
            details[COLOUR_SPACE] = 1
        elif self.colour_space:
            details[COLOUR_SPACE], details[INTEROP_IFD] = 65535, {1: "R03"}
        if details:
            block[EXIF_IFD] = details
        return block.tobytes().removeprefix(b"Exif\0\0")


def read_exif(data: bytes) -> Exif:
    """The Exif of a photo; an empty one when there is none or it is damaged, because
    pixels and card tell all that is measured."""
    data = data.removeprefix(b"Exif\0\0")
    try:
        return exif_of(data, directory(data)[0])
    except ValueError:
        return Exif()


def exif_of(data: bytes, main: Directory) -> Exif:
    """The Exif entries that hang on a main directory."""
    details = _child(data, main, EXIF_IFD)
    interop = _child(data, details, INTEROP_IFD)
    orientation = integer(main, ORIENTATION, 1)
    exposure = ((*numbers(details, tag), 0.0)[0] for tag in (EXPOSURE_S, F_NUMBER, ISO))
    taken = (text(details, DATE_TAKEN) or text(main, DATE))[:19]
    return Exif(
        orientation=orientation if 1 <= orientation <= 8 else 1,
        colour_space=_colour_space(integer(details, COLOUR_SPACE, 0), text(interop, 1)),
        camera=_camera(text(main, MAKE), text(main, MODEL)),
        lens=text(details, LENS),
        exposure=tuple(v if 1e-6 < v < 1e6 else 0.0 for v in exposure),  # false for nan too
        captured=taken if _DATE.fullmatch(taken) and taken[:4] != "0000" else "",
    )


def _child(data: bytes, parent: Directory, tag: int) -> Directory:
    offset = integer(parent, tag, 0)
    try:
        return directory(data, offset)[0] if offset > 0 else NOTHING
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


def _exposure_words(seconds: float, f_number: float, iso: float) -> str:
    parts = []
    if seconds > 0:
        parts.append(f"1/{1 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.2g} s")
    if f_number > 0:
        parts.append(f"f/{f_number:.2g}")
    if iso > 0:
        parts.append(f"ISO {iso:.0f}")
    return ", ".join(parts)
