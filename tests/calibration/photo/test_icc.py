"""Colour profiles of photos, checked against LittleCMS, colour-science and the standards.

Sources: LittleCMS through Pillow's ImageCms, colour-science's colour spaces, ICC.1:2022
table 68 (parametric curves), CIPA DC-008 and DC-009 (Exif colour spaces), PNG third
edition (colour chunks), ITU-T H.273 (colour codes).
"""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_kit import (
    DISPLAY_P3,
    PICTURE,
    PILLOW_SRGB,
    SRGB_PARA,
    codes,
    colour_space,
    curv,
    opened,
    outcome,
    para,
    profile_bytes,
    saved,
    with_chunks,
)
from PIL import Image, ImageCms

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, xyz_to_lab
from calibration.photo.icc import ProfileUnread, read_icc

RNG = np.random.default_rng(20260501)


# ICC profiles -----------------------------------------------------------------------------
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
    "curv 0": curv(),
    "curv 1": curv(563),
    "curv n": curv(*(round(65535 * (i / 31) ** 1.9) for i in range(32))),
    "para 0": para(0, 2.2),
    "para 1": para(1, 2.3, 1.05, -0.05),
    "para 2": para(2, 2.1, 0.9, -0.02, 0.03),
    "para 3": SRGB_PARA,
    "para 4": para(4, 2.0, 0.95, 0.03, 0.342, 0.2, 0.02, 0.0),
}


@pytest.mark.parametrize("name", ["Pillow sRGB", "Display P3", *CURVES])
def test_profiles_against_littlecms(name):
    icc = {"Pillow sRGB": PILLOW_SRGB, "Display P3": DISPLAY_P3}.get(name)
    icc = icc or profile_bytes(SRGB_TO_XYZ_D50, [CURVES[name]] * 3)
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
    icc = profile_bytes(SRGB_TO_XYZ_D50, [para(function, *values)] * 3)
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
    gamma = profile_bytes(SRGB_TO_XYZ_D50, [curv(461)] * 3, "Studio scanner", version=2)
    photo = opened(tmp_path, saved(PICTURE, "JPEG", icc_profile=gamma))
    assert photo.profile.name == "Studio scanner"
    assert not photo.flags


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_embedded_profile_is_found(tmp_path, kind):
    photo = opened(tmp_path, saved(PICTURE, kind, icc_profile=DISPLAY_P3))
    assert photo.profile.name == "Display P3"
    assert not photo.flags


def test_profile_in_many_jpeg_pieces(tmp_path):
    big = profile_bytes(SRGB_TO_XYZ_D50, [curv(*range(0, 65536, 2))] * 3, "Large")
    assert len(big) > 150_000  # more than two segments
    assert opened(tmp_path, saved(PICTURE, "JPEG", icc_profile=big)).profile.name == "Large"


def _lut_profile() -> bytes:
    return profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Tables only").replace(b"rTRC", b"A2B0")


UNUSABLE = {
    "tables": (_lut_profile(), "Tables only"),
    "cmyk": (profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Offset", space=b"CMYK"), "Offset"),
    "grey": (profile_bytes(SRGB_TO_XYZ_D50, [SRGB_PARA] * 3, "Grey 20", space=b"GRAY"), "Grey 20"),
    "cut off": (DISPLAY_P3[:300], "damaged"),
    "rubbish": (b"no profile at all" * 20, "damaged"),
    "no matrix": (profile_bytes(np.zeros((3, 3)), [SRGB_PARA] * 3, "Zeros"), "Zeros"),
    "odd curve": (profile_bytes(SRGB_TO_XYZ_D50, [para(7, 1.0)] * 3, "Odd"), "Odd"),
    "falling curve": (profile_bytes(SRGB_TO_XYZ_D50, [curv(65535, 0)] * 3, "Down"), "Down"),
    "negative power": (profile_bytes(SRGB_TO_XYZ_D50, [para(0, -2.0)] * 3, "Minus"), "Minus"),
    "flat": (profile_bytes(SRGB_TO_XYZ_D50, [curv(9, 9, 9)] * 3, "Flat"), "Flat"),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_unusable_profiles_are_named_and_flagged(tmp_path, name):
    icc, called = UNUSABLE[name]
    photo = opened(tmp_path, saved(PICTURE, "JPEG", icc_profile=icc))
    assert codes(photo) == ["unknown-profile"]
    assert called in photo.flags[0].seen
    assert photo.profile.name == "sRGB"


@given(st.integers(0, len(DISPLAY_P3) - 1), st.binary(min_size=1, max_size=8))
@settings(max_examples=300, deadline=None)
def test_no_damage_to_a_profile_escapes(at, junk):
    found = outcome(lambda: read_icc(DISPLAY_P3[:at] + junk + DISPLAY_P3[at + len(junk) :], 256))
    assert found.name
    if not isinstance(found, ProfileUnread):
        assert np.isfinite(found.decode).all()
        assert np.isfinite(found.to_xyz_d50).all()


# Colour without a profile -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("exif", "name", "flagged"),
    [
        (colour_space(1), "sRGB", []),
        (colour_space(65535), "sRGB", ["no-profile"]),
        (colour_space(None), "sRGB", ["no-profile"]),
        (colour_space(65535, "R03"), "DCF optional RGB", []),
        (b"", "sRGB", ["no-profile"]),
        (b"Exif\0\0MM\0*\0\0\0\x08\xff\xff", "sRGB", ["no-profile"]),
    ],
)
def test_colour_space_of_exif(tmp_path, exif, name, flagged):
    photo = opened(tmp_path, saved(PICTURE, "JPEG", exif=exif))
    assert photo.profile.name == name
    assert codes(photo) == flagged


def test_optional_space_of_dcf_against_colour_science():
    import colour

    from calibration.photo.icc import dcf_optional_profile

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
    photo = opened(tmp_path, with_chunks(saved(PICTURE, "PNG"), *chunks))
    assert photo.profile.name == name
    assert codes(photo) == flagged
    if name == "by gAMA and cHRM":
        assert photo.profile.decode[0][128] == pytest.approx((128 / 255) ** 2.2, abs=1e-5)
        np.testing.assert_allclose(photo.profile.to_xyz_d50, SRGB_TO_XYZ_D50, atol=1e-9)
