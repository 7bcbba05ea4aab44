"""Colour profiles as photographs carry them: one tone curve per channel and a matrix to XYZ
under D50 (ICC.1:2022, 8.3.3, 8.4.3); anything else is named and declined.
"""

from __future__ import annotations

import functools
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from calibration.colour.spaces import (
    P3_TO_XYZ_D50,
    SRGB_TO_XYZ_D50,
    WHITE_D50,
    rgb_to_xyz_d50_matrix,
    srgb_decode,
)

Curve = Callable[[np.ndarray], np.ndarray]
_PARAMETERS = (1, 3, 4, 5, 7)  # of the parametric curves 0 to 4


class ProfileUnread(ValueError):
    """The profile cannot be used; ``name`` is what to call it, the message says why."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(why)
        self.name = name


@dataclass(frozen=True, eq=False)
class RgbProfile:
    """How encoded R, G, B become light.

    ``decode`` (3, n) float32: linear 0..1 of every encoded level, n = 256 or 65536.
    ``to_xyz_d50`` (3, 3) float64: linear RGB column vector -> XYZ, D50, Y = 1.
    ``name`` is "sRGB" or "Display P3" when the numbers are those, else what the file calls
    it; ``described_as`` is always the file's own words ("" when there were none).
    ``by_daylight`` (3,), of a raw photo whose camera is known: what its numbers are multiplied by
    to be those of a photo balanced for D65.
    """

    name: str
    decode: np.ndarray = field(repr=False)
    to_xyz_d50: np.ndarray = field(repr=False)
    described_as: str = ""
    by_daylight: np.ndarray | None = field(default=None, repr=False)

    @property
    def is_linear(self) -> bool:
        """Are the numbers light already, with no curve to speak of?"""
        middle = self.decode[:, self.decode.shape[1] // 2]
        return bool(np.abs(middle - 0.5).max() < 0.01)


def plain_text(text: str, limit: int = 60) -> str:
    """Printable text of one line: no control characters (files may carry anything)."""
    kept = "".join(c if c.isprintable() else " " for c in text)
    kept = " ".join(kept.split())
    return kept if len(kept) <= limit else kept[: limit - 1] + "…"


def _frozen(array: np.ndarray) -> np.ndarray:
    array.setflags(write=False)
    return array


def _tables(curves: tuple[Curve, Curve, Curve], levels: int) -> np.ndarray:
    encoded = np.linspace(0.0, 1.0, levels)
    one = curves[0](encoded)
    rows = [one] + [one if curve is curves[0] else curve(encoded) for curve in curves[1:]]
    return _frozen(np.clip(np.stack(rows), 0.0, 1.0).astype(np.float32))


def profile_from(
    name: str, curve: Curve, matrix: np.ndarray, levels: int, described_as: str = ""
) -> RgbProfile:
    """A profile with the same curve for all three channels."""
    return RgbProfile(name, _tables((curve,) * 3, levels), _frozen(matrix.copy()), described_as)


@functools.cache
def srgb_profile(levels: int) -> RgbProfile:
    """sRGB (IEC 61966-2-1) adapted to D50."""
    return profile_from("sRGB", srgb_decode, SRGB_TO_XYZ_D50, levels)


@functools.cache
def display_p3_profile(levels: int) -> RgbProfile:
    """Display P3: primaries of SMPTE RP 431-2 with white D65 and the sRGB curve."""
    return profile_from("Display P3", srgb_decode, P3_TO_XYZ_D50, levels)


@functools.cache
def dcf_optional_profile(levels: int) -> RgbProfile:
    """The optional colour space of DCF (CIPA DC-009; Exif interoperability "R03"):
    wider green primary, pure power 563/256, white D65. Numbers from memory."""
    matrix = rgb_to_xyz_d50_matrix(np.array([(0.64, 0.33), (0.21, 0.71), (0.15, 0.06)]))
    return profile_from("DCF optional RGB", lambda v: v ** (563 / 256), matrix, levels)


def chromaticity_profile(gamma: float, places: tuple[float, ...], levels: int) -> RgbProfile:
    """The profile that a PNG's gAMA and cHRM chunks describe (PNG third edition, 11.3.2):
    encoded = linear ** gamma; ``places`` are x, y of white, red, green and blue. Raises
    ``ProfileUnread`` when they describe no RGB."""
    name = "by gAMA and cHRM"
    x, y, *rest = places
    primaries = np.reshape(rest, (3, 2))
    if not 0.1 < gamma < 10 or min(places) < 0 or y <= 0 or primaries[:, 1].min() <= 0:
        raise ProfileUnread(name, "its numbers make no sense")
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    try:
        matrix = rgb_to_xyz_d50_matrix(primaries, white)
    except np.linalg.LinAlgError:
        raise ProfileUnread(name, "its numbers make no sense") from None
    return _recognised(name, (lambda v: v ** (1 / gamma),) * 3, matrix, levels)


def read_icc(data: bytes, levels: int) -> RgbProfile:
    """The profile of an embedded ICC profile, with decode tables of 256 or 65536 levels.

    Where a profile carries tables (A2B) as well as the matrix model, the matrix model is
    used: it is the colorimetric one. Raises ``ProfileUnread`` for anything else.
    Source: ICC.1:2022 (clause numbers at each step).
    """
    name = "(damaged)"
    try:
        tags = _tag_table(data)
        name = _description(data, tags) or "(without a name)"
        space = data[16:20].decode("latin-1").strip()  # 7.2.6
        if space != "RGB":
            raise ProfileUnread(name, f"it is for {space or 'unknown'} colours, not RGB")
        if not {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} <= tags.keys():
            raise ProfileUnread(name, "it holds tables instead of curves and a matrix")
        if data[20:24] != b"XYZ ":  # 7.2.7
            raise ProfileUnread(name, "its matrix does not lead to XYZ")
        matrix = np.stack([_xyz(data, tags[k]) for k in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
        keys = [tags[k] for k in (b"rTRC", b"gTRC", b"bTRC")]
        made = {key: _curve(data, key) for key in dict.fromkeys(keys)}
    except ProfileUnread as error:
        raise ProfileUnread(name if error.name == "" else error.name, str(error)) from None
    except (struct.error, ValueError, IndexError, OverflowError) as error:
        raise ProfileUnread(name, "it is damaged") from error
    first, second, third = (made[key] for key in keys)
    return _recognised(name, (first, second, third), matrix, levels)


def _recognised(
    name: str, curves: tuple[Curve, Curve, Curve], matrix: np.ndarray, levels: int
) -> RgbProfile:
    """The profile, named by its numbers when they are those of sRGB or Display P3; refused
    when its numbers describe no camera or screen."""
    # The columns add up to the white of the connection space (ICC.1:2022, F.3).
    if np.abs(matrix.sum(axis=1) - WHITE_D50).max() > 0.1 or abs(np.linalg.det(matrix)) < 1e-3:
        raise ProfileUnread(name, "its matrix makes no sense")
    with np.errstate(all="ignore"):
        decode = _tables(curves, levels)
    steps = np.diff(decode, axis=1)
    # Curves measured on a device may dip a little.
    if (
        not np.isfinite(decode).all()
        or steps.min() < -0.01
        or (decode[:, -1] - decode[:, 0]).min() < 0.5
    ):
        raise ProfileUnread(name, "its curves make no sense")
    called = name
    if np.abs(decode - srgb_profile(levels).decode).max() < 2e-3:
        for known in (srgb_profile(levels), display_p3_profile(levels)):
            # s15Fixed16 rounds to 8e-6, but old sRGB profiles were adapted less exactly.
            if np.abs(matrix - known.to_xyz_d50).max() < 2e-3:
                called = known.name
    return RgbProfile(called, decode, _frozen(matrix), name)


# Profiles of our own ----------------------------------------------------------------------
def plain_icc(data: bytes) -> bytes:
    """A new profile of the same matrix and curves, without a word that the old one carried; b""
    for one that cannot be used."""
    try:
        read_icc(data, 256)
    except ProfileUnread:
        return b""
    tags = _tag_table(data)
    kept = {}
    for channel in (b"r", b"g", b"b"):
        start, _ = tags[channel + b"XYZ"]
        kept[channel + b"XYZ"] = data[start : start + 20]
        start, _ = tags[channel + b"TRC"]
        if data[start : start + 4] == b"curv":
            size = 12 + 2 * struct.unpack_from(">I", data, start + 8)[0]
        else:
            size = 12 + 4 * _PARAMETERS[struct.unpack_from(">H", data, start + 8)[0]]
        kept[channel + b"TRC"] = data[start : start + size]
    return _profile_of(kept)


def linear_icc(matrix: np.ndarray) -> bytes:
    """The profile of numbers that are light already; ``matrix`` (3, 3) leads to XYZ, D50."""
    kept = {}
    for channel, column in zip((b"r", b"g", b"b"), matrix.T, strict=True):
        kept[channel + b"XYZ"] = b"XYZ " + bytes(4) + _fixed(column)
        kept[channel + b"TRC"] = b"curv" + bytes(8)
    return _profile_of(kept)


def _fixed(values: np.ndarray) -> bytes:
    return np.rint(values * 65536).astype(">i4").tobytes()


def _profile_of(tags: dict[bytes, bytes]) -> bytes:
    """A display profile of version 4 (7.2, 7.3) with these tags, a name and the white."""
    name = "kept".encode("utf-16-be")
    words = b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(name), 28) + name
    tags = tags | {b"desc": words, b"wtpt": b"XYZ " + bytes(4) + _fixed(WHITE_D50)}
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for signature, content in tags.items():
        table += struct.pack(">4sII", signature, start + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    head = struct.pack(">I4xI4s4s4s12x4s", start + len(body), 4 << 24, b"mntr", b"RGB ", b"XYZ ",
                       b"acsp")  # fmt: skip
    head = (head.ljust(68, b"\0") + _fixed(WHITE_D50)).ljust(128, b"\0")
    return head + struct.pack(">I", len(tags)) + table + body


def _tag_table(data: bytes) -> dict[bytes, tuple[int, int]]:
    """{signature: (offset, size)} (7.3)."""
    if len(data) < 132 or data[36:40] != b"acsp":  # 7.2.9
        raise ProfileUnread("", "it is damaged")
    (count,) = struct.unpack_from(">I", data, 128)
    if count > 200:
        raise ProfileUnread("", "it is damaged")
    tags = {}
    for i in range(count):
        signature, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        if offset + size > len(data):
            raise ProfileUnread("", "it is cut off")
        tags[signature] = (offset, size)
    return tags


def _description(data: bytes, tags: dict[bytes, tuple[int, int]]) -> str:
    """The profile's name: 'mluc' (10.15) of version 4, 'desc' of version 2."""
    if b"desc" not in tags:
        return ""
    offset, size = tags[b"desc"]
    tag = data[offset : offset + size]
    if tag[:4] == b"mluc" and len(tag) >= 28:
        length, start = struct.unpack_from(">II", tag, 20)  # the first language will do
        return plain_text(tag[start : start + length].decode("utf-16-be", "replace"))
    if tag[:4] == b"desc" and len(tag) >= 12:
        (length,) = struct.unpack_from(">I", tag, 8)
        return plain_text(tag[12 : 12 + length].split(b"\0")[0].decode("latin-1"))
    return ""


def _xyz(data: bytes, place: tuple[int, int]) -> np.ndarray:
    """One 'XYZ ' tag (10.31) of s15Fixed16 numbers (clause 4)."""
    offset, size = place
    if size < 20 or data[offset : offset + 4] != b"XYZ ":
        raise ProfileUnread("", "it is damaged")
    return np.array(struct.unpack_from(">3i", data, offset + 8)) / 65536


def _curve(data: bytes, place: tuple[int, int]) -> Curve:
    """A tone curve as a function of encoded 0..1: 'curv' (10.6) or 'para' (10.18)."""
    offset, size = place
    kind = data[offset : offset + 4]
    if kind == b"curv":
        (count,) = struct.unpack_from(">I", data, offset + 8)
        if 12 + 2 * count > size:
            raise ProfileUnread("", "its curve is cut off")
        if count == 0:
            return lambda v: v
        if count == 1:
            gamma = struct.unpack_from(">H", data, offset + 12)[0] / 256  # u8Fixed8
            return lambda v: v**gamma
        table = np.frombuffer(data, ">u2", count, offset + 12) / 65535
        knots = np.linspace(0.0, 1.0, count)
        return lambda v: np.interp(v, knots, table)
    if kind == b"para":
        (function,) = struct.unpack_from(">H", data, offset + 8)
        if function > 4:
            raise ProfileUnread("", "its curve is of an unknown kind")
        n = _PARAMETERS[function]
        if 12 + 4 * n > size:
            raise ProfileUnread("", "its curve is cut off")
        numbers = np.array(struct.unpack_from(f">{n}i", data, offset + 12)) / 65536
        return _parametric(function, numbers)
    raise ProfileUnread("", "its curve is of an unknown kind")


def _parametric(function: int, numbers: np.ndarray) -> Curve:
    """The parametric curves 0 to 4 (ICC.1:2022, table 68), all as type 4:
    Y = (aX + b)^g + e for X >= d, else cX + f."""
    g, a, b, c, d, e, f = [*numbers, *([0.0] * (7 - len(numbers)))]
    if function == 0:
        a, b, d = 1.0, 0.0, 0.0
    elif function in (1, 2):
        if a == 0:
            raise ProfileUnread("", "its curve makes no sense")
        # Type 1 is 0, type 2 the constant c, below -b/a.
        shift = c if function == 2 else 0.0
        c, d, e, f = 0.0, -b / a, shift, shift

    def curve(v: np.ndarray) -> np.ndarray:
        upper = np.maximum(a * v + b, 0.0) ** g + e
        return np.where(v >= d, upper, c * v + f)

    return curve
