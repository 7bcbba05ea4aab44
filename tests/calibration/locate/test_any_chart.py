"""Charts of others: any number of markers of any dictionary, in any order and turn, or none
and the corners by hand.

What is true is the homography the photo was drawn with (tests/synthetic.py); markers are drawn
by OpenCV. The colours of the last tests are spectra as colour-science carries them (see
tests/calibration/correction/test_way_to_lab.py). That a person clicks within one per cent of the
card's width is our own requirement, no source."""

from __future__ import annotations

import itertools
import warnings
from dataclasses import replace
from pathlib import Path

import charts
import cv2
import numpy as np
import pytest
from charts import SIZE, codes, photo_of, seen

from calibration.card.definition import Marker
from calibration.correction.patches import read_patches
from calibration.errors import PhotoUnfit
from calibration.locate.find_card import locate
from calibration.locate.patch_align import look, placement_sd_mm
from calibration.locate.sheet import Sheet

pytestmark = pytest.mark.slow

LAB = charts.colours()
IDS = (13, 2, 9, 5, 21, 3, 17, 8)
DICTIONARIES = [
    "DICT_4X4_50", "DICT_5X5_100", "DICT_6X6_250", "DICT_7X7_1000", "DICT_APRILTAG_36h11",
    "DICT_ARUCO_ORIGINAL", "DICT_APRILTAG_16h5",
]  # fmt: skip
# A patch is read from its inner two thirds: this much of its side may be missed.
NEAR = 0.08


def with_ids(card, ids):
    markers = [Marker(i, m.rect_mm) for i, m in zip(ids, card.markers, strict=True)]
    return replace(card, markers=tuple(markers))


@pytest.mark.parametrize("count", range(2, 9))
def test_two_to_eight_markers_of_any_dictionary_and_size(tmp_path, count):
    card = charts.chart(
        LAB, columns=6 if count % 2 else 4, ids=IDS[:count], dictionary=DICTIONARIES[count - 2],
        sizes=(12.0, 10.0, 13.0),
    )  # fmt: skip
    matrix = charts.view_of(card, SIZE, turn=15 * count)
    view = seen(tmp_path, card, matrix)
    assert set(view.markers_found) == set(IDS[:count])
    assert charts.patch_miss(view, matrix) < 0.04
    assert not view.flags


@pytest.mark.parametrize("columns", [6, 4], ids=["landscape", "portrait"])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_photo_turned_any_way_and_markers_listed_in_any_order(tmp_path, columns, turn):
    card = charts.chart(LAB, columns=columns, ids=IDS[:3])
    order = list(itertools.permutations(card.markers))[turn // 60]
    matrix = charts.view_of(card, SIZE, turn=turn)
    view = seen(tmp_path, replace(card, markers=order), matrix)
    assert charts.patch_miss(view, matrix) < 0.02
    assert not view.flags


@pytest.mark.parametrize("places", [[(0, 0), (0, 1)], [(1, 0.5), (1, 0)], [(0, 0), (0.2, 0)]])
def test_far_side_of_two_markers_is_found_by_the_patches(tmp_path, places):
    """Two markers at one side or close together leave the far side open; a lens (2 % barrel)
    bends it further away. The true place is that of the undistorted photo, so the bend itself
    counts as a miss here."""
    card = charts.chart(LAB, ids=(3, 7), places=places, sizes=(10.0,))
    matrix = charts.view_of(card, SIZE)
    view = seen(tmp_path, card, matrix)
    assert charts.patch_miss(view, matrix) < NEAR
    assert 0 < view.place_error_mm < 0.08 * charts.SIDE
    bent = photo_of(tmp_path, card, matrix, lens=0.02)
    shown = locate(bent, (card,))
    assert look(bent.rgb_encoded, shown.mm_to_px, card).evenness < 0.08


@pytest.mark.parametrize(
    ("count", "order"), [(2, (1, 0)), (3, (2, 0, 1)), (4, (2, 3, 1, 0)), (6, (5, 2, 3, 0, 1, 4))]
)
def test_ids_listed_for_the_wrong_corners(tmp_path, count, order):
    card = charts.chart(LAB, columns=4, ids=IDS[:count])
    drawn = with_ids(card, [IDS[k] for k in order])
    matrix = charts.view_of(card, SIZE, turn=200)
    view = seen(tmp_path, card, matrix, drawn=drawn)
    assert len(view.markers_found) == count
    assert charts.patch_miss(view, matrix) < 0.04
    assert codes(view) == ["markers-elsewhere"]


def test_ids_that_the_definition_does_not_know(tmp_path):
    card = charts.chart(LAB, ids=(0, 1, 2, 3))
    matrix = charts.view_of(card, SIZE, turn=90)
    view = seen(tmp_path, card, matrix, drawn=with_ids(card, (44, 60, 71, 12)))
    assert charts.patch_miss(view, matrix) < 0.04
    assert codes(view) == ["markers-elsewhere"]


@pytest.mark.parametrize("count", [2, 4])
@pytest.mark.parametrize("same", [True, False], ids=["alike", "each-otherwise"])
def test_markers_printed_turned_against_the_card(tmp_path, count, same):
    """AprilTags as their makers draw them stand upside down against OpenCV's."""
    card = charts.chart(LAB, ids=IDS[:count], dictionary="DICT_APRILTAG_36h11")

    def turn(flat, px):
        for k, marker in enumerate(card.markers):
            x, y, w, h = marker.rect_mm
            a, b = px((x, y)), px((x + w, y + h))
            window = flat[a[1] : b[1], a[0] : b[0]]
            window[:] = np.rot90(window, 2 if same else k + 1).copy()

    matrix = charts.view_of(card, SIZE, turn=270)
    view = seen(tmp_path, card, matrix, change=turn)
    assert len(view.markers_found) == count
    assert charts.patch_miss(view, matrix) < 0.04
    assert not view.flags


def test_ids_in_doubt_and_colours_that_do_not_tell_are_explained(tmp_path):
    """A chart of one colour all over looks the same either way round."""
    card = charts.chart(LAB, ids=(3, 7))
    grey = np.full((24, 3), 0.3)
    photo = photo_of(tmp_path, card, charts.view_of(card, SIZE), drawn=with_ids(card, (7, 3)),
                     rgb=grey)  # fmt: skip
    with pytest.raises(PhotoUnfit, match="do not lie as the definition") as caught:
        locate(photo, (card,))
    assert "`card_corners`" in caught.value.todo


@pytest.mark.parametrize(("count", "hidden"), [(3, 1), (5, 3), (8, 5)])
def test_hidden_markers(tmp_path, count, hidden):
    card = charts.chart(LAB, ids=IDS[:count])

    def change(flat, px):
        for marker in card.markers[:hidden]:
            charts.cover(marker)(flat, px)

    matrix = charts.view_of(card, SIZE, turn=5)
    view = seen(tmp_path, card, matrix, change=change)
    assert view.markers_found == IDS[hidden:count]
    assert not set(view.markers_found) & set(IDS[:hidden])
    assert charts.patch_miss(view, matrix) < 0.04
    assert codes(view) == ["marker-missing"]


def test_one_marker_left_points_to_the_corners_by_hand(tmp_path):
    card = charts.chart(LAB, ids=(3, 7))
    photo = photo_of(
        tmp_path, card, charts.view_of(card, SIZE), change=charts.cover(card.markers[0])
    )
    with pytest.raises(PhotoUnfit, match="one of two card markers") as caught:
        locate(photo, (card,))
    assert "`card_corners`" in caught.value.todo


@pytest.mark.parametrize("swapped", [False, True])
def test_markers_of_something_else_in_view(tmp_path, swapped):
    card = charts.chart(LAB, ids=(13, 2))
    others = (40, 41, 42, 43)

    def strangers(flat, px):
        known = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
        for k, number in enumerate(others):
            x, y = px((6 + 30 * k, card.size_mm[1] + 15 + 8 * (k % 2)))
            cells = cv2.aruco.generateImageMarker(known, number, 84) / 255 * 0.7
            flat[y : y + 84, x : x + 84] = cells[..., None]

    matrix = charts.view_of(card, SIZE, below=60, share=0.95)
    drawn = with_ids(card, (2, 13)) if swapped else card
    view = seen(tmp_path, card, matrix, below=60, change=strangers, drawn=drawn)
    assert charts.patch_miss(view, matrix) < 0.06
    assert set(view.other_markers) == set(others)
    assert codes(view) == (["markers-elsewhere"] if swapped else [])


@pytest.mark.parametrize("count", [2, 4])
@pytest.mark.parametrize("covered", [False, True])
def test_two_copies_of_the_chart(tmp_path, count, covered):
    card = charts.chart(LAB, ids=IDS[:count])
    down = card.size_mm[1] + 15

    def change(flat, px):
        a, b, c = px((0, 0)), px(card.size_mm), px((0, down))
        h, w = b[1] - a[1], b[0] - a[0]
        flat[c[1] : c[1] + h, c[0] : c[0] + w] = flat[a[1] : b[1], a[0] : b[0]]
        if covered:
            charts.cover(card.markers[0])(flat, px)

    matrix = charts.view_of(card, SIZE, below=down + 10, share=0.95)
    view = seen(tmp_path, card, matrix, below=down + 10, change=change)
    second = matrix @ np.array([[1, 0, 0], [0, 1, down], [0, 0, 1.0]])
    misses = charts.patch_miss(view, matrix), charts.patch_miss(view, second)
    assert len(view.markers_found) == count
    if covered:
        assert misses[1] < 0.08
        assert not view.flags
    else:
        assert min(misses) < 0.08
        assert codes(view) == ["card-twice"]


# Reading patches that lie a little aside ---------------------------------------------------
def flat_sheet(card, shift_mm, scale=3.0) -> tuple[Sheet, np.ndarray]:
    """The card as seen from above, drawn aside by ``shift_mm``; and its colours."""
    rgb = 0.8 * charts.rgb_of(card.lab_d50)
    width, height = card.size_mm
    picture = np.full((round(height * scale), round(width * scale), 3), 0.7, np.float32)
    for (x, y, w, h), colour in zip(card.rects_mm, rgb, strict=True):
        a, b = round((x + shift_mm[0]) * scale), round((y + shift_mm[1]) * scale)
        picture[b : b + round(h * scale), a : a + round(w * scale)] = colour
    picture *= np.random.default_rng(0).normal(1, 0.01, picture.shape).astype(np.float32)
    zero = np.zeros(picture.shape[:2], np.float32)
    return Sheet(picture, zero == 0, zero, zero, (0.0, 0.0), scale), rgb


@pytest.mark.parametrize("gap", [0.0, 2.0])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.15, 0.25])
def test_patches_a_seventh_aside_are_read_and_never_their_neighbours(gap, share):
    card = charts.chart(LAB, ids=(), gap=gap)
    aside = share * charts.SIDE
    for shift in ((aside, 0.0), (-aside, aside), (0.0, -aside)):
        sheet, rgb = flat_sheet(card, shift)
        got = read_patches(sheet, card)
        assert got.usable.all()
        np.testing.assert_allclose(got.rgb, rgb, rtol=0.03, atol=0.002)


def test_less_of_a_patch_is_read_when_its_place_is_unsure():
    card = charts.chart(LAB, ids=())
    sheet, _ = flat_sheet(card, (0.0, 0.0))
    sure, unsure = read_patches(sheet, card), read_patches(sheet, card, 1.5)
    # Fewer pixels, so a larger standard error of the mean: (1 - 0.34)/(1 - 0.59) and more.
    assert np.median(unsure.noise / sure.noise) > 1.3


def test_uncertainty_of_a_place_against_simulated_corners():
    """The stated standard uncertainty against homographies that OpenCV fits to noisy corners
    (Monte Carlo, JCGM 101:2008)."""
    card = charts.chart(LAB, ids=(3, 7), places=[(0, 0), (0, 1)])
    matrix = charts.view_of(card, SIZE)
    mm = np.concatenate([m.corners_mm for m in card.markers])
    px = cv2.perspectiveTransform(mm[None], matrix)[0]
    centres = card.rects_mm[:, :2] + card.rects_mm[:, 2:] / 2
    rng = np.random.default_rng(0)
    seen_at = cv2.perspectiveTransform(centres[None], matrix)
    away = []
    for _ in range(400):
        noisy, _ = cv2.findHomography(mm, px + rng.normal(0, 0.1, px.shape), 0)
        away.append(cv2.perspectiveTransform(seen_at, np.linalg.inv(noisy))[0] - centres)
    simulated = np.sqrt(np.mean(np.square(away), axis=(0, 2)))
    stated = placement_sd_mm(card, matrix, mm, px, 0.1)
    np.testing.assert_allclose(stated, simulated, rtol=0.2)


# The whole way -----------------------------------------------------------------------------
@pytest.mark.parametrize(("columns", "count"), [(4, 2), (6, 0)], ids=["two", "by-hand"])
def test_strips_measured_with_a_chart_of_others(tmp_path, columns, count):
    """Measured when written: median 0.47, worst 0.78 for two to eight markers and by hand,
    landscape and portrait (tests/benchmarks/any_chart.py)."""
    pytest.importorskip("colour")
    from benchmarks import any_chart

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # colour-science on what it lacks for plotting
        lab = any_chart.spectral.lab_d50(any_chart.spectral.chart_spectra())
        card = charts.chart(lab, columns=columns, ids=IDS[:count])
        out = any_chart.run(
            Path(tmp_path), card, lamp="D65", lens=0.01, turn=90, by_hand=count == 0, seed=7
        )
    assert not isinstance(out, str), out
    held_out, error = out[0].correction.held_out_median, out[1]
    assert held_out < 0.8
    assert error.size == 8
    assert np.median(error) < 0.8
    assert error.max() < 1.6
