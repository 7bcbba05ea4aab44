"""What a photo file says before any pixel is decoded, so that an unsuitable one is refused with
its reason before it costs memory: JPEG (T.81), PNG (third edition), TIFF, WebP (RFC 9649).
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.errors import BadFile
from calibration.photo.exif import ORIENTATION, Buffer, Directory, Exif, Tiff, exif_of, read_exif

EXPORT = "open it in the program that made it and export it as JPEG, PNG or TIFF in RGB colour"
MAX_PIXELS = 200_000_000
MIN_SIDE_PX = 300
COPY_AGAIN = "copy the photo again from the phone or camera"


@dataclass(frozen=True)
class Header:
    """``size`` (width, height) px as stored; ``bits`` 8 or 16; ``icc`` profile bytes or b"";
    ``cicp`` colour codes of ITU-T H.273 (primaries, transfer); ``png_colour`` (gamma,
    white and primaries xy) of a PNG; ``orientation_at`` place of a TIFF's orientation tag;
    ``compression`` of a TIFF; ``pictures`` held in all, maps and previews apart;
    ``gain_map`` True when a brightness map for HDR screens is among what the file holds."""

    format: str
    size: tuple[int, int]
    bits: int = 8
    alpha: bool = False
    icc: bytes = b""
    exif: Exif = field(default_factory=Exif)
    jpeg_quality: int | None = None
    pictures: int = 1
    srgb: bool = False
    cicp: tuple[int, int] | None = None
    png_colour: tuple[float, tuple[float, ...]] | None = None
    orientation_at: int | None = None
    compression: int = 1
    gain_map: bool = False


def damaged(name: str, how: str = "is damaged or was cut off") -> BadFile:
    """The refusal of a file that breaks off or contradicts itself."""
    return BadFile(f"the file {name} {how}", "what is missing cannot be measured", COPY_AGAIN)


def not_rgb(name: str, what: str, why: str = "ink can only be judged in colour") -> BadFile:
    """The refusal of a picture that is no RGB photo."""
    return BadFile(f"the file {name} holds {what}", why, EXPORT)


def several(name: str, count: int | None, what: str) -> BadFile:
    """The refusal of a file with more than one picture."""
    number = f"{count} {what}" if count else what
    return BadFile(
        f"the file {name} holds {number}",
        "it is not clear which one should be judged",
        "save the one you want as a JPEG, PNG or TIFF of its own",
    )


def check_size(size: tuple[int, int], what: str) -> None:
    """Refuse what would not fit in memory, or shows too little; ``what`` has this size."""
    width, height = size
    if width * height > MAX_PIXELS:
        raise BadFile(
            f"{what} says it has {width} x {height} pixels, "
            f"more than {MAX_PIXELS // 1_000_000} million",
            "so large a picture may not fit in the memory of this computer",
            "save it at half its width and give that",
        )
    if min(width, height) < MIN_SIDE_PX:
        raise BadFile(
            f"{what} has only {width} x {height} pixels",
            "card and strips would be a few pixels wide",
            "give the photo at its full size, not its preview",
        )


# JPEG -------------------------------------------------------------------------------------
# ISO 21496-1 marks a photo with a gain map by this name; before it, XMP of a namespace did.
GAIN_MAP_SIGNS = (b"urn:iso:std:iso:ts:21496:-1", b"hdr-gain-map/1.0", b"aux:hdrgainmap")
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
# fmt: off
ANNEX_K_LUMINANCE = (  # ITU-T T.81 (1992), table K.1
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55,
    14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
    18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
)
# fmt: on


def jpeg_quality(steps: tuple[int, ...]) -> int | None:
    """The quality, 1..100, at which a JPEG was saved, from the 64 steps of its luminance
    quantisation table (any order).

    Quality is no part of the standard. Usual encoders scale the example table K.1 of
    ITU-T T.81 by s %, with s = 5000 / q below q = 50 and s = 200 - 2 q from there on, and
    limit the steps to 1..255 (the free reference encoder's rule). The quality whose scaled
    table has the nearest sum is returned, so an encoder with tables of its own gets the
    quality of the equally coarse usual table. None when there are not 64 steps.
    """
    if len(steps) != 64:
        return None
    quality = np.arange(1, 101)
    scale = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)
    tables = np.clip((scale[:, None] * np.array(ANNEX_K_LUMINANCE) + 50) // 100, 1, 255)
    return int(quality[np.abs(tables.sum(axis=1) - sum(steps)).argmin()])


def read_jpeg(data: Buffer, name: str) -> Header:
    """Walk the segments to the coded data, and see that these end (T.81, annex B)."""
    at, end = 2, len(data)
    frame: tuple[int, int, int, int] | None = None
    tables: dict[int, tuple[int, ...]] = {}
    profile: dict[int, bytes] = {}
    exif, pictures, luminance, gain_map = Exif(), 1, 0, False
    while True:
        while at < end and data[at] != 0xFF:  # stray bytes before a marker are harmless
            at += 1
        while at < end and data[at] == 0xFF:
            at += 1
        if at >= end:
            raise damaged(name, "breaks off before its end")
        marker = data[at]
        at += 1
        if marker == 0xD9:
            raise damaged(name, "holds no picture data")
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            continue
        if at + 2 > end:
            raise damaged(name, "breaks off before its end")
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2:
            raise damaged(name)
        body = bytes(data[at + 2 : at + length])
        at += length
        if marker in _FRAMES and frame is None and len(body) >= 9:
            bits, height, width, parts = struct.unpack_from(">BHHB", body)
            frame, luminance = (bits, height, width, parts), body[8]
        elif marker == 0xDB:
            tables |= _quantisation(body)
        elif marker == 0xE1 and body[:6] == b"Exif\0\0" and exif == Exif():
            exif = read_exif(body)
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0" and len(body) > 14:
            profile[body[12]] = body[14:]  # ICC.1:2022, B.4: numbered pieces
        elif marker == 0xE2 and body[:4] == b"MPF\0":
            pictures = _multi_picture(body[4:])
        elif marker in (0xE1, 0xE2) and any(sign in body for sign in GAIN_MAP_SIGNS):
            gain_map = True
        elif marker == 0xDA:
            # Coded data never hold this pair (T.81, B.1.1.5): it is the end of the image.
            if data.find(b"\xff\xd9", at) < 0:
                raise damaged(name, "breaks off in the middle of the picture")
            break
    if frame is None:
        raise damaged(name)
    bits, height, width, parts = frame
    if bits != 8:
        raise not_rgb(name, f"a JPEG of {bits} bits", "this rare kind of JPEG cannot be read here")
    if parts == 1:
        raise not_rgb(name, "a picture without colour (shades of grey)")
    if parts != 3:
        raise not_rgb(name, "colours for printing (CMYK)", "they are no record of a camera's light")
    icc = b"".join(profile[k] for k in sorted(profile))
    quality = jpeg_quality(tables.get(luminance, ()))
    header = Header("JPEG", (width, height), 8, False, icc, exif, quality, pictures)
    return replace(header, gain_map=gain_map)


def _quantisation(body: bytes) -> dict[int, tuple[int, ...]]:
    """The tables of one DQT segment (T.81, B.2.4.1)."""
    tables, at = {}, 0
    while at < len(body):
        wide, number = body[at] >> 4, body[at] & 15
        steps = body[at + 1 : at + 1 + (128 if wide else 64)]
        at += 1 + (128 if wide else 64)
        if wide and len(steps) == 128:
            tables[number] = struct.unpack(">64H", steps)
        else:
            tables[number] = tuple(steps)
    return tables


def _multi_picture(body: bytes) -> int:
    """The number of pictures that a multi-picture index lists (CIPA DC-007, tag B001)."""
    try:
        index = Tiff(body)
        return max(1, index.directory(index.first).integer(0xB001, 1))
    except ValueError:
        return 1


# PNG --------------------------------------------------------------------------------------
def read_png(data: Buffer, name: str) -> Header:
    """Walk the chunks (PNG third edition, 5.3; colour chunks 11.3.2, eXIf 11.3.4.5)."""
    chunks: dict[bytes, bytes] = {}
    at, ended = 8, False
    while at + 8 <= len(data) and not ended:
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind != b"IDAT":
            chunks.setdefault(kind, bytes(data[at + 8 : at + 8 + length]))
        at += 12 + length
        ended = kind == b"IEND"
    head = chunks.get(b"IHDR", b"")
    if len(head) < 13:
        raise damaged(name)
    width, height, bits, colour = struct.unpack_from(">IIBB", head)
    if not ended or at > len(data):
        raise damaged(name, "breaks off before its end")
    if b"acTL" in chunks:
        raise several(name, None, "an animation")
    if colour == 3:
        raise not_rgb(name, "a palette of a few colours", "all colours between them are lost")
    if colour not in (2, 6):
        raise not_rgb(name, "a picture without colour (shades of grey)")
    codes = chunks.get(b"cICP", b"")
    return Header(
        "PNG",
        (width, height),
        bits,
        alpha=colour == 6 or b"tRNS" in chunks,
        icc=_inflate(chunks[b"iCCP"]) if b"iCCP" in chunks else b"",
        exif=read_exif(chunks.get(b"eXIf", b"")),
        srgb=b"sRGB" in chunks,
        cicp=(codes[0], codes[1]) if len(codes) == 4 else None,
        png_colour=_png_colour(chunks),
    )


def _inflate(chunk: bytes) -> bytes:
    """The profile in an iCCP chunk; damage gives bytes that are no profile."""
    packed = chunk.partition(b"\0")[2][1:]
    try:
        return zlib.decompressobj().decompress(packed, 4_000_000) or b"?"
    except zlib.error:
        return b"?"


def _png_colour(chunks: dict[bytes, bytes]) -> tuple[float, tuple[float, ...]] | None:
    """(gamma, white and primaries xy) when both gAMA and cHRM are there."""
    gamma, places = chunks.get(b"gAMA", b""), chunks.get(b"cHRM", b"")
    if len(gamma) != 4 or len(places) != 32:
        return None
    return struct.unpack(">I", gamma)[0] / 1e5, tuple(v / 1e5 for v in struct.unpack(">8I", places))


# TIFF -------------------------------------------------------------------------------------
PACKINGS = {
    6: "JPEG (old style)", 7: "JPEG", 34712: "JPEG 2000", 34887: "LERC", 34925: "LZMA",
    50000: "Zstandard", 50001: "WebP", 50002: "JPEG XL", 52546: "JPEG XL",
}  # fmt: skip
PLAIN_PACKINGS = frozenset((1, 5, 8, 32773, 32946))  # none, LZW, Deflate, PackBits


def read_tiff(data: Buffer, name: str) -> Header:
    """Read the directories (TIFF 6.0, section 2) of a picture that is no raw photo."""
    try:
        tiff = Tiff(data)
        main = tiff.directory(tiff.first)
        pages, previews = _pages(tiff, main)
    except ValueError:
        raise damaged(name) from None
    photometric = main.integer(262, -1)
    if pages > 1:
        raise several(name, pages, "pages")
    size = main.integer(256, 0), main.integer(257, 0)
    bits = main.tags.get(258, (1,))
    if not all(size) or not isinstance(bits, tuple):
        raise damaged(name)
    _refuse_tiff_colour(name, photometric, main, bits)
    packing = main.integer(259, 1)
    # The decoder for 16 bits gets separate colour planes wrong, so they are refused.
    if bits[0] == 16 and (packing not in PLAIN_PACKINGS or main.integer(284, 1) != 1):
        how = PACKINGS.get(packing, f"kind {packing}")
        how = "separate colour planes" if packing in PLAIN_PACKINGS else f"{how} compression"
        raise BadFile(
            f"the file {name} is a 16-bit TIFF with {how}",
            "that rare kind cannot be read here",
            "save it as TIFF with LZW, ZIP or no compression, colours interleaved",
        )
    profile = main.tags.get(34675, b"")
    return Header(
        "TIFF",
        size,
        int(bits[0]),
        alpha=len(bits) > 3,
        icc=profile if isinstance(profile, bytes) else bytes(int(v) & 255 for v in profile),
        exif=exif_of(tiff, main),
        pictures=pages + previews,
        orientation_at=main.places.get(ORIENTATION),
        compression=packing,
    )


def _pages(tiff: Tiff, main: Directory) -> tuple[int, int]:
    """(pages, previews) in the chain of directories; NewSubfileType bit 0 marks previews."""
    pages, previews, seen, following = 1, 0, {tiff.first}, main.following
    while following and following not in seen and len(seen) < 1000:
        seen.add(following)
        page = tiff.directory(following)
        if page.integer(254, 0) & 1:
            previews += 1
        else:
            pages += 1
        following = page.following
    return pages, previews


def _refuse_tiff_colour(
    name: str, photometric: int, main: Directory, bits: tuple[float, ...]
) -> None:
    if photometric in (0, 1):
        raise not_rgb(name, "a picture without colour (shades of grey or black and white)")
    if photometric == 3:
        raise not_rgb(name, "a palette of a few colours", "all colours between them are lost")
    if photometric == 5:
        raise not_rgb(name, "colours for printing (CMYK)", "they are no record of a camera's light")
    if photometric != 2 and not (photometric == 6 and main.integer(259, 1) == 7):
        raise not_rgb(name, f"colours of a rare kind (TIFF code {photometric})")
    formats = main.tags.get(339, (1,))
    if isinstance(formats, tuple) and any(f != 1 for f in formats):
        raise not_rgb(
            name,
            "decimal or signed numbers instead of levels",
            "they do not say which number is white",
        )
    if set(bits) not in ({8}, {16}) or len(bits) not in (3, 4):
        written = ", ".join(f"{b:.0f}" for b in bits[:6])
        raise not_rgb(name, f"channels of {written} bits", "only 3 channels of 8 or 16 are read")


def holds_raw(data: Buffer) -> bool:
    """Is this TIFF structure a camera's raw photo rather than a picture?"""
    try:
        tiff = Tiff(data)
        main = tiff.directory(tiff.first)
    except ValueError:
        return False
    mosaic = main.integer(262, -1) in (32803, 34892) or 50706 in main.tags  # DNGVersion
    small_first = main.integer(254, 0) & 1 and 330 in main.tags
    return bool(mosaic or small_first or data[8:10] == b"CR")


# WebP -------------------------------------------------------------------------------------
def read_webp(data: Buffer, name: str) -> Header:
    """Walk the chunks of RIFF (RFC 9649, 2.3 to 2.7)."""
    chunks: dict[bytes, bytes] = {}
    end = 8 + int.from_bytes(data[4:8], "little")
    if end > len(data):
        raise damaged(name, "breaks off before its end")
    at = 12
    while at + 8 <= end:
        kind, length = struct.unpack_from("<4sI", data, at)
        keep = length if kind in (b"ICCP", b"EXIF") else min(length, 16)
        chunks.setdefault(kind, bytes(data[at + 8 : at + 8 + keep]))
        at += 8 + length + length % 2
    if b"ANIM" in chunks or b"ANMF" in chunks:
        raise several(name, None, "an animation")
    wide, lossy, lossless = (chunks.get(k, b"") for k in (b"VP8X", b"VP8 ", b"VP8L"))
    alpha = b"ALPH" in chunks or (len(wide) >= 10 and bool(wide[0] & 0x10))
    if len(lossy) >= 10 and lossy[3:6] == b"\x9d\x01\x2a":  # RFC 6386, 9.1
        width, height = (v & 0x3FFF for v in struct.unpack_from("<HH", lossy, 6))
    elif len(lossless) >= 5 and lossless[0] == 0x2F:  # RFC 9649, 3.4
        word = int.from_bytes(lossless[1:5], "little")
        width, height = 1 + (word & 0x3FFF), 1 + (word >> 14 & 0x3FFF)
        alpha = alpha or bool(word >> 28 & 1)
    else:
        raise damaged(name)
    exif = read_exif(chunks.get(b"EXIF", b""))
    return Header("WEBP", (width, height), 8, alpha, chunks.get(b"ICCP", b""), exif)
