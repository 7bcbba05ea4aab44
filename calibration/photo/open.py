"""Open a photo: upright pixels, their colour profile, and what may be wrong with them."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import numpy as np

from calibration import flags as flag_kinds
from calibration.errors import BadFile, WrongUsage
from calibration.files import read_bytes
from calibration.flags import Flag
from calibration.photo.decode import decode
from calibration.photo.formats import kind_of
from calibration.photo.header import (
    COPY_AGAIN,
    Header,
    check_size,
    read_png,
    read_tiff,
    read_webp,
)
from calibration.photo.icc import (
    ProfileUnread,
    RgbProfile,
    chromaticity_profile,
    dcf_optional_profile,
    display_p3_profile,
    read_icc,
    srgb_profile,
)
from calibration.photo.jpeg import read_jpeg

MAX_BYTES = 500_000_000
HEAVY_JPEG_BELOW = 60
_READERS = {"JPEG": read_jpeg, "PNG": read_png, "TIFF": read_tiff, "WEBP": read_webp}


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo, upright.

    ``rgb_encoded`` (h, w, 3) uint8 or uint16, as stored, Exif orientation applied;
    ``profile`` turns it into light; ``jpeg_quality`` 1..100 or None; ``metadata`` holds
    "camera", "lens", "exposure", "captured" where the file tells them, never a place.
    ``exposure`` is the same in numbers: seconds, f-number and ISO speed, 0 where unknown.
    """

    rgb_encoded: np.ndarray = field(repr=False)
    profile: RgbProfile
    path: str
    format: str
    jpeg_quality: int | None
    metadata: dict[str, str]
    flags: tuple[Flag, ...]
    exposure: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def width_px(self) -> int:
        return self.rgb_encoded.shape[1]

    @property
    def height_px(self) -> int:
        return self.rgb_encoded.shape[0]

    @property
    def clip_low(self) -> int:
        """A channel at or below this encoded level counts as crushed."""
        if self.rgb_encoded.dtype == np.uint8:
            return 1
        # As much light as level 1 of 8-bit sRGB.
        return 20 if self.profile.is_linear else 257

    @property
    def clip_high(self) -> int:
        """A channel at or above this encoded level counts as burnt out."""
        return 254 if self.rgb_encoded.dtype == np.uint8 else 65279

    def grey8(self) -> np.ndarray:
        """(h, w) uint8 luma of the encoded values, for finding shapes."""
        import cv2

        grey = cv2.cvtColor(self.rgb_encoded, cv2.COLOR_RGB2GRAY)
        if grey.dtype == np.uint8:
            return grey
        if self.profile.is_linear:
            # Numbers in proportion to light would leave all but the lightest near black.
            return np.rint(np.sqrt(np.arange(65536) * 65535) / 257).astype(np.uint8)[grey]
        return cv2.convertScaleAbs(grey, alpha=1 / 257)

    def rgb_linear(
        self, x0: int = 0, y0: int = 0, x1: int | None = None, y1: int | None = None
    ) -> np.ndarray:
        """(h, w, 3) float32 linear RGB 0..1 of columns x0..x1 and rows y0..y1 (px, ends
        excluded, as in slicing), through the profile's curves."""
        region = self.rgb_encoded[y0:y1, x0:x1]
        if region.dtype == np.uint8 and region.size:
            import cv2

            return cv2.LUT(region, np.ascontiguousarray(self.profile.decode.T)[None])
        linear = np.empty(region.shape, np.float32)
        for channel in range(3):
            linear[..., channel] = self.profile.decode[channel][region[..., channel]]
        return linear


def open_photo(path: str | os.PathLike[str]) -> Photo:
    """Read a photo file. Raises ``BadFile`` that says what is wrong and what to do."""
    return _opened(read_bytes(path, "a photo", MAX_BYTES), os.fspath(path))


def photo_from_bytes(data: bytes | bytearray | memoryview, name: str = "(in memory)") -> Photo:
    """Read the bytes of a photo file, which messages call ``name``. Raises ``BadFile`` as
    ``open_photo`` does."""
    if not data:
        raise BadFile(f"the file {name} is empty", "it holds no photo", COPY_AGAIN)
    return _opened(bytes(data), name)


def photo_from_array(rgb: np.ndarray, profile: str | bytes = "sRGB") -> Photo:
    """A photo of pixels (h, w, 3), upright: uint8, uint16, or decimal numbers from 0 to 1, all
    as encoded by ``profile``: "sRGB", "Display P3" or the bytes of an ICC profile (a matrix
    and curves). The pixels are copied.

    Raises ``WrongUsage`` when these are no such pixels or there is no such profile, ``BadFile``
    for a profile that cannot be used and for a picture that is too small or too large.
    """
    encoded = _encoded(np.asarray(rgb))
    check_size((encoded.shape[1], encoded.shape[0]), "the array")
    levels = 256 if encoded.dtype == np.uint8 else 65536
    named = {"sRGB": srgb_profile, "Display P3": display_p3_profile}
    if isinstance(profile, bytes):
        try:
            known = read_icc(profile, levels)
        except ProfileUnread as error:
            raise BadFile(
                f"the ICC profile {error.name} cannot be used ({error})",
                "without it nobody knows which light the numbers stand for",
                'convert the pixels to sRGB and give profile="sRGB"',
            ) from None
    elif isinstance(profile, str) and profile in named:
        known = named[profile](levels)
    else:
        raise WrongUsage(
            f"there is no colour profile {profile!r} here",
            "without it nobody knows which light the numbers stand for",
            'give "sRGB", "Display P3" or the bytes of an ICC profile',
        )
    return Photo(encoded, known, "(array)", "array", None, {}, ())


def _encoded(rgb: np.ndarray) -> np.ndarray:
    """A copy of the pixels (h, w, 3) as uint8 or uint16."""
    todo = "give an array (h, w, 3) of uint8 or uint16, or of decimal numbers from 0 to 1"
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        why = "a photo has rows, columns, and red, green and blue at each place"
        raise WrongUsage(f"the array has the shape {rgb.shape}", why, todo)
    if rgb.dtype in (np.uint8, np.uint16):
        return np.array(rgb, order="C")
    if rgb.dtype.kind != "f":
        why = "nobody can tell which of its numbers is white"
        raise WrongUsage(f"the array holds numbers of the kind {rgb.dtype}", why, todo)
    low, high = float(rgb.min(initial=1.0)), float(rgb.max(initial=0.0))
    if not 0.0 <= low <= high <= 1.0:  # false for nan as well
        why = "0 is black and 1 is white"
        raise WrongUsage(f"the array's numbers go from {low:g} to {high:g}", why, todo)
    return np.rint(np.asarray(rgb, dtype=np.float64) * 65535).astype(np.uint16)


def decoded(data: bytes, name: str) -> tuple[Header, np.ndarray, RgbProfile, list[Flag]]:
    """What a file says of itself, its pixels (h, w, 3), upright, their profile and what must be
    said about both. Raises ``BadFile``."""
    kind = kind_of(data, name)
    if kind == "RAW":
        from calibration.photo.raw import read_raw

        header, rgb, profile, known = read_raw(data, name)
        unknown = flag_kinds.UNKNOWN_PROFILE("(a camera whose colours no one noted)")
        return header, rgb, profile, [] if known else [unknown]
    if kind == "HEIF":
        from calibration.photo.heif import read_heif

        header, rgb = read_heif(data, name)
    else:
        header = _READERS[kind](data, name)
        rgb = decode(data, header, name)
    return header, rgb, *_profile(header, 256 if rgb.dtype == np.uint8 else 65536)


def _opened(data: bytes, path: str) -> Photo:
    header, rgb, profile, flags = decoded(data, path)
    if header.gain_map:
        flags.append(flag_kinds.HDR_GAIN_MAP("a brightness map for HDR screens"))
    elif header.pictures > 1:
        flags.append(flag_kinds.HDR_GAIN_MAP(f"{header.pictures} in all"))
    quality = header.jpeg_quality
    if quality is not None and quality < HEAVY_JPEG_BELOW:
        flags.append(flag_kinds.HEAVY_JPEG(str(quality)))
    exif = header.exif
    known = (header.format, quality, exif.metadata, tuple(flags), exif.exposure)
    return Photo(rgb, profile, path, *known)


# Colour -----------------------------------------------------------------------------------
def _profile(header: Header, levels: int) -> tuple[RgbProfile, list[Flag]]:
    """The profile to use and what must be said about it. Of what a PNG tells, cICP goes
    first, then iCCP, sRGB, gAMA with cHRM (PNG third edition, 4.3); Exif comes last."""
    if header.cicp is not None and (header.format == "PNG" or not header.icc):
        codes = header.cicp  # ITU-T H.273: primaries 1 BT.709, 12 P3; transfer 13 sRGB
        if codes in ((1, 13), (12, 13)):
            return (srgb_profile if codes[0] == 1 else display_p3_profile)(levels), []
        kind = {16: "HDR, PQ", 18: "HDR, HLG"}.get(codes[1], "H.273")
        _, flags = _assumed(levels, f"{kind} {codes[0]}/{codes[1]}")
        # Primaries that are known are used even where the curve is not.
        return (display_p3_profile if codes[0] == 12 else srgb_profile)(levels), flags
    if header.icc:
        try:
            return read_icc(header.icc, levels), []
        except ProfileUnread as error:
            return _assumed(levels, f"{error.name} ({error})")
    if header.srgb or header.exif.colour_space == "sRGB":
        return srgb_profile(levels), []
    if header.png_colour is not None:
        gamma, places = header.png_colour
        try:
            return chromaticity_profile(gamma, places, levels), []
        except ProfileUnread as error:
            return _assumed(levels, f"{error.name} ({error})")
    if header.exif.colour_space:
        return dcf_optional_profile(levels), []
    return srgb_profile(levels), [flag_kinds.NO_PROFILE()]


def _assumed(levels: int, name: str) -> tuple[RgbProfile, list[Flag]]:
    return srgb_profile(levels), [flag_kinds.UNKNOWN_PROFILE(name)]
