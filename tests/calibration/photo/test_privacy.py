"""The place a photo was taken is not kept; everything else is. Pillow and pillow-heif read the
files back as independent witnesses of CIPA DC-008 (Exif) and ISO 16684-1 (XMP)."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_kit import PICTURE, opened, saved
from PIL import Image, ImageOps, TiffImagePlugin
from PIL.PngImagePlugin import PngInfo

from calibration.photo.privacy import without_place
from drawdown.book.photos import PhotoStore

GPS_IFD, EXIF_IFD = 0x8825, 0x8769
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    b'exif:GPSLatitude="12,34.5678N" photoshop:City=\'Lakeside\' tiff:Make="phone">'
    b"<exif:GPSLongitude>98,7.6543E</exif:GPSLongitude><dc:title>wing</dc:title>"
    b"</rdf:Description></rdf:RDF></x:xmpmeta>"
)
TELLING = (b"12,34.5678", b"98,7.6543", b"Lakeside", b"NOTED", b"2026:02:03")


def exif() -> Image.Exif:
    made = Image.Exif()
    made[0x0112] = 6
    made[0x010F] = "phone maker"
    details = made.get_ifd(EXIF_IFD)
    details[0x829A] = 0.01
    details[0x927C] = b"maker's NOTED place"
    gps = made.get_ifd(GPS_IFD)
    gps[1], gps[2], gps[3], gps[4] = "N", (12.0, 34.0, 5.6), "E", (98.0, 7.0, 6.5)
    gps[29] = "2026:02:03"
    return made


def jpeg() -> bytes:
    data = saved(PICTURE, "JPEG", exif=exif(), xmp=XMP, quality=90)
    body = b"Photoshop 3.0\08BIM\x04\x04\0\0\0\0\0\x0d\x1c\x02\x5a\0\x08Lakeside"
    return data[:2] + b"\xff\xed" + (len(body) + 2).to_bytes(2, "big") + body + data[2:]


def png() -> bytes:
    notes = PngInfo()
    notes.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)
    return saved(PICTURE, "PNG", exif=exif(), pnginfo=notes)


def heic() -> bytes:
    heif = pytest.importorskip("pillow_heif")
    buffer = io.BytesIO()
    file = heif.from_pillow(Image.fromarray(PICTURE))
    file.save(buffer, quality=80, exif=exif().tobytes(), xmp=XMP)
    return buffer.getvalue()


def tiff(rgb: np.ndarray = PICTURE) -> bytes:
    """Pillow writes no GPS into a TIFF: its directory is put behind the picture by hand."""
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[0x010F] = "phone maker"
    tags[GPS_IFD] = 7
    tags.tagtype[GPS_IFD] = 4
    data = bytearray(saved(rgb, "TIFF", tiffinfo=tags))
    data += bytes(len(data) % 2)
    start = len(data)
    entry = data.index(struct.pack("<HHII", GPS_IFD, 4, 1, 7))
    struct.pack_into("<I", data, entry + 8, start)
    values = start + 2 + 2 * 12 + 4
    data += struct.pack("<HHHII", 2, 2, 5, 3, values)
    data += struct.pack("<HHIII", 29, 2, 11, values + 24, 0)
    data += struct.pack("<6I", 12, 1, 34, 1, 56, 10) + b"2026:02:03\0"
    return bytes(data)


@pytest.mark.slow
@pytest.mark.parametrize("made", [jpeg, png, heic, tiff])
def test_the_place_is_gone_and_the_rest_is_there(tmp_path, made):
    data = made()
    bare = without_place(data)
    for word in TELLING[:5] if made is not tiff else TELLING[4:]:
        assert word not in bare
    if made in (png, heic):
        pytest.importorskip("pillow_heif").register_heif_opener()
    with Image.open(io.BytesIO(data)) as before, Image.open(io.BytesIO(bare)) as after:
        assert before.getexif().get_ifd(GPS_IFD)[2][0] == 12
        assert not any(after.getexif().get_ifd(GPS_IFD).values())
        told = [image.getexif().get_ifd(EXIF_IFD).get(0x829A) for image in (before, after)]
        assert told[0] == told[1]
        assert after.getexif()[0x010F] == "phone maker"
        assert np.array_equal(
            np.asarray(ImageOps.exif_transpose(before)), np.asarray(ImageOps.exif_transpose(after))
        )
    before, after = opened(tmp_path, data), opened(tmp_path, bare)
    assert np.array_equal(before.rgb_encoded, after.rgb_encoded)
    assert before.metadata == after.metadata
    assert before.flags == after.flags
    assert without_place(bare) == bare


def test_the_title_in_the_xmp_stays():
    assert b"<dc:title>wing</dc:title>" in without_place(jpeg())
    assert b'tiff:Make="phone"' in without_place(jpeg())


def test_the_book_keeps_no_place(tmp_path):
    photo = tmp_path / "wing.jpg"
    photo.write_bytes(jpeg())
    store = PhotoStore(tmp_path / "book")
    kept = store.add_file(photo)
    with Image.open(store.path(kept.sha256, kept.ending)) as image:
        assert not any(image.getexif().get_ifd(GPS_IFD).values())
    assert photo.read_bytes() == jpeg()


@pytest.mark.slow
@given(st.binary(max_size=400), st.sampled_from([b"", b"Exif\0\0II*\0", b"MM\0*", b"\xff\xd8"]))
def test_odd_bytes_do_no_harm(junk, head):
    assert len(without_place(head + junk)) == len(head + junk)


@given(st.integers(0, 700), st.integers(0, 255))
def test_damaged_directories_do_no_harm(at, value):
    data = bytearray(tiff_small())
    data[at % len(data)] = value
    assert len(without_place(bytes(data))) == len(data)


def tiff_small() -> bytes:
    return tiff(PICTURE[:4, :4])
