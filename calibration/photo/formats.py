"""What kind of file this is, by its first bytes and never by its name.

Which kind of photo a file is; a file that is not a photo gets its own explanation.
"""

from __future__ import annotations

from calibration.errors import BadFile
from calibration.photo.header import EXPORT, holds_raw, several

PHOTO_PLEASE = "give a photo as JPEG, PNG, TIFF, WebP, HEIC or DNG"
_HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_RAW = (b"IIRO", b"IIRS", b"IIU\0", b"MMOR", b"FOVb", b"\0MRM")
# (where, first bytes, what it is, what to do)
_OTHERS: tuple[tuple[int, bytes, str, str], ...] = (
    (0, b"%PDF", "a PDF document", "take the photo out of it, or photograph the strips again"),
    (0, b"PK\3\4", "a ZIP archive", "unpack it and give the photo inside"),
    (0, b"7z\xbc\xaf", "an archive", "unpack it and give the photo inside"),
    (0, b"Rar!", "an archive", "unpack it and give the photo inside"),
    (0, b"\x1f\x8b", "a compressed file", "unpack it and give the photo inside"),
    (0, b"BM", "a BMP picture", EXPORT),
    (0, b"8BPS", "a layered picture", EXPORT),
    (0, b"\x76\x2f\x31\x01", "an OpenEXR picture", EXPORT),
    (0, b"\xff\x0a", "a JPEG XL picture", EXPORT),
    (0, b"\0\0\0\x0cJXL ", "a JPEG XL picture", EXPORT),
    (0, b"\0\0\0\x0cjP  ", "a JPEG 2000 picture", EXPORT),
    (0, b"\xff\x4f\xff\x51", "a JPEG 2000 picture", EXPORT),
    (4, b"ftypavif", "an AVIF picture", EXPORT),
    (4, b"ftypavis", "an AVIF picture", EXPORT),
    (4, b"ftyp", "a video", "give a photo, not a video"),
    (4, b"moov", "a video", "give a photo, not a video"),
    (4, b"mdat", "a video", "give a photo, not a video"),
    (8, b"AVI ", "a video", "give a photo, not a video"),
    (0, b"\x1a\x45\xdf\xa3", "a video", "give a photo, not a video"),
    (0, b"\0\0\1\xba", "a video", "give a photo, not a video"),
    (0, b"SQLite format 3\0", "a database", PHOTO_PLEASE),
)


def kind_of(data: bytes, name: str) -> str:
    """ "JPEG", "PNG", "TIFF", "WEBP", "HEIF" or "RAW"; raises ``BadFile`` for anything else."""
    start = bytes(data[:64])
    if start[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if start[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if start[:4] in _TIFF:
        return "RAW" if holds_raw(data) else "TIFF"
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return "WEBP"
    if start[4:8] == b"ftyp" and start[8:12] in _HEIF:
        return "HEIF"
    if start[:4] in _RAW or start[8:15] == b"CCD-RAW" or start[4:11] == b"ftypcrx":
        return "RAW"
    if start[:4] == b"GIF8":
        raise several(name, None, "a GIF, which has only 256 colours and may be an animation")
    for at, first, what, todo in _OTHERS:
        if start[at : at + len(first)] == first:
            raise _no_photo(name, what, todo)
    text = _as_text(bytes(data[:2000]))
    if "<html" in text or "<!doctype html" in text:
        raise _no_photo(name, "a web page", "download the photo itself, not the page that shows it")
    if "<svg" in text:
        raise _no_photo(name, "a drawing (SVG)", PHOTO_PLEASE)
    if text:
        raise _no_photo(name, "a text", PHOTO_PLEASE)
    if not any(data):
        raise _no_photo(name, "nothing but zeros", "copy the photo again from the phone or camera")
    raise _no_photo(name, "data of an unknown kind", PHOTO_PLEASE)


def _no_photo(name: str, what: str, todo: str) -> BadFile:
    return BadFile(
        f"the file {name} holds {what}, not a photo",
        "what it is goes by content, not by name",
        todo,
    )


def _as_text(start: bytes) -> str:
    """The start of a text in lower case, or "" when these bytes are no text."""
    try:
        text = start.decode("utf-16" if start[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8")
    except UnicodeDecodeError as error:
        # A character may be cut in two at the end of the excerpt.
        if error.start < len(start) - 3 or not error.start:
            return ""
        text = start[: error.start].decode("utf-8", "ignore")
    odd = sum(not (c.isprintable() or c in "\t\r\n\f") for c in text)
    return text.lower() if odd == 0 else ""
