"""What a photo file says before any pixel is decoded, so that an unsuitable one is refused with
its reason before it costs memory: PNG (third edition), TIFF, WebP (RFC 9649).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from calibration.errors import BadFile
from calibration.photo.exif import (
    Directory,
    Exif,
    directory,
    exif_of,
    integer,
    numbers,
    read_exif,
)

EXPORT = "open it in the program that made it and export it as JPEG, PNG or TIFF in RGB colour"
MAX_PIXELS = 200_000_000
# Of the 1.2 GB that any file may cost, what a command needs without one goes off; and, while the
# card is looked for, what that needs (calibration.locate.markers).
MOST_BYTES, SEARCH_BYTES = 1_100_000_000, 360_000_000
MIN_SIDE_PX = 300
COPY_AGAIN = "copy the photo again from the phone or camera"


@dataclass(frozen=True)
class Header:
    """``size`` (width, height) px as stored; ``bits`` 8 or 16; ``icc`` profile bytes or b"";
    ``cicp`` colour codes of ITU-T H.273 (primaries, transfer); ``png_colour`` (gamma,
    white and primaries xy) of a PNG; ``compression`` of a TIFF; ``pictures`` held in all, maps
    and previews apart; ``gain_map`` True when a brightness map for HDR screens is among what the
    file holds; ``scratch`` bytes that its decoder needs for each pixel beside the pixel itself."""

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
    compression: int = 1
    gain_map: bool = False
    scratch: float = 0.0


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


def check_size(
    size: tuple[int, int], what: str, pixel_bytes: float = 3, file_bytes: int = 0
) -> None:
    """Refuse what would not fit in memory, or shows too little; ``what`` has this size, and
    needs ``pixel_bytes`` for each pixel while it is decoded, copies included."""
    check_room(size, what, pixel_bytes, file_bytes)
    width, height = size
    if min(width, height) < MIN_SIDE_PX:
        raise BadFile(
            f"{what} has only {width} x {height} pixels",
            "card and strips would be a few pixels wide",
            "fetch the file as the camera made it (messengers shrink photos), not its preview",
        )


def check_room(size: tuple[int, int], what: str, pixel_bytes: float, file_bytes: int) -> None:
    """Refuse what would not fit in memory."""
    width, height = size
    most = min(MAX_PIXELS, max(0.0, MOST_BYTES - file_bytes) / pixel_bytes)
    if width * height > most:
        raise BadFile(
            f"{what} says it has {width} x {height} pixels, more than {most / 1e6:.0f} million",
            "so large a picture may not fit in the memory of this computer",
            "save it at half its width and give that",
        )


# PNG --------------------------------------------------------------------------------------
def chunks_of(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start, end of its body) of each whole chunk of a PNG, up to its end."""
    at, kind = 8, b""
    while at + 12 <= len(data) and kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", data, at)
        if at + 12 + length > len(data):
            return
        yield kind, at + 8, at + 8 + length
        at += 12 + length


def read_png(data: bytes, name: str) -> Header:
    """Walk the chunks (PNG third edition, 5.3; colour chunks 11.3.2, eXIf 11.3.4.5)."""
    chunks: dict[bytes, bytes] = {}
    for kind, start, end in chunks_of(data):
        if kind != b"IDAT":
            chunks.setdefault(kind, data[start:end])
    head = chunks.get(b"IHDR", b"")
    if len(head) < 13:
        raise damaged(name)
    width, height, bits, colour = struct.unpack_from(">IIBB", head)
    if b"IEND" not in chunks:
        raise damaged(name, "breaks off before its end")
    if b"acTL" in chunks:
        raise several(name, None, "an animation")
    if colour == 3:
        raise not_rgb(name, "a palette of a few colours", "all colours between them are lost")
    if colour not in (2, 6):
        raise not_rgb(name, "a picture without colour (shades of grey)")
    if bits not in (8, 16):
        raise damaged(name)
    codes = chunks.get(b"cICP", b"")
    return Header(
        "PNG",
        (width, height),
        bits,
        alpha=colour == 6 or b"tRNS" in chunks,
        icc=inflate(chunks[b"iCCP"]) if b"iCCP" in chunks else b"",
        exif=read_exif(chunks.get(b"eXIf", b"")),
        srgb=b"sRGB" in chunks,
        cicp=(codes[0], codes[1]) if len(codes) == 4 else None,
        png_colour=_png_colour(chunks),
    )


def inflate(chunk: bytes) -> bytes:
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


def read_tiff(data: bytes, name: str) -> Header:
    """Read the directories (TIFF 6.0, section 2) of a picture that is no raw photo."""
    try:
        main, following = directory(data)
        pages, previews = _pages(data, following)
    except ValueError:
        raise damaged(name) from None
    if pages > 1:
        raise several(name, pages, "pages")
    size = integer(main, 256, 0), integer(main, 257, 0)
    bits = numbers(main, 258) or (1,)
    if not all(size):
        raise damaged(name)
    _refuse_tiff_colour(name, main, bits)
    packing = integer(main, 259, 1)
    # The decoder for 16 bits gets separate colour planes wrong, so they are refused.
    if bits[0] == 16 and (packing not in PLAIN_PACKINGS or integer(main, 284, 1) != 1):
        how = PACKINGS.get(packing, f"kind {packing}")
        how = "separate colour planes" if packing in PLAIN_PACKINGS else f"{how} compression"
        raise BadFile(
            f"the file {name} is a 16-bit TIFF with {how}",
            "that rare kind cannot be read here",
            "save it as TIFF with LZW, ZIP or no compression, colours interleaved",
        )
    profile = main.get(34675)
    return Header(
        "TIFF",
        size,
        int(bits[0]),
        alpha=len(bits) > 3,
        icc=profile if isinstance(profile, bytes) else b"",
        exif=exif_of(data, main),
        pictures=pages + previews,
        compression=packing,
        scratch=4.0 * bits[0] / 8,  # it may be one strip as a whole
    )


def _pages(data: bytes, following: int) -> tuple[int, int]:
    """(pages, previews) in the chain of directories; NewSubfileType bit 0 marks previews."""
    pages, previews, seen = 1, 0, set()
    while following and following not in seen and len(seen) < 1000:
        seen.add(following)
        page, following = directory(data, following)
        preview = integer(page, 254, 0) & 1
        pages, previews = pages + 1 - preview, previews + preview
    return pages, previews


def _refuse_tiff_colour(name: str, main: Directory, bits: tuple[float, ...]) -> None:
    photometric = integer(main, 262, -1)
    if photometric in (0, 1):
        raise not_rgb(name, "a picture without colour (shades of grey or black and white)")
    if photometric == 3:
        raise not_rgb(name, "a palette of a few colours", "all colours between them are lost")
    if photometric == 5:
        raise not_rgb(name, "colours for printing (CMYK)", "they are no record of a camera's light")
    if photometric != 2 and not (photometric == 6 and integer(main, 259, 1) == 7):
        raise not_rgb(name, f"colours of a rare kind (TIFF code {photometric})")
    if any(kind != 1 for kind in numbers(main, 339)):
        raise not_rgb(
            name,
            "decimal or signed numbers instead of levels",
            "they do not say which number is white",
        )
    if set(bits) not in ({8}, {16}) or len(bits) not in (3, 4):
        written = ", ".join(f"{b:.0f}" for b in bits[:6])
        raise not_rgb(name, f"channels of {written} bits", "only 3 channels of 8 or 16 are read")


def holds_raw(data: bytes) -> bool:
    """Is this TIFF structure a camera's raw photo rather than a picture?"""
    try:
        main, _ = directory(data)
    except ValueError:
        return False
    mosaic = integer(main, 262, -1) in (32803, 34892) or 50706 in main  # DNGVersion
    small_first = integer(main, 254, 0) & 1 and 330 in main
    return bool(mosaic or small_first or data[8:10] == b"CR")


# WebP -------------------------------------------------------------------------------------
def riff_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start, end of its body) of each chunk of a WebP (RFC 9649, 2.3)."""
    at, whole = 12, 8 + int.from_bytes(data[4:8], "little")
    while at + 8 <= whole:
        kind, length = struct.unpack_from("<4sI", data, at)
        yield kind, at + 8, at + 8 + length
        at += 8 + length + length % 2


def read_webp(data: bytes, name: str) -> Header:
    """Walk the chunks of RIFF (RFC 9649, 2.3 to 2.7)."""
    if 8 + int.from_bytes(data[4:8], "little") > len(data):
        raise damaged(name, "breaks off before its end")
    chunks: dict[bytes, bytes] = {}
    for kind, start, end in riff_chunks(data):
        chunks.setdefault(kind, data[start : end if kind in (b"ICCP", b"EXIF") else start + 16])
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
    icc = chunks.get(b"ICCP", b"")
    return Header("WEBP", (width, height), 8, alpha, icc, exif, scratch=4.0)
