"""Raw photos: a DNG of known light, written by ``dng_kit``, must come back as that light.

Sources: the DNG specification 1.4 (black and white level, AsShotNeutral, ColorMatrix1,
GainMap), TIFF 6.0 (orientation), Pillow (ImageOps.exif_transpose), IEC 61966-2-1 (matrix).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from dng_kit import NEUTRAL, dng_bytes, exposed, gain_map, mosaic_of
from photo_kit import codes, opened, outcome
from PIL import Image, ImageOps

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, WHITE_D65, adaptation
from calibration.errors import BadFile
from calibration.photo.open import open_photo

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"
HIGH, WIDE = 320, 340
FIELDS = {
    (0, 0): (0.60, 0.30, 0.10),
    (0, 1): (0.02, 0.05, 0.40),
    (1, 0): (0.90, 0.90, 0.90),
    (1, 1): (0.004, 0.012, 0.006),
}


def fields(high: int = HIGH, wide: int = WIDE) -> np.ndarray:
    """Four even fields of known linear light."""
    rgb = np.zeros((high, wide, 3))
    for (row, column), light in FIELDS.items():
        rgb[row * high // 2 :, column * wide // 2 :] = light
    rgb[: high // 2, wide // 2 :] = FIELDS[0, 1]
    rgb[high // 2 :, : wide // 2] = FIELDS[1, 0]
    rgb[high // 2 :, wide // 2 :] = FIELDS[1, 1]
    return rgb


@pytest.fixture(autouse=True)
def _decoder(request):
    if "without" not in request.node.name:
        pytest.importorskip("rawpy")


def middle(photo, row: int, column: int) -> np.ndarray:
    """Mean light of a field away from its edges."""
    high, wide = photo.height_px // 2, photo.width_px // 2
    y, x = row * high, column * wide
    part = photo.rgb_linear(x + wide // 4, y + high // 4, x + 3 * wide // 4, y + 3 * high // 4)
    return part.reshape(-1, 3).mean(axis=0)


def test_light_comes_back(tmp_path):
    """In proportion to light, balanced by AsShotNeutral, black taken off, nothing brightened."""
    photo = opened(tmp_path, dng_bytes(exposed(fields())), "photo.dng")
    assert photo.format == "RAW"
    assert photo.rgb_encoded.dtype == np.uint16
    assert photo.rgb_encoded.shape == (HIGH, WIDE, 3)
    # Half a step of the sensor, and of the balanced 16 bits.
    step = 0.5 / (16383 - 512) / min(NEUTRAL) + 1 / 65535
    for place, light in FIELDS.items():
        np.testing.assert_allclose(middle(photo, *place), light, atol=step)
    assert photo.flags == ()


def test_no_neighbour_is_sharpened(tmp_path):
    """Filling in the missing colours never leaves the range of the neighbours."""
    photo = opened(tmp_path, dng_bytes(exposed(fields())))
    lights = np.array(list(FIELDS.values()))
    linear = photo.rgb_linear()
    grain = 5 * 3e-4 / np.array(NEUTRAL)
    assert (linear <= lights.max(axis=0) + grain).all()
    assert (linear >= lights.min(axis=0) - grain).all()


def test_the_camera_matrix_leads_to_xyz(tmp_path):
    """ColorMatrix1 of the test camera is XYZ -> linear sRGB, so the way back is sRGB's."""
    photo = opened(tmp_path, dng_bytes(exposed(fields())))
    np.testing.assert_allclose(photo.profile.to_xyz_d50, SRGB_TO_XYZ_D50, atol=2e-3)
    assert photo.profile.is_linear


def test_unknown_camera_is_flagged(tmp_path):
    photo = opened(tmp_path, dng_bytes(exposed(fields()), matrix=None))
    assert codes(photo) == ["unknown-profile"]
    np.testing.assert_allclose(middle(photo, 0, 0), FIELDS[0, 0], atol=2e-4)


@pytest.mark.slow
@pytest.mark.parametrize("value", range(1, 9))
def test_orientation(tmp_path, value):
    photo = opened(tmp_path, dng_bytes(exposed(fields()), orientation=value))
    grey = np.rint(fields() * 65535 / 257).astype(np.uint8)
    image = Image.fromarray(grey)
    image.getexif()[0x0112] = value
    expected = np.asarray(ImageOps.exif_transpose(image)).astype(int)
    assert photo.rgb_encoded.shape == expected.shape
    off = np.abs(photo.rgb_encoded / 257 - expected)
    assert np.median(off) < 1
    # Where fields meet, colours are filled in from both.
    assert (off.max(axis=2) > 2).mean() < 0.03


# The ends of the range --------------------------------------------------------------------
@pytest.mark.parametrize(("black", "white"), [(0, 65535), (64, 1023), (2048, 15000)])
def test_black_and_white_level(tmp_path, black, white):
    sensor = exposed(fields(), black, white)
    photo = opened(tmp_path, dng_bytes(sensor, black, white))
    step = 0.5 / (white - black) / min(NEUTRAL) + 1 / 65535
    np.testing.assert_allclose(middle(photo, 0, 0), FIELDS[0, 0], atol=step)


@pytest.mark.parametrize("full", [None, 15300])
def test_burnt_out_places_count_as_burnt_out(tmp_path, full):
    """Also where the sensor is full before the white level that the file names."""
    light = fields()
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    light += 1.5 * np.exp(-((np.hypot(x - 70, y - 70) / 60) ** 4))[..., None]  # a lamp's mirror
    photo = opened(tmp_path, dng_bytes(exposed(light, full=full)))
    burnt = photo.rgb_encoded[50:90, 50:90]
    assert (burnt[..., 1] >= photo.clip_high).all()  # green is full first
    elsewhere = photo.rgb_encoded[HIGH // 2 + 10 :]
    assert (elsewhere < photo.clip_high).all()
    # The scale changes with the sensor's own end, the colour does not.
    ratio = middle(photo, 1, 0) / middle(photo, 1, 0)[1]
    np.testing.assert_allclose(ratio, 1.0, atol=2e-3)


def test_an_even_white_is_no_heap(tmp_path):
    """A light field with the grain of a sensor is not taken for a full one."""
    rng = np.random.default_rng(4)
    light = np.full((HIGH, WIDE, 3), 0.85) + rng.normal(0, 0.01, (HIGH, WIDE, 1))
    photo = opened(tmp_path, dng_bytes(exposed(light)))
    assert (photo.rgb_encoded < photo.clip_high).all()
    np.testing.assert_allclose(middle(photo, 0, 0), 0.85, atol=2e-3)


def test_deep_shadows_are_not_crushed(tmp_path):
    """Light numbers have no curve that lifts the dark ones: 0.4 % of white is still colour."""
    photo = opened(tmp_path, dng_bytes(exposed(fields())))
    dark = photo.rgb_encoded[HIGH // 2 + 20 : -20, WIDE // 2 + 20 : -20]
    assert (dark > photo.clip_low).all()


def test_grey_for_finding_shapes_is_not_left_in_the_dark(tmp_path):
    light = np.full((HIGH, WIDE, 3), 0.2)
    grey = opened(tmp_path, dng_bytes(exposed(light))).grey8()
    assert grey.dtype == np.uint8
    assert 100 < np.median(grey) < 130  # sqrt(0.2) of 255


# Size, shading, robustness ----------------------------------------------------------------
def test_large_sensors_are_read_at_half_size(tmp_path, monkeypatch):
    from calibration.photo import raw

    monkeypatch.setattr(raw, "HALVE_ABOVE", 500_000)
    photo = opened(tmp_path, dng_bytes(exposed(fields(720, 800))))
    assert photo.rgb_encoded.shape == (360, 400, 3)
    for place, light in FIELDS.items():
        np.testing.assert_allclose(middle(photo, *place), light, atol=1e-4)


def test_shading_maps_are_applied(tmp_path):
    """A lens that loses light and colour to the corners, undone by the file's own maps."""
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    r2 = ((x + 0.5) / WIDE - 0.5) ** 2 + ((y + 0.5) / HIGH - 0.5) ** 2
    loss = np.stack([1 + 1.6 * r2, 1 + 1.0 * r2, 1 + 1.3 * r2], axis=-1)
    light = np.array((0.4, 0.3, 0.2))
    v, h = np.mgrid[0:13, 0:17]
    at2 = (h / 16 - 0.5) ** 2 + (v / 12 - 0.5) ** 2
    maps = [
        gain_map(1 + k * at2, plane, top, left, HIGH, WIDE)
        for plane, (k, top, left) in enumerate([(1.6, 0, 0), (1.0, 0, 1), (1.0, 1, 0), (1.3, 1, 1)])
    ]
    opcodes = len(maps).to_bytes(4, "big") + b"".join(maps)
    sensor = exposed(light / loss)
    plain = opened(tmp_path, dng_bytes(sensor)).rgb_linear()
    assert plain[5, 5] == pytest.approx(light / loss[5, 5], abs=2e-3)
    even = opened(tmp_path, dng_bytes(sensor, opcodes=opcodes)).rgb_linear()
    # Straight lines between the nodes of k t^2, h apart, are too high by up to k h^2 / 4.
    bend = 1.6 * (1 / 12**2 + 1 / 16**2) / 4
    blocks = cv2.resize(even, (WIDE // 10, HIGH // 10), interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(blocks, np.broadcast_to(light, blocks.shape), rtol=bend + 1e-3)


def test_damaged_shading_maps_do_no_harm(tmp_path):
    maps = gain_map(np.full((3, 3), np.nan), 0, 0, 0, HIGH, WIDE)
    for opcodes in (b"\0\0\0\1" + maps, b"\0\0\0\1" + maps[:40], b"\0\0\0\x09", bytes(20)):
        photo = opened(tmp_path, dng_bytes(exposed(fields()), opcodes=opcodes))
        np.testing.assert_allclose(middle(photo, 0, 0), FIELDS[0, 0], atol=2e-4)


@pytest.mark.slow
def test_damage_is_explained_or_harmless(tmp_path, capfd):
    whole = dng_bytes(exposed(fields()), gps=True)
    rng = np.random.default_rng(7)
    refused = 0
    for k in range(60):
        data = bytearray(whole)
        for _ in range(1 + k % 4):
            data[int(rng.integers(0, 700))] = int(rng.integers(0, 256))
        if k % 5 == 0:
            del data[int(rng.integers(200, len(data))) :]
        found = outcome(lambda data=data: opened(tmp_path, bytes(data)))
        if isinstance(found, BadFile):
            refused += 1
            assert len(found.paragraph()) > 60
    assert refused >= 10
    assert capfd.readouterr() == ("", "")


def test_a_mosaic_of_no_known_camera_is_refused(tmp_path):
    tifffile = pytest.importorskip("tifffile")
    path = tmp_path / "mosaic.tif"
    tifffile.imwrite(path, mosaic_of(np.full((HIGH, WIDE, 3), 900, np.uint16)), photometric="cfa")
    with pytest.raises(BadFile, match="raw photo"):
        open_photo(path)


def test_without_the_decoder_the_way_to_get_it_is_told(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(BadFile) as caught:
        opened(tmp_path, dng_bytes(exposed(fields())))
    assert 'python -m pip install ".[raw]"' in caught.value.paragraph()
    assert "16-bit TIFF" in caught.value.paragraph()


# The whole way ----------------------------------------------------------------------------
@pytest.fixture(scope="module")
def raw_scene(tmp_path_factory):
    """A demo photo as a sensor would have recorded it: its light as a mosaic."""
    pytest.importorskip("rawpy")
    photo = open_photo(PHOTOS / "match.jpg")
    light = photo.rgb_linear()
    to_xyz_d65 = adaptation(WHITE_D50, WHITE_D65) @ photo.profile.to_xyz_d50
    # Demo photos may have an odd side.
    light = light[: light.shape[0] // 2 * 2, : light.shape[1] // 2 * 2]
    path = tmp_path_factory.mktemp("raw") / "scene.dng"
    matrix = np.linalg.inv(to_xyz_d65)  # the camera sees as the JPEG's colour space does
    path.write_bytes(dng_bytes(exposed(0.7 * light), matrix=matrix, gps=True))
    return path


@pytest.mark.slow
def test_a_raw_photo_is_judged_like_the_jpeg_of_its_light(raw_scene, capsys):
    from drawdown.commands import main as cli

    answers = []
    for path in (PHOTOS / "match.jpg", raw_scene):
        code = cli.main(["match", str(path), "--json"])
        answers.append((code, json.loads(capsys.readouterr().out)))
    (jpeg_code, jpeg), (raw_code, raw) = answers
    assert raw_code == jpeg_code
    assert raw["comparison"]["verdict"] == jpeg["comparison"]["verdict"]
    assert raw["comparison"]["de00"] == pytest.approx(jpeg["comparison"]["de00"], abs=0.25)
    for one, other in zip(jpeg["strips"], raw["strips"], strict=True):
        np.testing.assert_allclose(one["lab_d50"], other["lab_d50"], atol=1.0)


def test_the_record_keeps_camera_and_exposure_and_no_place(raw_scene):
    photo = open_photo(raw_scene)
    assert photo.metadata == {
        "camera": "Pinhole 3",
        "exposure": "1/80 s, f/1.8, ISO 64",
        "captured": "2026-05-01 09:30:00",
    }
