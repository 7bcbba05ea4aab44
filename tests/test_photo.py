"""Opening photos, checked against Pillow, LittleCMS, colour-science and the standards.

Sources: Pillow (ImageOps.exif_transpose, quantisation tables of its encoder), LittleCMS
through Pillow's ImageCms, colour-science's sRGB transfer function and colour spaces,
ICC.1:2022 table 68 (parametric curves), CIPA DC-008 (Exif), PNG third edition.
"""

from __future__ import annotations

import io
import struct
import sys
import warnings
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from calibration.colorimetry import P3_TO_XYZ_D50, SRGB_TO_XYZ_D50, WHITE_D50, xyz_to_lab
from calibration.errors import BadFile
from calibration.icc import ProfileUnread, read_icc, srgb_profile
from calibration.photo import open_photo

RNG = np.random.default_rng(20260501)
HIGH, WIDE = 310, 340


def _picture(dtype: type = np.uint8) -> np.ndarray:
    """No two of its eight orientations are alike, and R, G, B differ."""
    top = np.iinfo(dtype).max
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    rgb = np.stack([x / WIDE, y / HIGH, (x + 2 * y) % 97 / 97], axis=-1)
    rgb[:60, :90] = (1, 0, 0)
    rgb[-50:, :40] = (0, 0, 1)
    return (rgb * top).round().astype(dtype)


PICTURE, PICTURE_16 = _picture(), _picture(np.uint16)


def _saved(rgb: np.ndarray, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, kind, **options)
    return buffer.getvalue()


def _opened(tmp_path, data: bytes, name: str = "photo"):
    path = tmp_path / name
    path.write_bytes(data)
    return open_photo(path)


def _outcome(call):
    """What a call returns, or the explained failure it ends in; anything else escapes."""
    try:
        return call()
    except (BadFile, ProfileUnread) as error:
        return error


def _codes(photo) -> list[str]:
    return [flag.code for flag in photo.flags]


def _orientation(value: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = value
    return exif


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _with_chunks(png: bytes, *chunks: tuple[bytes, bytes]) -> bytes:
    return png[:33] + b"".join(_png_chunk(*chunk) for chunk in chunks) + png[33:]


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
    exif = _orientation(value)
    if kind == "TIFF":
        data = _saved(PICTURE, kind, tiffinfo={0x0112: value}, **options)
    else:
        data = _saved(PICTURE, kind, exif=exif.tobytes(), **options)
    photo = _opened(tmp_path, data)
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
    photo = _opened(tmp_path, buffer.getvalue())
    for channel in range(3):
        image = Image.fromarray(PICTURE_16[..., channel])
        image.getexif()[0x0112] = value
        expected = np.asarray(ImageOps.exif_transpose(image))
        np.testing.assert_array_equal(photo.rgb_encoded[..., channel], expected)


def test_odd_orientation_values_leave_the_picture_alone(tmp_path):
    for value in (0, 9, 65535):
        data = _saved(PICTURE, "PNG", exif=_orientation(value).tobytes())
        np.testing.assert_array_equal(_opened(tmp_path, data).rgb_encoded, PICTURE)


# Pixels -----------------------------------------------------------------------------------
@pytest.mark.parametrize("suffix", [".png", ".tiff"])
def test_16_bits_stay_whole(tmp_path, suffix):
    ok, data = cv2.imencode(suffix, PICTURE_16[..., ::-1])
    assert ok
    photo = _opened(tmp_path, data.tobytes())
    np.testing.assert_array_equal(photo.rgb_encoded, PICTURE_16)
    assert (photo.clip_low, photo.clip_high) == (257, 65279)
    assert photo.profile.decode.shape == (3, 65536)


def test_16_bit_tiff_with_predictor_as_tifffile_writes_it(tmp_path):
    tifffile = pytest.importorskip("tifffile")
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, PICTURE_16, photometric="rgb", compression="zlib", tile=(64, 64))
    np.testing.assert_array_equal(_opened(tmp_path, buffer.getvalue()).rgb_encoded, PICTURE_16)


@pytest.mark.parametrize("name", ["photo.txt", "photo.png", "photo", "photo.heic"])
def test_content_counts_and_not_the_name(tmp_path, name):
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG"), name)
    assert photo.format == "JPEG"
    assert (photo.width_px, photo.height_px) == (WIDE, HIGH)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_fully_opaque_alpha_is_dropped(tmp_path, kind):
    opaque = np.dstack([PICTURE, np.full((HIGH, WIDE), 255, np.uint8)])
    options = {"lossless": True} if kind == "WEBP" else {}
    np.testing.assert_array_equal(
        _opened(tmp_path, _saved(opaque, kind, **options)).rgb_encoded, PICTURE
    )
    opaque[5, 5, 3] = 254
    with pytest.raises(BadFile, match="transparent"):
        _opened(tmp_path, _saved(opaque, kind, **options))


def test_16_bit_alpha(tmp_path):
    opaque = np.dstack([PICTURE_16[..., ::-1], np.full((HIGH, WIDE), 65535, np.uint16)])
    ok, data = cv2.imencode(".png", opaque)
    assert ok
    np.testing.assert_array_equal(_opened(tmp_path, data.tobytes()).rgb_encoded, PICTURE_16)


def test_main_image_of_a_multi_picture_file(tmp_path):
    data = _saved(PICTURE, "MPO", save_all=True, append_images=[Image.new("RGB", (100, 80))])
    photo = _opened(tmp_path, data)
    assert photo.rgb_encoded.shape == PICTURE.shape
    assert "second-image-ignored" in _codes(photo)
    assert any("2 in all" in flag.seen for flag in photo.flags)


def test_bytes_after_the_picture_do_no_harm(tmp_path):
    assert _opened(tmp_path, _saved(PICTURE, "JPEG") + b"\0\0\0\x18ftypmp42" + bytes(5000))


def test_progressive_jpeg(tmp_path):
    data = _saved(PICTURE, "JPEG", progressive=True, quality=92)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(image).astype(int)
    assert np.abs(_opened(tmp_path, data).rgb_encoded - expected).max() <= 2


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
    photo = _opened(tmp_path, data.tobytes())
    linear = photo.rgb_linear(11, 20, 300, 290)
    assert linear.shape == (270, 289, 3)
    assert linear.dtype == np.float32
    expected = colour.models.eotf_sRGB(rgb[20:290, 11:300] / np.iinfo(rgb.dtype).max)
    np.testing.assert_allclose(linear, expected, atol=1e-6)
    assert photo.rgb_linear().shape == rgb.shape
    assert photo.rgb_linear(5, 5, 5, 9).shape == (4, 0, 3)


def test_each_channel_has_its_own_curve(tmp_path):
    gammas = (1.0, 1.8, 2.6)
    icc = _profile_bytes(SRGB_TO_XYZ_D50, [_curv(round(g * 256)) for g in gammas])
    photo = _opened(tmp_path, _saved(PICTURE, "PNG", icc_profile=icc))
    expected = np.stack(
        [(PICTURE[..., i] / 255) ** (round(g * 256) / 256) for i, g in enumerate(gammas)], axis=-1
    )
    np.testing.assert_allclose(photo.rgb_linear(), expected, atol=1e-6)


def test_grey8(tmp_path):
    grey = _opened(tmp_path, _saved(PICTURE, "PNG")).grey8()
    expected = np.asarray(Image.fromarray(PICTURE).convert("L")).astype(int)  # BT.601 luma
    assert np.abs(grey - expected).max() <= 1
    ok, data = cv2.imencode(".png", PICTURE_16[..., ::-1])
    assert ok
    deep = _opened(tmp_path, data.tobytes()).grey8()
    assert deep.dtype == np.uint8
    assert np.abs(deep.astype(int) - expected).max() <= 1


# ICC profiles -----------------------------------------------------------------------------
def _s15(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def _curv(*values: int) -> bytes:
    return b"curv" + bytes(4) + struct.pack(f">I{len(values)}H", len(values), *values)


def _para(function: int, *values: float) -> bytes:
    return b"para" + bytes(4) + struct.pack(">HH", function, 0) + _s15(*values)


def _mluc(text: str) -> bytes:
    body = text.encode("utf-16-be")
    return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(body), 28) + body


def _profile_bytes(
    matrix: np.ndarray,
    curves: list[bytes],
    name: str = "hand-made",
    version: int = 4,
    space: bytes = b"RGB ",
) -> bytes:
    """A display profile after ICC.1:2022, clause 7 and 8.4.3."""
    v2_name = b"desc" + bytes(4) + struct.pack(">I", len(name) + 1) + name.encode() + bytes(79)
    tags = {
        b"desc": _mluc(name) if version == 4 else v2_name,
        b"cprt": _mluc("none") if version == 4 else b"text" + bytes(4) + b"none\0",
        b"wtpt": b"XYZ " + bytes(4) + _s15(*WHITE_D50),
    }
    for channel, column, curve in zip("rgb", matrix.T, curves, strict=True):
        tags[f"{channel}XYZ".encode()] = b"XYZ " + bytes(4) + _s15(*column)
        tags[f"{channel}TRC".encode()] = curve
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for signature, content in tags.items():
        table += struct.pack(">4sII", signature, start + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    head = struct.pack(
        ">I4sI4s4s4s", start + len(body), bytes(4), version << 24, b"mntr", space, b"XYZ "
    )
    head += bytes(12) + b"acsp" + bytes(28) + _s15(*WHITE_D50)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


SRGB_PARA = _para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
PILLOW_SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
DISPLAY_P3 = _profile_bytes(P3_TO_XYZ_D50, [SRGB_PARA] * 3, "Wide display")


def _littlecms_lab(icc: bytes, rgb: np.ndarray) -> np.ndarray:
    """Lab D50 of 8-bit RGB (n, 3) by LittleCMS, relative colorimetric, unoptimised."""
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.NOOPTIMIZE,
    )
    lab = np.asarray(ImageCms.applyTransform(Image.fromarray(rgb[None]), transform))[0]
    lightness = lab[:, 0] * (100 / 255)
    ab = lab[:, 1:].view(np.int8).astype(float)  # Pillow keeps a*, b* as signed bytes
    return np.column_stack([lightness, ab])


def _our_lab(icc: bytes, rgb: np.ndarray) -> np.ndarray:
    profile = read_icc(icc, 256)
    linear = np.column_stack([profile.decode[i][rgb[:, i]] for i in range(3)])
    return xyz_to_lab(linear @ profile.to_xyz_d50.T)


def _para_by_the_book(function: int, p: tuple[float, ...], x: np.ndarray) -> np.ndarray:
    """ICC.1:2022, table 68, written as it stands there."""
    g, a, b, c, d, e, f = (*p, *[0.0] * (7 - len(p)))
    with np.errstate(invalid="ignore"):
        power = (a * x + b) ** g
    return {
        0: lambda: x**g,
        1: lambda: np.where(x >= -b / a, power, 0),
        2: lambda: np.where(x >= -b / a, power + c, c),
        3: lambda: np.where(x >= d, power, c * x),
        4: lambda: np.where(x >= d, power + e, c * x + f),
    }[function]()


CURVES = {
    "curv 0": _curv(),
    "curv 1": _curv(563),
    "curv n": _curv(*(round(65535 * (i / 31) ** 1.9) for i in range(32))),
    "para 0": _para(0, 2.2),
    "para 1": _para(1, 2.3, 1.05, -0.05),
    "para 2": _para(2, 2.1, 0.9, -0.02, 0.03),
    "para 3": SRGB_PARA,
    "para 4": _para(4, 2.0, 0.95, 0.03, 0.342, 0.2, 0.02, 0.0),
}


@pytest.mark.parametrize("name", ["Pillow sRGB", "Display P3", *CURVES])
def test_profiles_against_littlecms(name):
    icc = {"Pillow sRGB": PILLOW_SRGB, "Display P3": DISPLAY_P3}.get(name)
    icc = icc or _profile_bytes(SRGB_TO_XYZ_D50, [CURVES[name]] * 3)
    ramp = np.repeat(np.arange(0, 256, 5, dtype=np.uint8)[:, None], 3, axis=1)
    rgb = np.vstack([ramp, RNG.integers(0, 256, (150, 3), dtype=np.uint8)])
    ours, theirs = _our_lab(icc, rgb), _littlecms_lab(icc, rgb)
    kept = np.abs(theirs[:, 1:]).max(axis=1) < 127  # the rest does not fit in 8 bits
    difference = np.abs(ours - theirs)[kept]
    # LittleCMS answers in 8 bits: L* in steps of 0.39, a* and b* in steps of 1.
    assert difference[:, 0].max() < 0.25
    assert difference[:, 1:].max() < 0.6


@pytest.mark.parametrize(
    ("function", "values"),
    [
        (0, (2.2,)),
        (1, (2.3, 1.05, -0.05)),
        (2, (2.1, 0.9, -0.02, 0.03)),
        (3, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)),
        (4, (2.0, 0.95, 0.03, 0.342, 0.2, 0.02, 0.0)),
    ],
)
@pytest.mark.parametrize("levels", [256, 65536])
def test_parametric_curves_by_the_book(function, values, levels):
    icc = _profile_bytes(SRGB_TO_XYZ_D50, [_para(function, *values)] * 3)
    rounded = tuple(round(v * 65536) / 65536 for v in values)
    expected = np.clip(_para_by_the_book(function, rounded, np.linspace(0, 1, levels)), 0, 1)
    np.testing.assert_allclose(read_icc(icc, levels).decode[2], expected, atol=1e-6)


def test_srgb_and_display_p3_are_known_by_their_numbers():
    import colour

    srgb, p3 = read_icc(PILLOW_SRGB, 256), read_icc(DISPLAY_P3, 65536)
    assert (srgb.name, srgb.described_as) == ("sRGB", "sRGB built-in")
    assert (p3.name, p3.described_as) == ("Display P3", "Wide display")
    for profile, space in ((srgb, "sRGB"), (p3, "Display P3")):
        space = colour.RGB_COLOURSPACES[space]
        expected = space.matrix_RGB_to_XYZ
        adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(
            colour.xy_to_XYZ(space.whitepoint), WHITE_D50, transform="Bradford"
        )
        np.testing.assert_allclose(profile.to_xyz_d50, adaptation @ expected, atol=5e-4)


def test_other_matrix_profiles_keep_their_name(tmp_path):
    gamma = _profile_bytes(SRGB_TO_XYZ_D50, [_curv(461)] * 3, "Studio scanner", version=2)
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG", icc_profile=gamma))
    assert photo.profile.name == "Studio scanner"
    assert not photo.flags


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_embedded_profile_is_found(tmp_path, kind):
    photo = _opened(tmp_path, _saved(PICTURE, kind, icc_profile=DISPLAY_P3))
    assert photo.profile.name == "Display P3"
    assert not photo.flags


def test_profile_in_many_jpeg_pieces(tmp_path):
    big = _profile_bytes(SRGB_TO_XYZ_D50, [_curv(*range(0, 65536, 2))] * 3, "Large")
    assert len(big) > 150_000  # more than two segments
    assert _opened(tmp_path, _saved(PICTURE, "JPEG", icc_profile=big)).profile.name == "Large"


def _lut_profile() -> bytes:
    return _profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Tables only").replace(b"rTRC", b"A2B0")


UNUSABLE = {
    "tables": (_lut_profile(), "Tables only"),
    "cmyk": (_profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Offset", space=b"CMYK"), "Offset"),
    "grey": (_profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Grey 20", space=b"GRAY"), "Grey 20"),
    "cut off": (DISPLAY_P3[:300], "damaged"),
    "rubbish": (b"no profile at all" * 20, "damaged"),
    "no matrix": (_profile_bytes(np.zeros((3, 3)), [SRGB_PARA] * 3, "Zeros"), "Zeros"),
    "odd curve": (_profile_bytes(SRGB_TO_XYZ_D50, [_para(7, 1.0)] * 3, "Odd"), "Odd"),
    "falling curve": (_profile_bytes(SRGB_TO_XYZ_D50, [_curv(65535, 0)] * 3, "Down"), "Down"),
    "negative power": (_profile_bytes(SRGB_TO_XYZ_D50, [_para(0, -2.0)] * 3, "Minus"), "Minus"),
    "flat": (_profile_bytes(SRGB_TO_XYZ_D50, [_curv(9, 9, 9)] * 3, "Flat"), "Flat"),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_unusable_profiles_are_named_and_flagged(tmp_path, name):
    icc, called = UNUSABLE[name]
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG", icc_profile=icc))
    assert _codes(photo) == ["unknown-profile"]
    assert called in photo.flags[0].seen
    assert photo.profile.name == "sRGB"


@given(st.integers(0, len(DISPLAY_P3) - 1), st.binary(min_size=1, max_size=8))
@settings(max_examples=300, deadline=None)
def test_no_damage_to_a_profile_escapes(at, junk):
    found = _outcome(lambda: read_icc(DISPLAY_P3[:at] + junk + DISPLAY_P3[at + len(junk) :], 256))
    assert found.name
    if not isinstance(found, ProfileUnread):
        assert np.isfinite(found.decode).all()
        assert np.isfinite(found.to_xyz_d50).all()


# Colour without a profile -----------------------------------------------------------------
def _colour_space(code: int | None, interop: str | None = None) -> bytes:
    exif = Image.Exif()
    details = {} if code is None else {0xA001: code}
    if interop:
        details[0xA005] = {1: interop}
    exif[0x8769] = details
    return exif.tobytes()


@pytest.mark.parametrize(
    ("exif", "name", "flagged"),
    [
        (_colour_space(1), "sRGB", []),
        (_colour_space(65535), "sRGB", ["no-profile"]),
        (_colour_space(None), "sRGB", ["no-profile"]),
        (_colour_space(65535, "R03"), "DCF optional RGB", []),
        (b"", "sRGB", ["no-profile"]),
        (b"Exif\0\0MM\0*\0\0\0\x08\xff\xff", "sRGB", ["no-profile"]),
    ],
)
def test_colour_space_of_exif(tmp_path, exif, name, flagged):
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG", exif=exif))
    assert photo.profile.name == name
    assert _codes(photo) == flagged


def test_optional_space_of_dcf_against_colour_science():
    import colour

    from calibration.icc import dcf_optional_profile

    white = (0.3127, 0.3290)
    primaries = [(0.64, 0.33), (0.21, 0.71), (0.15, 0.06)]  # CIPA DC-009, from memory
    profile = dcf_optional_profile(256)
    np.testing.assert_allclose(profile.decode[0], (np.arange(256) / 255) ** 2.19921875, atol=1e-6)
    adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(white), WHITE_D50, transform="Bradford"
    )
    expected = adaptation @ colour.normalised_primary_matrix(primaries, white)
    np.testing.assert_allclose(profile.to_xyz_d50, expected, atol=5e-4)


D65_CHRM = struct.pack(">8I", 31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)


@pytest.mark.parametrize(
    ("chunks", "name", "flagged"),
    [
        ([], "sRGB", ["no-profile"]),
        ([(b"sRGB", b"\0")], "sRGB", []),
        ([(b"cICP", bytes([1, 13, 0, 1]))], "sRGB", []),
        ([(b"cICP", bytes([12, 13, 0, 1]))], "Display P3", []),
        ([(b"cICP", bytes([9, 16, 0, 1])), (b"sRGB", b"\0")], "sRGB", ["unknown-profile"]),
        ([(b"gAMA", struct.pack(">I", 45455)), (b"cHRM", D65_CHRM)], "by gAMA and cHRM", []),
        ([(b"gAMA", bytes(4)), (b"cHRM", D65_CHRM)], "sRGB", ["unknown-profile"]),
        ([(b"gAMA", struct.pack(">I", 45455)), (b"cHRM", bytes(32))], "sRGB", ["unknown-profile"]),
        ([(b"gAMA", struct.pack(">I", 45455))], "sRGB", ["no-profile"]),
        ([(b"iCCP", b"x\0\0rubbish")], "sRGB", ["unknown-profile"]),
    ],
)
def test_colour_chunks_of_png(tmp_path, chunks, name, flagged):
    photo = _opened(tmp_path, _with_chunks(_saved(PICTURE, "PNG"), *chunks))
    assert photo.profile.name == name
    assert _codes(photo) == flagged
    if name == "by gAMA and cHRM":
        assert photo.profile.decode[0][128] == pytest.approx((128 / 255) ** 2.2, abs=1e-5)
        np.testing.assert_allclose(photo.profile.to_xyz_d50, SRGB_TO_XYZ_D50, atol=1e-9)


# What a JPEG tells of itself --------------------------------------------------------------
@pytest.mark.parametrize("quality", [5, 20, 35, 49, 50, 59, 60, 75, 85, 90, 95, 98, 100])
def test_jpeg_quality_as_pillow_saved_it(tmp_path, quality):
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG", quality=quality))
    assert photo.jpeg_quality == quality
    assert ("heavy-compression" in _codes(photo)) == (quality < 60)


def test_quality_50_is_the_table_of_the_standard():
    """By the usual rule, quality 50 is table K.1 unscaled; so Pillow's encoder holds K.1."""
    from calibration.photo_header import ANNEX_K_LUMINANCE

    with Image.open(io.BytesIO(_saved(PICTURE, "JPEG", quality=50))) as image:
        assert sorted(image.quantization[0]) == sorted(ANNEX_K_LUMINANCE)


def test_metadata_and_never_a_place(tmp_path):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Pinhole", "Pinhole \x1b[31m3"
    exif[0x8769] = {
        0x829A: 1 / 60, 0x829D: 1.8, 0x8827: 100, 0x9003: "2026:05:01 09:30:00",
    }  # fmt: skip
    exif[0x8825] = {1: "N", 2: (51.0, 28.0, 40.0), 3: "W", 4: (0.0, 0.0, 5.0)}
    photo = _opened(tmp_path, _saved(PICTURE, "JPEG", exif=exif.tobytes()))
    assert photo.metadata == {
        "camera": "Pinhole [31m3",
        "exposure": "1/60 s, f/1.8, ISO 100",
        "captured": "2026-05-01 09:30:00",
    }
    assert "51" not in repr(photo).replace(str(tmp_path), "")


# HEIC -------------------------------------------------------------------------------------
@pytest.mark.parametrize("value", [1, 3, 6, 8])
def test_heic_is_upright(tmp_path, value):
    """The writer stores the turn in the container and in Exif; it must be applied once."""
    pillow_heif = pytest.importorskip("pillow_heif")
    buffer = io.BytesIO()
    image = pillow_heif.from_pillow(Image.fromarray(PICTURE))
    image.save(buffer, quality=95, exif=_orientation(value).tobytes())
    photo = _opened(tmp_path, buffer.getvalue(), "photo.heic")
    turned = Image.fromarray(PICTURE)
    turned.getexif()[0x0112] = value
    expected = np.asarray(ImageOps.exif_transpose(turned)).astype(int)
    assert photo.rgb_encoded.shape == expected.shape
    assert np.abs(photo.rgb_encoded - expected).mean() < 4  # lossy: only the turn matters
    assert photo.format == "HEIF"
    assert photo.profile.name == "sRGB"


def test_heic_of_10_bits_reaches_full_white(tmp_path):
    pillow_heif = pytest.importorskip("pillow_heif")
    white = np.full((320, 320, 3), 65535, np.uint16)
    buffer = io.BytesIO()
    pillow_heif.from_bytes("RGB;16", (320, 320), white.tobytes()).save(buffer, quality=-1)
    photo = _opened(tmp_path, buffer.getvalue())
    assert photo.rgb_encoded.dtype == np.uint16
    assert np.median(photo.rgb_encoded) == 65535


def test_heic_profile(tmp_path):
    pillow_heif = pytest.importorskip("pillow_heif")
    buffer = io.BytesIO()
    image = Image.fromarray(PICTURE)
    image.info["icc_profile"] = DISPLAY_P3
    pillow_heif.from_pillow(image).save(buffer)
    assert _opened(tmp_path, buffer.getvalue()).profile.name == "Display P3"


def test_heic_without_its_decoder_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(BadFile) as caught:
        _opened(tmp_path, b"\0\0\0\x18ftypheic" + bytes(500))
    assert 'pip install "drawdown[heic]"' in caught.value.paragraph()


# Robustness -------------------------------------------------------------------------------
SMALL = {
    "JPEG": _saved(PICTURE, "JPEG", quality=40, exif=_colour_space(1), icc_profile=DISPLAY_P3),
    "PNG": _saved(PICTURE, "PNG", exif=_colour_space(1), icc_profile=DISPLAY_P3),
    "TIFF": _saved(PICTURE, "TIFF", compression="tiff_lzw", icc_profile=DISPLAY_P3),
    "WEBP": _saved(PICTURE, "WEBP", quality=30, exif=_colour_space(1), icc_profile=DISPLAY_P3),
}


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
        found = _outcome(lambda: _opened(tmp_path, bytes(whole)))
    if isinstance(found, BadFile):
        assert len(found.paragraph()) > 60
    else:
        assert min(found.rgb_encoded.shape[:2]) >= 300


@pytest.mark.parametrize("kind", SMALL)
def test_decoders_do_not_chatter(tmp_path, kind, capfd):
    data = SMALL[kind]
    with pytest.raises(BadFile):
        _opened(tmp_path, data[: len(data) // 2])
    middle = bytearray(data)
    for at in range(len(data) // 2, len(data) // 2 + 40):
        middle[at] = 0x55
    found = _outcome(lambda: _opened(tmp_path, bytes(middle)))
    # Only JPEG, PNG and WebP can tell that the middle is not what it was.
    assert isinstance(found, BadFile) or kind == "TIFF"
    assert capfd.readouterr() == ("", "")


def test_unusual_tiff_compression(tmp_path):
    photo = _opened(tmp_path, _saved(PICTURE, "TIFF", compression="lzma"))
    np.testing.assert_array_equal(photo.rgb_encoded, PICTURE)
