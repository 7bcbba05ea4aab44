"""Opening photos, checked against Pillow, tifffile, colour-science and the standards.

Sources: Pillow (ImageOps.exif_transpose, quantisation tables of its encoder, BT.601 luma),
tifffile as a writer, colour-science's sRGB transfer function, CIPA DC-008 (Exif), ITU-T
T.81 table K.1. Profiles are in test_icc.py, bad files in test_bad_input.py.
"""

from __future__ import annotations

import io
import json
import warnings
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from photo_kit import (
    DISPLAY_P3,
    HIGH,
    PICTURE,
    PICTURE_16,
    WIDE,
    codes,
    colour_space,
    curv,
    opened,
    orientation,
    outcome,
    profile_bytes,
    saved,
)
from PIL import Image, ImageOps

from calibration.colour.spaces import SRGB_TO_XYZ_D50
from calibration.errors import BadFile, WrongUsage
from calibration.photo.icc import srgb_profile
from calibration.photo.open import open_photo, photo_from_array, photo_from_bytes


# Orientation ------------------------------------------------------------------------------
@pytest.mark.parametrize("value", range(1, 9))
@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {"quality": 95}),
        ("PNG", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
        ("TIFF", {"compression": "jpeg", "quality": 95}),
        ("WEBP", {"lossless": True}),
    ],
)
def test_orientation_as_pillow_applies_it(tmp_path, value, kind, options):
    exif = orientation(value)
    if kind == "TIFF":
        data = saved(PICTURE, kind, tiffinfo={0x0112: value}, **options)
    else:
        data = saved(PICTURE, kind, exif=exif.tobytes(), **options)
    photo = opened(tmp_path, data)
    with Image.open(io.BytesIO(data)) as image:
        image.load()
        expected = np.asarray(ImageOps.exif_transpose(image))
    assert photo.rgb_encoded.shape == expected.shape
    # Two builds of the JPEG decoder may round differently by a level.
    assert np.abs(photo.rgb_encoded.astype(int) - expected).max() <= (
        2 if "quality" in options else 0
    )
    assert photo.rgb_encoded.flags.c_contiguous


@pytest.mark.parametrize("value", range(1, 9))
@pytest.mark.parametrize("order", "<>")
def test_orientation_of_a_16_bit_tiff(tmp_path, value, order):
    tifffile = pytest.importorskip("tifffile")
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        PICTURE_16,
        photometric="rgb",
        byteorder=order,
        extratags=[(274, "H", 1, value, True)],
    )
    photo = opened(tmp_path, buffer.getvalue())
    for channel in range(3):
        image = Image.fromarray(PICTURE_16[..., channel])
        image.getexif()[0x0112] = value
        expected = np.asarray(ImageOps.exif_transpose(image))
        np.testing.assert_array_equal(photo.rgb_encoded[..., channel], expected)


def test_odd_orientation_values_leave_the_picture_alone(tmp_path):
    for value in (0, 9, 65535):
        data = saved(PICTURE, "PNG", exif=orientation(value).tobytes())
        np.testing.assert_array_equal(opened(tmp_path, data).rgb_encoded, PICTURE)


# Pixels -----------------------------------------------------------------------------------
@pytest.mark.parametrize("suffix", [".png", ".tiff"])
def test_16_bits_stay_whole(tmp_path, suffix):
    ok, data = cv2.imencode(suffix, PICTURE_16[..., ::-1])
    assert ok
    photo = opened(tmp_path, data.tobytes())
    np.testing.assert_array_equal(photo.rgb_encoded, PICTURE_16)
    assert (photo.clip_low, photo.clip_high) == (257, 65279)
    assert photo.profile.decode.shape == (3, 65536)


def test_16_bit_tiff_with_predictor_as_tifffile_writes_it(tmp_path):
    tifffile = pytest.importorskip("tifffile")
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, PICTURE_16, photometric="rgb", compression="zlib", tile=(64, 64))
    np.testing.assert_array_equal(opened(tmp_path, buffer.getvalue()).rgb_encoded, PICTURE_16)


@pytest.mark.parametrize("name", ["photo.txt", "photo.png", "photo", "photo.heic"])
def test_content_counts_and_not_the_name(tmp_path, name):
    photo = opened(tmp_path, saved(PICTURE, "JPEG"), name)
    assert photo.format == "JPEG"
    assert (photo.width_px, photo.height_px) == (WIDE, HIGH)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_fully_opaque_alpha_is_dropped(tmp_path, kind):
    opaque = np.dstack([PICTURE, np.full((HIGH, WIDE), 255, np.uint8)])
    options = {"lossless": True} if kind == "WEBP" else {}
    np.testing.assert_array_equal(
        opened(tmp_path, saved(opaque, kind, **options)).rgb_encoded, PICTURE
    )
    opaque[5, 5, 3] = 254
    with pytest.raises(BadFile, match="transparent"):
        opened(tmp_path, saved(opaque, kind, **options))


def test_16_bit_alpha(tmp_path):
    opaque = np.dstack([PICTURE_16[..., ::-1], np.full((HIGH, WIDE), 65535, np.uint16)])
    ok, data = cv2.imencode(".png", opaque)
    assert ok
    np.testing.assert_array_equal(opened(tmp_path, data.tobytes()).rgb_encoded, PICTURE_16)


def test_main_image_of_a_multi_picture_file(tmp_path):
    data = saved(PICTURE, "MPO", save_all=True, append_images=[Image.new("RGB", (100, 80))])
    photo = opened(tmp_path, data)
    assert photo.rgb_encoded.shape == PICTURE.shape
    assert "second-image-ignored" in codes(photo)
    assert any("2 in all" in flag.seen for flag in photo.flags)


def test_bytes_after_the_picture_do_no_harm(tmp_path):
    assert opened(tmp_path, saved(PICTURE, "JPEG") + b"\0\0\0\x18ftypmp42" + bytes(5000))


def test_progressive_jpeg(tmp_path):
    data = saved(PICTURE, "JPEG", progressive=True, quality=92)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(image).astype(int)
    assert np.abs(opened(tmp_path, data).rgb_encoded - expected).max() <= 2


# Linear light -----------------------------------------------------------------------------
def test_srgb_curve_against_colour_science():
    import colour

    for levels in (256, 65536):
        table = srgb_profile(levels).decode
        expected = colour.models.eotf_sRGB(np.linspace(0, 1, levels))
        np.testing.assert_allclose(table[1], expected, atol=6e-8)  # half a float32 step at 1


@pytest.mark.parametrize("rgb", [PICTURE, PICTURE_16])
def test_linear_region_is_the_table_at_each_level(tmp_path, rgb):
    import colour

    ok, data = cv2.imencode(".png", rgb[..., ::-1])
    assert ok
    photo = opened(tmp_path, data.tobytes())
    linear = photo.rgb_linear(11, 20, 300, 290)
    assert linear.shape == (270, 289, 3)
    assert linear.dtype == np.float32
    expected = colour.models.eotf_sRGB(rgb[20:290, 11:300] / np.iinfo(rgb.dtype).max)
    np.testing.assert_allclose(linear, expected, atol=1e-6)
    assert photo.rgb_linear().shape == rgb.shape
    assert photo.rgb_linear(5, 5, 5, 9).shape == (4, 0, 3)


def test_each_channel_has_its_own_curve(tmp_path):
    gammas = (1.0, 1.8, 2.6)
    icc = profile_bytes(SRGB_TO_XYZ_D50, [curv(round(g * 256)) for g in gammas])
    photo = opened(tmp_path, saved(PICTURE, "PNG", icc_profile=icc))
    expected = np.stack(
        [(PICTURE[..., i] / 255) ** (round(g * 256) / 256) for i, g in enumerate(gammas)], axis=-1
    )
    np.testing.assert_allclose(photo.rgb_linear(), expected, atol=1e-6)


def test_grey8(tmp_path):
    grey = opened(tmp_path, saved(PICTURE, "PNG")).grey8()
    expected = np.asarray(Image.fromarray(PICTURE).convert("L")).astype(int)  # BT.601 luma
    assert np.abs(grey - expected).max() <= 1
    ok, data = cv2.imencode(".png", PICTURE_16[..., ::-1])
    assert ok
    deep = opened(tmp_path, data.tobytes()).grey8()
    assert deep.dtype == np.uint8
    assert np.abs(deep.astype(int) - expected).max() <= 1


# What a JPEG tells of itself --------------------------------------------------------------
@pytest.mark.parametrize("quality", [5, 20, 35, 49, 50, 59, 60, 75, 85, 90, 95, 98, 100])
def test_jpeg_quality_as_pillow_saved_it(tmp_path, quality):
    photo = opened(tmp_path, saved(PICTURE, "JPEG", quality=quality))
    assert photo.jpeg_quality == quality
    assert ("heavy-compression" in codes(photo)) == (quality < 60)


def test_quality_50_is_the_table_of_the_standard():
    """By the usual rule, quality 50 is table K.1 unscaled; so Pillow's encoder holds K.1."""
    from calibration.photo.jpeg import ANNEX_K_LUMINANCE

    with Image.open(io.BytesIO(saved(PICTURE, "JPEG", quality=50))) as image:
        assert sorted(image.quantization[0]) == sorted(ANNEX_K_LUMINANCE)


def test_metadata_and_never_a_place(tmp_path):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Pinhole", "Pinhole \x1b[31m3"
    exif[0x8769] = {
        0x829A: 1 / 60, 0x829D: 1.8, 0x8827: 100, 0x9003: "2026:05:01 09:30:00",
        0xA434: "Glass 5 mm",
    }  # fmt: skip
    exif[0x8825] = {1: "N", 2: (51.0, 28.0, 40.0), 3: "W", 4: (0.0, 0.0, 5.0)}
    photo = opened(tmp_path, saved(PICTURE, "JPEG", exif=exif.tobytes()))
    assert photo.metadata == {
        "camera": "Pinhole [31m3",
        "lens": "Glass 5 mm",
        "exposure": "1/60 s, f/1.8, ISO 100",
        "captured": "2026-05-01 09:30:00",
    }
    assert "51" not in repr(photo).replace(str(tmp_path), "")


PLACES = ("Otterbank", "51.4779", "51.47", "51 28", "+01:00", "Weir Studio")


def _with_places(jpeg: bytes) -> bytes:
    """The JPEG with a place in every corner that can hold one: GPS, a maker's note, free
    text, owner, time zone, XMP and a comment."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Pinhole", "Pinhole 3"
    exif[0x010E], exif[0x013B] = "Otterbank, upstairs", "Weir Studio"  # description, artist
    exif[0x8298] = "Weir Studio"
    exif[0x8769] = {
        0x829A: 1 / 60, 0x9003: "2026:05:01 09:30:00", 0x9010: "+01:00", 0x9011: "+01:00",
        0x927C: b"NOTE\0Otterbank 51.4779", 0x9286: b"ASCII\0\0\0Otterbank",
        0xA430: "Weir Studio",
    }  # fmt: skip
    exif[0x8825] = {
        1: "N", 2: (51.0, 28.0, 40.4), 3: "W", 4: (0.0, 0.0, 5.0), 28: b"ASCII\0\0\0Otterbank",
    }  # fmt: skip
    xmp = b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x='adobe:ns:meta/'>51.4779N Otterbank"
    segments = b""
    for marker, body in (
        (b"\xff\xe1", exif.tobytes()),
        (b"\xff\xe1", xmp),
        (b"\xff\xfe", b"Otterbank 51.4779"),
    ):
        segments += marker + (len(body) + 2).to_bytes(2, "big") + body
    return jpeg[:2] + segments + jpeg[2:]


@pytest.mark.slow
def test_no_place_reaches_any_output(tmp_path, capsys):
    """Camera, exposure and date come through for the record; where it was taken does not:
    not into the answer, its JSON or its picture."""
    from drawdown.commands import main as cli

    demo = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "match.jpg"
    data = _with_places(demo.read_bytes())
    assert all(place.encode() in data for place in ("Otterbank", "51.4779", "Weir Studio"))
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(data)
    assert not [place for place in PLACES if place in repr(vars(open_photo(photo)))]
    picture = tmp_path / "answer.png"
    said = ""
    for arguments in (["match", "--json", "--picture", str(picture)], ["read"]):
        cli.main([arguments[0], str(photo), *arguments[1:]])
        streams = capsys.readouterr()
        said += streams.out + streams.err
        if "--json" in arguments:
            assert json.loads(streams.out)["photo"]["metadata"] == {
                "camera": "Pinhole 3",
                "exposure": "1/60 s",
                "captured": "2026-05-01 09:30:00",
            }
    assert not [place for place in PLACES if place in said]
    with Image.open(picture) as image:
        assert not image.getexif()
        assert set(image.info) <= {"srgb"}
    assert not [place for place in PLACES if place.encode() in picture.read_bytes()]


# Robustness -------------------------------------------------------------------------------
SMALL = {
    "JPEG": saved(PICTURE, "JPEG", quality=40, exif=colour_space(1), icc_profile=DISPLAY_P3),
    "PNG": saved(PICTURE, "PNG", exif=colour_space(1), icc_profile=DISPLAY_P3),
    "TIFF": saved(PICTURE, "TIFF", compression="tiff_lzw", icc_profile=DISPLAY_P3),
    "WEBP": saved(PICTURE, "WEBP", quality=30, exif=colour_space(1), icc_profile=DISPLAY_P3),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", SMALL)
@given(data=st.data())
@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_damage_is_explained_or_harmless(tmp_path, kind, data):
    whole = bytearray(SMALL[kind])
    for _ in range(data.draw(st.integers(1, 4))):
        # Headers are where damage is interesting.
        at = data.draw(st.integers(0, min(len(whole), 1500) - 1) | st.integers(0, len(whole) - 1))
        whole[at] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()):
        del whole[data.draw(st.integers(1, len(whole))) :]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = outcome(lambda: opened(tmp_path, bytes(whole)))
    if isinstance(found, BadFile):
        assert len(found.paragraph()) > 60
    else:
        assert min(found.rgb_encoded.shape[:2]) >= 300


@pytest.mark.parametrize("kind", SMALL)
def test_decoders_do_not_chatter(tmp_path, kind, capfd):
    data = SMALL[kind]
    with pytest.raises(BadFile):
        opened(tmp_path, data[: len(data) // 2])
    middle = bytearray(data)
    for at in range(len(data) // 2, len(data) // 2 + 40):
        middle[at] = 0x55
    found = outcome(lambda: opened(tmp_path, bytes(middle)))
    # Only JPEG, PNG and WebP can tell that the middle is not what it was.
    assert isinstance(found, BadFile) or kind == "TIFF"
    assert capfd.readouterr() == ("", "")


def test_unusual_tiff_compression(tmp_path):
    photo = opened(tmp_path, saved(PICTURE, "TIFF", compression="lzma"))
    np.testing.assert_array_equal(photo.rgb_encoded, PICTURE)


@pytest.mark.parametrize(
    ("size", "bits", "alpha", "progressive", "file_mb", "fits"),
    [
        ((15_000, 11_000), 8, False, False, 80, True),
        ((16_400, 12_300), 8, False, False, 80, False),
        ((12_000, 12_000), 8, False, True, 80, False),
        ((9_000, 9_000), 16, False, False, 100, True),
        ((12_000, 12_000), 16, False, False, 100, False),  # took 2.4 GB
        ((9_000, 9_000), 16, True, False, 100, False),
        ((7_700, 7_700), 16, True, False, 100, True),
        ((11_000, 11_000), 8, False, False, 450, False),
    ],
)
def test_pixels_and_bytes_are_bounded_before_decoding(
    monkeypatch, size, bits, alpha, progressive, file_mb, fits
):
    """1.2 GB for any file: a file of this size beside what its pixels need."""
    from calibration.photo import decode as module
    from calibration.photo.header import Header

    class Long(bytes):
        def __len__(self) -> int:
            return file_mb * 1_000_000

    header = Header("PNG", size, bits, alpha, scratch=3.0 if progressive else 0.0)
    monkeypatch.setattr(module.np, "frombuffer", lambda *_: pytest.fail("decoded"))
    said = outcome(lambda: _decoded(module, Long(b"x"), header))
    assert (said == "decoded") is fits
    if not fits:
        assert "million" in said.paragraph()


def _decoded(module, data, header):
    try:
        return module.decode(data, header, "x")
    except pytest.fail.Exception:
        return "decoded"


@pytest.mark.slow
def test_a_photo_without_a_card_is_searched_in_pictures_of_bounded_size(monkeypatch):
    from calibration.locate import markers

    assert max(markers.sides(16_000)) == 6000
    assert max(markers.sides(8_064)) == 8_064


# Bytes and arrays -------------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_bytes_are_read_as_their_file_is(tmp_path, kind):
    data = saved(PICTURE, kind, exif=orientation(6).tobytes())
    before, photo, file = bytes(data), photo_from_bytes(data, "a b"), opened(tmp_path, data)
    assert data == before
    np.testing.assert_array_equal(photo.rgb_encoded, file.rgb_encoded)
    assert photo.path == "a b"
    assert (photo.format, photo.flags, photo.jpeg_quality, photo.profile.name) == (
        file.format, file.flags, file.jpeg_quality, file.profile.name
    )  # fmt: skip


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7", b"\xff\xd8\xff\xd9"])
def test_bytes_that_are_no_photo_are_explained(data):
    with pytest.raises(BadFile, match="the file sheet"):
        photo_from_bytes(data, "sheet")


@pytest.mark.parametrize(("profile", "icc"), [("sRGB", None), ("Display P3", DISPLAY_P3)])
def test_an_array_is_the_photo_of_a_png_with_its_profile(tmp_path, profile, icc):
    file = opened(tmp_path, saved(PICTURE, "PNG", **({"icc_profile": icc} if icc else {})))
    for given_profile in [profile, icc] if icc else [profile]:
        photo = photo_from_array(PICTURE, given_profile)
        np.testing.assert_array_equal(photo.rgb_encoded, file.rgb_encoded)
        np.testing.assert_allclose(photo.profile.to_xyz_d50, file.profile.to_xyz_d50, atol=1e-4)
        np.testing.assert_allclose(photo.rgb_linear(), file.rgb_linear(), atol=1e-4)
        assert photo.flags == ()
    assert "array(" not in repr(photo)
    assert len(repr(photo)) < 400


def test_an_array_of_decimals_or_16_bits_is_the_same_light():
    fine = photo_from_array(PICTURE_16)
    assert fine.rgb_encoded.dtype == np.uint16
    decimals = photo_from_array(PICTURE_16[::-1] / np.float64(65535))
    np.testing.assert_array_equal(decimals.rgb_encoded[::-1], fine.rgb_encoded)
    coarse = photo_from_array((PICTURE / 255).astype(np.float32)).rgb_linear()
    np.testing.assert_allclose(coarse, photo_from_array(PICTURE).rgb_linear(), atol=2e-5)


def test_an_array_is_copied():
    mine = PICTURE.copy()
    photo = photo_from_array(mine)
    mine[:] = 0
    np.testing.assert_array_equal(photo.rgb_encoded, PICTURE)
    assert photo_from_array(PICTURE[:, ::-1]).rgb_encoded.flags.c_contiguous


@pytest.mark.parametrize(
    ("rgb", "profile", "error", "words"),
    [
        (PICTURE[..., 0], "sRGB", WrongUsage, r"shape \(310, 340\)"),
        (np.dstack([PICTURE, PICTURE[..., :1]]), "sRGB", WrongUsage, "shape"),
        (PICTURE.astype(np.int64), "sRGB", WrongUsage, "int64"),
        (PICTURE.astype(float), "sRGB", WrongUsage, "from 0 to 255"),
        (PICTURE / 255 - 0.1, "sRGB", WrongUsage, "from -0.1"),
        (np.full((400, 400, 3), np.nan), "sRGB", WrongUsage, "nan"),
        (PICTURE[:200], "sRGB", BadFile, "array has only 340 x 200 pixels"),
        (PICTURE, "rec2020", WrongUsage, "rec2020"),
        (PICTURE, b"no profile", BadFile, "cannot be used"),
    ],
)  # fmt: skip
def test_arrays_that_are_no_photo_are_explained(rgb, profile, error, words):
    with pytest.raises(error, match=words):
        photo_from_array(rgb, profile)
