"""Finding the card and rectifying the sheet, against OpenCV's own homographies.

The true homography is made with cv2.getPerspectiveTransform or from a pinhole camera (Hartley
and Zisserman, Multiple View Geometry, 2nd ed., eq. 8.1 for a plane: H = K [r1 r2 t])."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import synthetic

from calibration.card.toml import builtin_cards
from calibration.colour.spaces import srgb_decode
from calibration.errors import PhotoUnfit
from calibration.locate.find_card import apply_homography, local_jacobian, locate
from calibration.locate.sheet import rectify
from calibration.photo.open import open_photo

SLIP, FRAME = builtin_cards()
SIZE = (1400, 1050)
LARGE = (2000, 1500)


def tilt_of(view) -> float:
    """Degrees between the card's plane and the picture's, by how unlike it is seen along and
    across in its middle."""
    large, little = np.linalg.svd(
        local_jacobian(view.mm_to_px, *(np.array(view.card.size_mm) / 2)), compute_uv=False
    )
    return float(np.degrees(np.arccos(min(little / large, 1.0))))


def pinhole(
    *, share: float, rotation_deg: float = 0.0, tilt_deg: float = 0.0, towards_deg: float = 30.0,
    card=SLIP, size=SIZE,
) -> np.ndarray:  # fmt: skip
    """(3, 3) card mm -> px for a camera that looks at the card's middle."""
    width, height = card.size_mm
    focal = 0.9 * size[0]
    distance = focal * width / (share * size[0])
    spin, tilt, way = np.radians([rotation_deg, tilt_deg, towards_deg])
    turn = cv2.Rodrigues(np.array([0.0, 0.0, spin]))[0]
    lean = cv2.Rodrigues(tilt * np.array([np.cos(way), np.sin(way), 0.0]))[0]
    rotation = lean @ turn
    centre = np.array([width / 2, height / 2, 0.0])
    place = np.array([0.0, 0.0, distance]) - rotation @ centre
    camera = np.array([[focal, 0, size[0] / 2], [0, focal, size[1] / 2], [0, 0, 1]])
    return camera @ np.column_stack([rotation[:, 0], rotation[:, 1], place])


def shot(tmp_path, matrix, card=SLIP, size=SIZE, change=None, quality=95):
    """A photo of the card alone on white paper; a PNG where ``quality`` is None."""
    margin = 12.0
    extent = (-margin, -margin, card.size_mm[0] + margin, card.size_mm[1] + margin)
    rgb = np.array([srgb_decode(np.array(p.srgb) / 255) for p in card.patches]) * 0.8
    flat = synthetic.draw_flat(card, rgb, [], extent, np.full(3, 0.8, np.float32))
    if change is not None:
        change(flat, lambda mm: np.round((np.asarray(mm) + margin) * synthetic.SCALE).astype(int))
    linear = synthetic.photograph(flat, extent, matrix, size)
    name = "photo.png" if quality is None else "photo.jpg"
    return open_photo(synthetic.save(tmp_path / name, linear, quality=quality))


def worst_px(view, matrix, card=SLIP) -> float:
    width, height = card.size_mm
    grid = np.stack(np.meshgrid(np.linspace(0, width, 7), np.linspace(0, height, 5)), axis=-1)
    return float(np.abs(view.to_px(grid) - apply_homography(matrix, grid)).max())


@pytest.mark.slow
@pytest.mark.parametrize("rotation", [0, 37, 90, 180, 251])
def test_any_rotation(tmp_path, rotation):
    matrix = pinhole(share=0.5, rotation_deg=rotation)
    view = locate(shot(tmp_path, matrix), builtin_cards())
    assert view.card.name == "slip"
    assert view.markers_found == tuple(m.id for m in SLIP.markers)
    assert worst_px(view, matrix) < 0.6
    assert tilt_of(view) < 3


@pytest.mark.parametrize("tilt", [15, 30, 40])
def test_tilt_up_to_forty_degrees(tmp_path, tilt):
    matrix = pinhole(share=0.45, tilt_deg=tilt, towards_deg=200)
    view = locate(shot(tmp_path, matrix), builtin_cards())
    assert len(view.markers_found) == 4
    assert worst_px(view, matrix) < 0.8
    assert tilt_of(view) == pytest.approx(tilt, abs=4)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.15, 0.3, 0.9])
@pytest.mark.parametrize("card", [SLIP, FRAME], ids=["slip", "frame"])
def test_from_far_to_near(tmp_path, share, card):
    matrix = pinhole(share=share, card=card, rotation_deg=4, size=LARGE)
    view = locate(shot(tmp_path, matrix, card=card, size=LARGE), builtin_cards())
    assert view.card.name == card.name
    assert len(view.markers_found) >= 3
    assert worst_px(view, matrix, card) < 1.0
    expected = np.sqrt(np.linalg.det(local_jacobian(matrix, *np.array(card.size_mm) / 2)))
    assert view.pixels_per_mm == pytest.approx(expected, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("hidden", range(4))
def test_one_marker_hidden(tmp_path, hidden):
    def cover(flat, px):
        x, y, w, h = SLIP.markers[hidden].rect_mm
        a, b = px((x - 1, y - 1)), px((x + w + 1, y + h + 1))
        flat[a[1] : b[1], a[0] : b[0]] = 0.3

    matrix = pinhole(share=0.5, tilt_deg=12)
    view = locate(shot(tmp_path, matrix, change=cover), builtin_cards())
    assert len(view.markers_found) == 3
    assert set(view.markers_found) == {m.id for m in SLIP.markers} - {SLIP.markers[hidden].id}
    assert worst_px(view, matrix) < 1.0
    flag = next(f for f in view.flags if f.code == "marker-missing")
    assert flag.detail.startswith("three of four card markers found; the ")


def test_partly_shaded_card(tmp_path):
    def shade(flat, px):
        a = px((80, 0))
        flat[:, a[0] :] *= 0.12

    matrix = pinhole(share=0.5)
    view = locate(shot(tmp_path, matrix, change=shade), builtin_cards())
    assert len(view.markers_found) == 4


def test_agrees_with_opencv_find_homography(tmp_path):
    """Our fit over all corners equals OpenCV's least-squares homography of the same points."""
    matrix = pinhole(share=0.6, tilt_deg=20, rotation_deg=10)
    view = locate(shot(tmp_path, matrix), builtin_cards())
    mm = np.concatenate([m.corners_mm for m in SLIP.markers])
    theirs, _ = cv2.findHomography(mm, apply_homography(matrix, mm))
    grid = np.array([(0, 0), (150, 0), (75, 30), (150, 65), (0, 65)], float)
    np.testing.assert_allclose(view.to_px(grid), apply_homography(theirs, grid), atol=0.6)
    np.testing.assert_allclose(view.to_mm(view.to_px(grid)), grid, atol=1e-6)


def cover_all_but_one(flat, px):
    for marker in SLIP.markers[1:]:
        x, y, w, h = marker.rect_mm
        a, b = px((x - 1, y - 1)), px((x + w + 1, y + h + 1))
        flat[a[1] : b[1], a[0] : b[0]] = 0.3


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "blur", "scale", "says"),
    [
        (cover_all_but_one, None, 1.0, "one of four card markers found"),
        (None, (30, 30), 1.0, "out of focus"),
        (None, (16, 0.5), 1.0, "shaken"),
        (None, None, 0.0002, "very dark"),
        (None, None, 30.0, "burnt out"),
    ],
)
def test_failure_is_explained(tmp_path, change, blur, scale, says):
    extent = (-12.0, -12.0, 162.0, 77.0)
    rgb = np.array([srgb_decode(np.array(p.srgb) / 255) for p in SLIP.patches]) * 0.8
    flat = synthetic.draw_flat(SLIP, rgb, [], extent, np.full(3, 0.8, np.float32))
    if change is not None:
        change(flat, lambda mm: np.round((np.asarray(mm) + 12) * synthetic.SCALE).astype(int))
    linear = synthetic.photograph(flat, extent, pinhole(share=0.7), SIZE)
    if blur:
        linear = cv2.GaussianBlur(linear, (0, 0), *blur)
    photo = open_photo(synthetic.save(tmp_path / "p.jpg", linear * scale, quality=95))
    with pytest.raises(PhotoUnfit) as caught:
        locate(photo, builtin_cards())
    assert says in caught.value.seen
    assert caught.value.todo
    assert caught.value.exit_code == 5


def test_sheet_is_in_true_millimetres(tmp_path):
    """A square of 20 mm drawn at a known place measures 20 mm on the sheet, in linear light."""

    def square(flat, px):
        a, b = px((60, 66)), px((80, 76))
        flat[a[1] : b[1], a[0] : b[0]] = (0.5, 0.1, 0.05)

    matrix = pinhole(share=0.6, tilt_deg=25, rotation_deg=100)
    photo = shot(tmp_path, matrix, change=square, quality=None)
    sheet = rectify(photo, locate(photo, builtin_cards()))
    red = sheet.rgb_linear[..., 2] < 0.2
    x, y = sheet.grid_mm()
    inside = red & (y[:, None] > 65) & (y[:, None] < 77) & (x > 55) & (x < 85)
    rows, columns = np.nonzero(inside)
    assert x[columns].min() == pytest.approx(60, abs=0.5)
    assert x[columns].max() == pytest.approx(80, abs=0.5)
    assert y[rows].min() == pytest.approx(66, abs=0.5)
    assert y[rows].max() == pytest.approx(76, abs=0.5)
    middle = sheet.rgb_linear[sheet.window((63, 68, 14, 6))].reshape(-1, 3).mean(axis=0)
    np.testing.assert_allclose(middle, (0.5, 0.1, 0.05), atol=0.004)
    assert sheet.clipped[sheet.window((63, 68, 14, 6))].max() == 0


def test_clipped_pixels_are_known(tmp_path):
    def burn(flat, px):
        a, b = px((60, 66)), px((80, 76))
        flat[a[1] : b[1], a[0] : b[0]] = 2.0

    photo = shot(tmp_path, pinhole(share=0.6), change=burn, quality=None)
    sheet = rectify(photo, locate(photo, builtin_cards()))
    assert sheet.clipped[sheet.window((63, 68, 14, 6))].min() > 0.9
    assert sheet.clipped[sheet.window((20, 50, 30, 2))].max() < 0.05


def test_mirrored_photo_is_told(tmp_path):
    matrix = np.diag([-1.0, 1.0, 1.0]) @ pinhole(share=0.6)
    matrix = np.array([[1, 0, SIZE[0]], [0, 1, 0], [0, 0, 1.0]]) @ matrix
    with pytest.raises(PhotoUnfit, match="mirrored"):
        locate(shot(tmp_path, matrix), builtin_cards())
