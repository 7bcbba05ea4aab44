"""Opening HEIC: upright, of 10 bits, in the colours its codes or its profile name (ITU-T H.273),
and a JPEG with a gain map beside it."""

from __future__ import annotations

import io

import numpy as np
import pillow_heif
import pytest
from heif_kit import heic_bytes, with_auxiliary
from photo_kit import (
    DISPLAY_P3,
    PICTURE,
    codes,
    opened,
    orientation,
    saved,
)
from PIL import Image, ImageOps


# HEIC -------------------------------------------------------------------------------------
@pytest.mark.parametrize("value", range(1, 9))
def test_heic_is_upright(tmp_path, value):
    """The writer stores turn and mirror in the container (irot, imir) and in Exif; they must
    be applied once."""
    buffer = io.BytesIO()
    image = pillow_heif.from_pillow(Image.fromarray(PICTURE))
    image.save(buffer, quality=95, exif=orientation(value).tobytes())
    data = buffer.getvalue()
    assert (b"irot" in data or b"imir" in data) == (value != 1)
    photo = opened(tmp_path, data, "photo.heic")
    turned = Image.fromarray(PICTURE)
    turned.getexif()[0x0112] = value
    expected = np.asarray(ImageOps.exif_transpose(turned)).astype(int)
    assert photo.rgb_encoded.shape == expected.shape
    assert np.abs(photo.rgb_encoded - expected).mean() < 4  # lossy: only the turn matters
    assert photo.format == "HEIF"
    assert photo.profile.name == "sRGB"


def test_heic_of_10_bits_reaches_full_white(tmp_path):
    white = np.full((320, 320, 3), 65535, np.uint16)
    photo = opened(tmp_path, heic_bytes(white, quality=-1))
    assert photo.rgb_encoded.dtype == np.uint16
    assert np.median(photo.rgb_encoded) == 65535


def test_heic_of_10_bits_keeps_them(tmp_path):
    """A ramp of all 1024 levels: no step of four is lost on the way."""
    levels = np.repeat(np.arange(1024), 4).reshape(4, 1024)
    ramp = np.repeat(np.tile(levels.reshape(1, -1)[:, ::4], (320, 1))[..., None], 3, axis=2)
    encoded = ((ramp << 6) | (ramp >> 4)).astype(np.uint16)
    photo = opened(tmp_path, heic_bytes(encoded, quality=-1, chroma=444))
    assert photo.rgb_encoded.shape == (320, 1024, 3)
    found = photo.rgb_encoded[160] / 65535 * 1023
    assert np.abs(found - ramp[160]).max() < 2.5  # rounding of the luma transform
    assert len(np.unique(photo.rgb_encoded[..., 1])) > 900


@pytest.mark.parametrize(
    ("primaries", "transfer", "name", "flag"),
    [
        (1, 13, "sRGB", None),
        (12, 13, "Display P3", None),
        (12, 1, "Display P3", "unknown-profile"),
        (9, 16, "sRGB", "unknown-profile"),
        (9, 18, "sRGB", "unknown-profile"),
    ],
)
def test_heic_colour_codes(tmp_path, primaries, transfer, name, flag):
    """ITU-T H.273: primaries 1 BT.709, 9 BT.2020, 12 P3; transfer 13 sRGB, 16 PQ, 18 HLG."""
    data = heic_bytes(PICTURE, color_primaries=primaries, transfer_characteristics=transfer)
    photo = opened(tmp_path, data)
    assert photo.profile.name == name
    assert codes(photo) == ([flag] if flag else [])


@pytest.mark.parametrize(
    ("urn", "flagged"),
    [
        ("urn:iso:std:iso:ts:21496:-1", True),
        ("urn:com:example:photo:2020:aux:hdrgainmap", True),
        ("urn:mpeg:hevc:2015:auxid:2", False),  # depth
        ("urn:com:example:photo:2019:aux:skinmatte", False),
    ],
)
def test_heic_with_an_image_that_hangs_on_the_main_one(tmp_path, urn, flagged):
    """The main picture is read as if alone; a gain map is told, depth and masks are not."""
    small = np.ascontiguousarray(PICTURE[:100, :120, 0])
    two = heic_bytes(PICTURE, second=small)
    photo = opened(tmp_path, with_auxiliary(two, urn))
    alone = opened(tmp_path, heic_bytes(PICTURE))
    np.testing.assert_array_equal(photo.rgb_encoded, alone.rgb_encoded)
    assert codes(photo) == (["second-image-ignored"] if flagged else [])
    if flagged:
        assert "brightness map" in photo.flags[0].seen
    assert codes(opened(tmp_path, two)) == ["second-image-ignored"]  # a picture of its own


def test_jpeg_with_a_gain_map(tmp_path):
    """Base image and flag, whether ISO 21496-1's name or an XMP namespace tells."""
    plain = saved(PICTURE, "JPEG", quality=90, icc_profile=DISPLAY_P3)
    for marker, body in (
        (b"\xff\xe2", b"urn:iso:std:iso:ts:21496:-1\0\0\0\0\0"),
        (b"\xff\xe1", b"http://ns.example.com/xap/1.0/\0<x xmlns:h='hdr-gain-map/1.0/'/>"),
    ):
        segment = marker + (len(body) + 2).to_bytes(2, "big") + body
        photo = opened(tmp_path, plain[:2] + segment + plain[2:] + plain)
        assert codes(photo) == ["second-image-ignored"]
        assert "brightness map" in photo.flags[0].seen
        np.testing.assert_array_equal(photo.rgb_encoded, opened(tmp_path, plain).rgb_encoded)


def test_heic_profile(tmp_path):
    buffer = io.BytesIO()
    image = Image.fromarray(PICTURE)
    image.info["icc_profile"] = DISPLAY_P3
    pillow_heif.from_pillow(image).save(buffer)
    assert opened(tmp_path, buffer.getvalue()).profile.name == "Display P3"
