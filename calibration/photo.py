"""Open a photo file: upright pixels, their colour profile, and what may be wrong with them.

Headers are read with Pillow; pixels are decoded by OpenCV, which needs half the memory and
keeps 16-bit files whole. Nothing here looks at the picture itself.
"""

from __future__ import annotations

import contextlib
import io
import os
import stat
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration import flags as flag_kinds
from calibration.errors import BadFile
from calibration.flags import Flag
from calibration.icc import (
    ProfileUnread,
    RgbProfile,
    dcf_optional_profile,
    plain_text,
    read_icc,
    srgb_profile,
)

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["Photo", "RgbProfile", "open_photo"]

MAX_PIXELS = 200_000_000
MIN_SIDE_PX = 300
MAX_BYTES = 2_000_000_000
HEAVY_JPEG_BELOW = 60
AS_JPEG = "export the photo as JPEG, PNG or TIFF and use that"
SHOOT = "give a photo as JPEG, PNG, TIFF, WebP or HEIC"


@dataclass(frozen=True)
class Photo:
    """A photo, upright.

    ``rgb_encoded`` (h, w, 3) uint8 or uint16, as stored, EXIF orientation applied;
    ``profile`` turns it into light; ``jpeg_quality`` 1..100 or None; ``metadata`` holds
    "camera", "exposure", "captured" where the file tells them, never a place.
    """

    rgb_encoded: np.ndarray
    profile: RgbProfile
    path: str
    format: str
    jpeg_quality: int | None
    metadata: dict[str, str]
    flags: tuple[Flag, ...]

    @property
    def width_px(self) -> int:
        return self.rgb_encoded.shape[1]

    @property
    def height_px(self) -> int:
        return self.rgb_encoded.shape[0]

    @property
    def clip_low(self) -> int:
        """A channel at or below this encoded level counts as crushed."""
        return 1 if self.rgb_encoded.dtype == np.uint8 else 257

    @property
    def clip_high(self) -> int:
        """A channel at or above this encoded level counts as burnt out."""
        return 254 if self.rgb_encoded.dtype == np.uint8 else 65279

    def grey8(self) -> np.ndarray:
        """(h, w) uint8 luma of the encoded values, for finding shapes."""
        import cv2

        grey = cv2.cvtColor(self.rgb_encoded, cv2.COLOR_RGB2GRAY)
        return grey if grey.dtype == np.uint8 else cv2.convertScaleAbs(grey, alpha=1 / 257)

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
    path = Path(path)
    data = _read_bytes(path)
    kind = _sniff(data, path)
    if kind == "HEIF":
        return _open_heif(path, data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow's remarks are for programmers
        header = _read_header(path, data, kind)
    _refuse_size(path, header.size)
    rgb = _upright(_decode(path, data, header), header.orientation)
    levels = 256 if rgb.dtype == np.uint8 else 65536
    profile, flags = _profile(header, levels)
    if header.extra:
        flags.append(flag_kinds.HDR_GAIN_MAP(header.extra))
    if header.quality is not None and header.quality < HEAVY_JPEG_BELOW:
        flags.append(flag_kinds.HEAVY_JPEG(str(header.quality)))
    return Photo(rgb, profile, str(path), kind, header.quality, header.metadata, tuple(flags))


# What the file is -----------------------------------------------------------------------
def _read_bytes(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise BadFile(
                f"{path} is a folder", "one photo is judged at a time", "name a photo in it"
            )
        if not stat.S_ISREG(status.st_mode):
            raise BadFile(f"{path} is not a file", "a photo is read as a whole", SHOOT)
        if status.st_size > MAX_BYTES:
            raise BadFile(
                f"{path} is {status.st_size / 1e9:.1f} GB large",
                "no photo of a strip and its card needs that",
                AS_JPEG,
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadFile(
            f"there is no file {path}", "nothing can be judged without a photo",
            "check the name and the folder",
        ) from None  # fmt: skip
    except PermissionError:
        raise BadFile(
            f"{path} may not be read", "its permissions forbid it",
            "change them, or copy the photo into a folder of your own",
        ) from None  # fmt: skip
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise BadFile(
            f"{path} cannot be read ({reason})", "nothing can be judged without a photo",
            "check the name, and copy the photo to this computer's own disk",
        ) from None  # fmt: skip
    if not data:
        raise BadFile(
            f"{path} is empty", "it was perhaps copied only in part", "copy the photo again"
        )
    return data


HEIF_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"}


def _sniff(data: bytes, path: Path) -> str:
    """The kind of photo by content, never by the file's name."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in HEIF_BRANDS:
        return "HEIF"
    raise BadFile(f"{path} is not a photo that can be read here", "", SHOOT)


# What the file says about itself ----------------------------------------------------------
@dataclass(frozen=True)
class _Header:
    """What is known before any pixel is decoded."""

    size: tuple[int, int]
    deep: bool  # 16 bits per channel
    alpha: bool
    orientation: int
    icc: bytes | None
    colour: object  # what else the file says of its colours: RgbProfile maker, name, None
    quality: int | None
    extra: str
    metadata: dict[str, str]


def _read_header(path: Path, data: bytes, kind: str) -> _Header:
    from PIL import Image

    formats = ("JPEG", "MPO") if kind == "JPEG" else (kind,)
    try:
        with Image.open(io.BytesIO(data), formats=formats) as image:
            frames = getattr(image, "n_frames", 1)
            exif = image.getexif()
            details = dict(exif.get_ifd(0x8769))
            main = dict(exif)
            interop = exif.get_ifd(0xA005)
            quality = None
            if kind == "JPEG":
                quality = jpeg_quality(image.quantization.get(0, []))
            if image.mode not in ("RGB", "RGBA"):
                raise BadFile(f"{path} is not in RGB colour ({image.mode})", "", AS_JPEG)
            if frames > 1 and image.format != "MPO":
                raise BadFile(f"{path} holds {frames} pictures", "", AS_JPEG)
            return _Header(
                size=image.size,
                deep=_is_deep(image, data, kind),
                alpha=image.mode == "RGBA" or "transparency" in image.info,
                orientation=main.get(0x0112, 1),
                icc=image.info.get("icc_profile"),
                colour=_exif_colour(details.get(0xA001), interop.get(1)),
                quality=quality,
                extra=f"{frames} in all" if frames > 1 else "",
                metadata=_metadata(main, details),
            )
    except BadFile:
        raise
    except Image.DecompressionBombError:
        raise BadFile(f"{path} is enormous", "", AS_JPEG) from None
    except Exception:
        raise _damaged(path) from None


def _damaged(path: Path) -> BadFile:
    return BadFile(
        f"{path} is damaged or was cut off",
        "what is missing cannot be measured",
        "copy the photo again from the phone or camera",
    )


def _is_deep(image: Image.Image, data: bytes, kind: str) -> bool:
    if kind == "PNG":
        return data[24] == 16
    if kind == "TIFF":
        return 16 in image.tag_v2.get(258, ())
    return False


def _exif_colour(space: object, interop: object) -> str | None:
    """The colour space that Exif names (CIPA DC-008, ColorSpace; 2 is a common extension)."""
    if space == 1:
        return "sRGB"
    if space == 2 or str(interop).strip("\0") == "R03":
        return "DCF optional RGB"
    return None


def _metadata(main: dict, details: dict) -> dict[str, str]:
    """Camera, exposure and date as text. The place is never read."""
    found: dict[str, str] = {}

    def number(value: object) -> float | None:
        with contextlib.suppress(TypeError, ValueError, ZeroDivisionError):
            value = float(value[0] if isinstance(value, tuple) else value)  # type: ignore
            if np.isfinite(value) and value > 0:
                return value
        return None

    make, model = (plain_text(str(main.get(tag, ""))) for tag in (0x010F, 0x0110))
    camera = model if model.lower().startswith(make.lower()) else f"{make} {model}"
    if camera.strip():
        found["camera"] = camera.strip()
    parts = []
    if seconds := number(details.get(0x829A)):
        parts.append(f"1/{1 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.2g} s")
    if f_number := number(details.get(0x829D)):
        parts.append(f"f/{f_number:.2g}")
    if iso := number(details.get(0x8827)):
        parts.append(f"ISO {iso:.0f}")
    if parts:
        found["exposure"] = ", ".join(parts)
    captured = plain_text(str(details.get(0x9003) or main.get(0x0132) or ""))
    if len(captured) >= 19:
        found["captured"] = captured[:10].replace(":", "-") + captured[10:19]
    return found


# JPEG quality -----------------------------------------------------------------------------
# fmt: off
ANNEX_K_LUMINANCE = (  # ITU-T T.81 (1992), table K.1
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55,
    14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
    18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
)
# fmt: on


def jpeg_quality(table: object) -> int | None:
    """The quality, 1..100, at which a JPEG was saved, from its luminance quantisation table.

    Quality is no part of the JPEG standard: usual encoders scale the example table K.1 of
    ITU-T T.81 by S % with S = 5000/q below q = 50 and 200 - 2q from there on (the rule of
    the free reference encoder). The mean ratio of the file's table to K.1 gives S back;
    encoders with tables of their own get the quality of the equally coarse one.
    """
    steps = np.asarray(list(table), dtype=float)  # type: ignore[call-overload]
    if steps.size != 64:
        return None
    scale = 100 * steps.sum() / sum(ANNEX_K_LUMINANCE)
    quality = (200 - scale) / 2 if scale <= 100 else 5000 / scale
    return int(np.clip(round(quality), 1, 100))


# Pixels -----------------------------------------------------------------------------------
def _refuse_size(path: Path, size: tuple[int, int]) -> None:
    width, height = size
    if width * height > MAX_PIXELS:
        raise BadFile(
            f"{path} has {width} x {height} pixels, more than {MAX_PIXELS // 1_000_000} million",
            "so large a picture does not fit in the memory of a small computer",
            "save it at half the size and use that",
        )
    if min(width, height) < MIN_SIDE_PX:
        raise BadFile(
            f"{path} has only {width} x {height} pixels",
            "card and strips would be a few pixels wide",
            "send the photo at its full size, not its preview",
        )


def _decode(path: Path, data: bytes, header: _Header) -> np.ndarray:
    """(h, w, 3) as stored, RGB."""
    import cv2

    pixels = None
    mode = cv2.IMREAD_UNCHANGED if header.deep or header.alpha else cv2.IMREAD_COLOR
    with contextlib.suppress(cv2.error):
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), mode | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None or pixels.shape[1::-1] != header.size:
        raise _damaged(path)
    if pixels.shape[2] == 4:
        if pixels[..., 3].min() < np.iinfo(pixels.dtype).max:
            raise BadFile(
                f"{path} is partly transparent",
                "what lies behind it would be measured as colour",
                "save it without transparency",
            )
        return cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGB)
    return cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)


def _upright(rgb: np.ndarray, orientation: int) -> np.ndarray:
    """The picture as it was meant to be seen (Exif, CIPA DC-008, Orientation 1 to 8)."""
    import cv2

    turn = {
        2: lambda a: cv2.flip(a, 1),
        3: lambda a: cv2.rotate(a, cv2.ROTATE_180),
        4: lambda a: cv2.flip(a, 0),
        5: cv2.transpose,
        6: lambda a: cv2.rotate(a, cv2.ROTATE_90_CLOCKWISE),
        7: lambda a: cv2.flip(cv2.transpose(a), -1),
        8: lambda a: cv2.rotate(a, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }.get(orientation)
    return rgb if turn is None else turn(rgb)


# Colour -----------------------------------------------------------------------------------
def _profile(header: _Header, levels: int) -> tuple[RgbProfile, list[Flag]]:
    if header.icc:
        try:
            return read_icc(header.icc, levels), []
        except ProfileUnread as error:
            flag = flag_kinds.UNKNOWN_PROFILE(f"{error.name} ({error})")
            return srgb_profile(levels), [flag]
    if header.colour == "sRGB":
        return srgb_profile(levels), []
    if header.colour == "DCF optional RGB":
        return dcf_optional_profile(levels), []
    return srgb_profile(levels), [flag_kinds.NO_PROFILE()]


def _open_heif(path: Path, data: bytes) -> Photo:
    raise BadFile(f"{path} is HEIC", "", AS_JPEG)
