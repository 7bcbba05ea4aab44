"""What the book keeps of a photo holds no place, no name and no number of anyone's.

Every corner of each kind of file is planted with telling words. Pillow and pillow-heif read the
copies back as independent witnesses of CIPA DC-008 (Exif), and every byte, unpacked where it is
packed, is searched for the words. The pixels and how they become light must be as before.
Places in videos: ISO 6709, as QuickTime's ``(c)xyz`` writes them.
"""

from __future__ import annotations

import io
import re
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from dng_kit import dng_bytes
from heif_kit import as_grid, heic_bytes, with_auxiliary
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_kit import (
    DISPLAY_P3,
    PICTURE,
    PICTURE_16,
    SRGB_PARA,
    colour_space,
    opened,
    outcome,
    png_chunk,
    profile_bytes,
    saved,
)
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from calibration.colour.spaces import SRGB_TO_XYZ_D50
from calibration.errors import BadFile
from calibration.photo import privacy
from calibration.photo.heif import plain_heif
from calibration.photo.open import photo_from_bytes
from calibration.photo.privacy import kept_copy
from drawdown.book.photos import PhotoStore

GPS_IFD, EXIF_IFD = 0x8825, 0x8769
TELLING = (
    b"Lakeside", b"12,34.5678", b"+51.4779", b"SN-4711", b"Wing Studio", b"2026:02:03", b"NOTED",
    b"thumbnail",
)  # fmt: skip
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    b'exif:GPSLatitude="12,34.5678N" photoshop:City="Lakeside" dc:creator="Wing Studio"/>'
    b"</rdf:RDF></x:xmpmeta>"
)
IPTC = b"Photoshop 3.0\08BIM\x04\x04\0\0\0\0\0\x0d\x1c\x02\x5a\0\x08Lakeside"
VIDEO = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + b"\0\0\0\x26moov\0\0\0\x1e\xa9xyz\0\x12\x15\xc7" + (
    b"+51.4779-000.0015/"
)  # fmt: skip
# A profile with words in a private tag, its description and its maker.
TELLING_ICC = profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Wing Studio", version=2).replace(
    b"none\0", b"NOTED"
)


def exif(orientation: int = 6) -> Image.Exif:
    made = Image.Exif()
    made[0x0112] = orientation
    made[0x010E], made[0x010F], made[0x0110] = "Lakeside, upstairs", "Wing Studio", "SN-4711"
    made[0x013B] = made[0x8298] = "Wing Studio"
    made[EXIF_IFD] = {
        0x829A: 0.01, 0x829D: 1.8, 0x8827: 100, 0x9003: "2026:05:01 09:30:00", 0xA001: 1,
        0x927C: b"maker's NOTED place", 0x9286: b"ASCII\0\0\0Lakeside", 0xA430: "Wing Studio",
        0xA431: "SN-4711", 0xA434: "SN-4711", 0x9010: "+01:00",
    }  # fmt: skip
    made[GPS_IFD] = {1: "N", 2: (12.0, 34.0, 5.6), 3: "E", 4: (98.0, 7.0, 6.5), 29: "2026:02:03"}
    return made


def segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def jpeg(**options: object) -> bytes:
    """Comments and blocks around the scans; a second image and a video behind."""
    data = saved(PICTURE, "JPEG", exif=exif(), xmp=XMP, quality=90, **options)
    planted = segment(0xED, IPTC) + segment(0xFE, b"Lakeside") + segment(0xE5, b"SN-4711")
    scan = data.rindex(b"\xff\xda")
    data = data[:2] + planted + data[2:scan] + segment(0xFE, b"NOTED") + data[scan:]
    second = saved(PICTURE[:40, :40], "JPEG", comment=b"thumbnail")
    return data + second[:2] + planted + second[2:] + VIDEO


def progressive() -> bytes:
    return jpeg(progressive=True, icc_profile=TELLING_ICC)


def png(**options: object) -> bytes:
    notes = PngInfo()
    notes.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)
    notes.add_text("Author", "Wing Studio")
    data = saved(PICTURE, "PNG", exif=exif(), pnginfo=notes, **options)
    end = len(data) - 12
    return data[:end] + png_chunk(b"prVt", b"SN-4711") + data[end:] + b"Lakeside"


def webp(**options: object) -> bytes:
    """The Exif chunk of a WebP is a bare TIFF structure (RFC 9649, 2.7.1.5)."""
    bare = exif().tobytes().removeprefix(b"Exif\0\0")
    return saved(PICTURE, "WEBP", exif=bare, xmp=XMP, quality=80, **options) + b"Lakeside"


def heic() -> bytes:
    buffer = io.BytesIO()
    file = pillow_heif.from_pillow(Image.fromarray(PICTURE))
    file.save(buffer, quality=80, exif=exif().tobytes(), xmp=XMP)
    return buffer.getvalue() + struct.pack(">I4s", 16, b"uuid") + b"Lakeside"


def heic_with_a_map() -> bytes:
    small = np.ascontiguousarray(PICTURE[:100, :120, 0])
    return with_auxiliary(heic_bytes(PICTURE, second=small), "urn:iso:std:iso:ts:21496:-1")


def heic_of_tiles() -> bytes:
    """As phones write them: tiles that a grid puts together."""
    left, right = (
        np.ascontiguousarray(PICTURE[:304, :304]),
        np.ascontiguousarray(PICTURE[:304, 8:312]),
    )
    two = heic_bytes(left, second=right, chroma=444)
    return as_grid(two, 304, 304) + struct.pack(">I4s", 16, b"uuid") + b"Lakeside"


def test_tiles_are_read_as_one_picture(tmp_path):
    photo = opened(tmp_path, heic_of_tiles())
    assert photo.rgb_encoded.shape == (304, 608, 3)
    both = np.hstack([PICTURE[:304, :304], PICTURE[:304, 8:312]]).astype(int)
    assert np.abs(photo.rgb_encoded - both).mean() < 4  # lossy: only the places matter


def tiff(rgb: np.ndarray = PICTURE, **options: object) -> bytes:
    """Every entry that Pillow can write, and IPTC."""
    tags = {0x010E: "Lakeside", 0x010F: "Wing Studio", 0x0112: 6, 0x83BB: IPTC, 0x02BC: XMP,
            0x0131: "SN-4711"}  # fmt: skip
    return saved(rgb, "TIFF", tiffinfo=tags, exif=None, **options) + b"Lakeside"


def tiff_16() -> bytes:
    import cv2

    ok, data = cv2.imencode(".tiff", PICTURE_16[..., ::-1])
    assert ok
    return data.tobytes() + b"Lakeside"


def raw() -> bytes:
    rng = np.random.default_rng(1)
    sensor = rng.integers(300, 3000, (400, 500)).astype(np.uint16)
    return dng_bytes(sensor, gps=True, orientation=6) + b"Lakeside"


KINDS = {
    "JPEG": jpeg,
    "JPEG, progressive": progressive,
    "JPEG, RGB": lambda: jpeg(keep_rgb=True),
    "PNG": png,
    "PNG, profile": lambda: png(icc_profile=TELLING_ICC),
    "WebP": webp,
    "WebP, profile": lambda: webp(icc_profile=TELLING_ICC),
    "WebP, lossless": lambda: webp(lossless=True),
    "HEIC": heic,
    "HEIC, two pictures": heic_with_a_map,
    "HEIC, tiles": heic_of_tiles,
    "TIFF": lambda: tiff(icc_profile=DISPLAY_P3),
    "TIFF, lzma": lambda: tiff(compression="lzma"),
    "TIFF, 16 bit": tiff_16,
    "raw": raw,
}  # fmt: skip


def unpacked(data: bytes) -> bytes:
    """The bytes, and once more what any zlib stream in them holds."""
    found = [data]
    for start in (m.start() for m in re.finditer(rb"\x78[\x01\x5e\x9c\xda]", data)):
        try:
            found.append(zlib.decompressobj().decompress(data[start:], 10_000_000))
        except zlib.error:
            continue
    return b"\n".join(found)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_telling_is_kept_and_the_colours_are(tmp_path, kind):
    data = KINDS[kind]()
    kept, ending = kept_copy(data, "photo")
    assert [word for word in TELLING if word in unpacked(data)] or kind == "HEIC, two pictures"
    found = unpacked(kept)
    for word in TELLING:
        assert word not in found
        assert word.decode().encode("utf-16-be") not in found
    before, after = opened(tmp_path, data, "a"), opened(tmp_path, kept, "b")
    np.testing.assert_array_equal(before.rgb_encoded, after.rgb_encoded)
    np.testing.assert_array_equal(before.profile.decode, after.profile.decode)
    np.testing.assert_allclose(
        before.profile.to_xyz_d50, after.profile.to_xyz_d50, atol=1.6e-5 if kind == "raw" else 0
    )
    assert before.jpeg_quality == after.jpeg_quality
    assert (before.clip_low, before.clip_high) == (after.clip_low, after.clip_high)
    for key in ("exposure", "captured"):
        assert before.metadata.get(key) == after.metadata.get(key)
    assert not {"camera", "lens"} & set(after.metadata)
    assert {f.code for f in after.flags} <= {f.code for f in before.flags}
    # A copy of a copy is the copy.
    assert kept_copy(kept, "photo") == (kept, ending)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP", "HEIC"])
def test_other_readers_find_no_place_and_the_same_picture(kind):
    pillow_heif.register_heif_opener()
    data = KINDS[kind]()
    kept, _ = kept_copy(data, "photo")
    with Image.open(io.BytesIO(data)) as before, Image.open(io.BytesIO(kept)) as after:
        assert before.getexif().get_ifd(GPS_IFD)[2][0] == 12
        assert not after.getexif().get_ifd(GPS_IFD)
        assert set(after.getexif()) <= {0x0112, EXIF_IFD}
        details = after.getexif().get_ifd(EXIF_IFD)
        assert float(details[0x829A]) == pytest.approx(0.01)
        assert set(details) <= {0x829A, 0x829D, 0x8827, 0x9003, 0xA001}
        if kind != "HEIC":  # which turns itself
            assert after.getexif()[0x0112] == 6
        np.testing.assert_array_equal(np.asarray(before), np.asarray(after))


def test_a_heic_of_another_build_is_kept_as_its_pixels(tmp_path):
    """One whose boxes are not where they are looked for."""
    data = heic_bytes(PICTURE, color_primaries=12, transfer_characteristics=13)
    box = data.index(b"iloc") - 4
    strange = data[:box] + struct.pack(">I4s", 2**31, b"free") + data[box + 8 :]
    with pytest.raises(ValueError, match="box"):
        plain_heif(strange)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(privacy, "plain_heif", lambda _: plain_heif(strange))
        kept, ending = kept_copy(data, "photo")
    assert ending == ".png"
    before, after = opened(tmp_path, data, "a"), opened(tmp_path, kept, "b")
    np.testing.assert_array_equal(before.rgb_encoded, after.rgb_encoded)
    assert before.profile.name == after.profile.name == "Display P3"


@pytest.mark.parametrize(
    ("icc", "space"),
    [
        (b"", colour_space(65535, "R03")),
        (b"", colour_space(1)),
        (b"no profile at all", colour_space(65535, "R03")),
        (DISPLAY_P3, colour_space(1)),
        (TELLING_ICC[:300], b""),
    ],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_colours_are_read_alike_whatever_told_them(tmp_path, kind, icc, space):
    data = saved(PICTURE, kind, icc_profile=icc or None, exif=space)
    kept, _ = kept_copy(data, "photo")
    before, after = opened(tmp_path, data, "a"), opened(tmp_path, kept, "b")
    np.testing.assert_array_equal(before.profile.decode, after.profile.decode)
    np.testing.assert_array_equal(before.profile.to_xyz_d50, after.profile.to_xyz_d50)


def test_gamma_that_a_broken_profile_stood_before_is_not_believed(tmp_path):
    chunks = png_chunk(b"gAMA", struct.pack(">I", 100000)) + png_chunk(
        b"cHRM", struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
    )
    plain = saved(PICTURE, "PNG")
    for more in (b"", png_chunk(b"iCCP", b"x\0\0rubbish")):
        data = plain[:33] + more + chunks + plain[33:]
        kept, _ = kept_copy(data, "photo")
        before, after = opened(tmp_path, data, "a"), opened(tmp_path, kept, "b")
        np.testing.assert_array_equal(before.profile.decode, after.profile.decode)


def test_the_book_keeps_no_place(tmp_path):
    photo = tmp_path / "wing.jpg"
    photo.write_bytes(jpeg())
    store = PhotoStore(tmp_path / "book")
    kept = store.add_file(photo)
    whole = store.path(kept.sha256, kept.ending).read_bytes()
    assert not [word for word in TELLING if word in whole]
    assert photo.read_bytes() == jpeg()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP", "HEIC"])
@given(at=st.integers(0, 1_000_000), junk=st.binary(min_size=1, max_size=6))
@settings(max_examples=40, deadline=None)
def test_damage_is_explained_or_harmless(kind, at, junk):
    data = WHOLE[kind]
    at %= min(len(data), 3000)
    spoilt = data[:at] + junk + data[at + len(junk) :]
    found = outcome(lambda: kept_copy(spoilt, "photo"))
    if isinstance(found, BadFile):
        return
    before, after = (outcome(lambda d=d: photo_from_bytes(d)) for d in (spoilt, found[0]))
    if not isinstance(before, BadFile) and not isinstance(after, BadFile):
        assert before.rgb_encoded.shape == after.rgb_encoded.shape


WHOLE = {kind: KINDS[kind]() for kind in ("JPEG", "PNG", "WebP", "HEIC")}
