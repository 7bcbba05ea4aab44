"""The photo renderer: its physics against published relations, its truth against what an
independent detector and plain regression find in the rendered pixels."""

from __future__ import annotations

import io
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.card.toml import builtin_cards, card_from_dict, read_card
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import P3_TO_XYZ_D50, srgb_decode, xyz_to_lab
from fixtures.cardprint import print_card
from fixtures.inkfilm import film_reflectance, ink_reflectance, to_inside, to_outside
from fixtures.layout import Box, number_strips, plan
from fixtures.optics import stand
from fixtures.profiles import icc_profile
from fixtures.render import random_spec, render
from fixtures.scenes import film_lab, near_recipe
from fixtures.spec import StripSpec
from fixtures.spectra import (
    WAVELENGTHS_NM,
    camera_weights,
    lab_d50,
    pigment_names,
    pigments,
    random_paper,
    xyz_d50,
)

SIZE = {"width_px": 1000, "height_px": 750}
PLAIN = {
    "card_shape": "slip", "layout": "below", "direction": "vertical", "paper": "plain",
    "shadow": "none", "glare": 0.0, "lamp": "D50", "lamp_2": None, "light_fall": 0.02,
    "vignette": 0.0,
    "veil": 0.0, "sheen": 0.0, "local_tone": 0.0, "shading": (0.0, 0.0),
    "tilt_deg": 4.0, "rotation_deg": 3.0, "card_share": 0.85, "camera": 0,
    "tone": 0.0, "shoulder": 0.0, "saturation": 1.0, "flare": 0.0, "noise": 0.002,
    "white_balance": (1.0, 1.0), "gamut": "sRGB", "sharpen": 0.0, "jpeg_quality": 95,
    "card_glow": 0.0, "paper_glow": 0.0, "exposure": 0.8, "distortion": 0.004, "clutter": (),
}  # fmt: skip
STRIPS = (
    StripSpec((("PB15:3", 6.0), ("PW6", 94.0)), length_mm=60, streaks=0),
    StripSpec((("PB15:3", 4.0), ("PW6", 96.0)), length_mm=60, streaks=0),
)


@pytest.fixture(scope="module")
def scene():
    return render(random_spec(5, strips=STRIPS, **PLAIN, width_px=1600, height_px=1200))


# Ink ------------------------------------------------------------------------------------
# Kubelka 1948, J. Opt. Soc. Am. 38, 448, hyperbolic solution; values computed in high
# precision from it (the layer X = 200 is opaque; K or S = 0 are its closed limits).
@pytest.mark.parametrize(
    ("k", "s", "film", "ground", "expected"),
    [
        (5, 5, 200, 0.8, 0.267949192431123),
        (0.5, 1, 1, 0.8, 0.435599835118526),
        (0.5, 1, 1, 0.0, 0.346546065857286),
        (2, 0, 0.5, 0.85, 0.115034990751121),
        (0, 1, 1, 0.0, 0.5),
        (0, 1, 1, 0.5, 0.666666666666667),
        (0.2, 2, 0.5, 0.85, 0.738176181313521),
        (3, 0.05, 0.4, 0.85, 0.0820588499226496),
    ],
)
def test_film_limits(k, s, film, ground, expected):
    # 1e-4: the renderer holds K and S a hair above zero.
    assert film_reflectance(k, s, film, ground) == pytest.approx(expected, abs=1e-4)


def test_film_solves_the_differential_equation():
    # dR/dX = S - 2 (K + S) R + S R^2 (Kubelka and Munk 1931), integrated by Runge-Kutta.
    k, s, r, step = 0.7, 1.3, 0.82, 1e-3
    for _ in range(900):

        def slope(v):
            return s - 2 * (k + s) * v + s * v * v

        a = slope(r)
        b = slope(r + step / 2 * a)
        c = slope(r + step / 2 * b)
        r += step / 6 * (a + 2 * b + 2 * c + slope(r + step * c))
    assert film_reflectance(k, s, 0.9, 0.82) == pytest.approx(r, abs=1e-10)


def test_surface_correction_inverts():
    # Saunderson 1942, specular excluded: 0.5 inside with k1 .03, k2 .65 by hand.
    assert to_outside(0.5) == pytest.approx(0.97 * 0.35 * 0.5 / (1 - 0.325), rel=1e-12)
    r = np.linspace(0.01, 0.99, 9)
    np.testing.assert_allclose(to_inside(to_outside(r)), r, atol=1e-12)


def test_unit_film_of_white_covers_as_stated():
    # Kubelka 1948 with K = 0, S X = 4 over .8: (.8 + .2 * 4) / 1.8 over 4 / 5.
    k, s = pigments(None)["PW6"]
    middle = np.argmin(np.abs(WAVELENGTHS_NM - 550))
    ratio = [float(film_reflectance(k, s, 1.0, g)[middle]) for g in (0.0, 0.8)]
    assert ratio[0] / ratio[1] == pytest.approx(0.9, abs=0.02)


def test_thin_films_tend_to_paper_and_base_lets_it_through():
    paper = random_paper(np.random.default_rng(2), 0.86, 0.03, 0.0).reflectance()
    shelf = pigments(None)
    tint = (("PB15:3", 5.0), ("PW6", 95.0))
    assert np.allclose(ink_reflectance(tint, shelf, 0.0, paper)[0], paper)
    base = film_lab((("base", 1.0),), 1.0, None, paper)
    assert delta_e_2000(base, lab_d50(paper)) < 3


def test_pigments_keep_their_colour_between_batches():
    paper = np.full(len(WAVELENGTHS_NM), 0.86)
    for name in pigment_names():
        mix = ((name, 5.0), ("PW6", 95.0))
        change = delta_e_2000(film_lab(mix, 1.0, None, paper), film_lab(mix, 1.0, 12, paper))
        assert change < 9, name


# Colour ---------------------------------------------------------------------------------
def test_perfect_white_is_lab_white():
    np.testing.assert_allclose(lab_d50(np.ones(len(WAVELENGTHS_NM))), [100, 0, 0], atol=1e-9)


def test_lab_agrees_with_colour_science():
    # colour-science, sd_to_XYZ by integration (CIE 15:2018) with D50 and the 2 degree observer.
    import colour

    rng = np.random.default_rng(3)
    for _ in range(4):
        at, wide = rng.uniform(430, 650), rng.uniform(40, 90)
        r = 0.1 + 0.7 * np.exp(-0.5 * ((WAVELENGTHS_NM - at) / wide) ** 2)
        sd = colour.SpectralDistribution(r, WAVELENGTHS_NM)
        sd = sd.interpolate(
            colour.SpectralShape(380, 730, 1), interpolator=colour.LinearInterpolator
        )
        lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(sd.shape)
        observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(sd.shape)
        xyz = colour.sd_to_XYZ(sd, observer, lamp, method="Integration") / 100
        white = colour.sd_to_XYZ(sd * 0 + 1.0, observer, lamp, method="Integration") / 100
        assert delta_e_2000(lab_d50(r), xyz_to_lab(xyz, white)) < 0.15


def test_cameras_see_all_three_bands():
    for index in (0, 1, 2, 77):
        weights = camera_weights(index, "D65")
        assert weights.shape == (len(WAVELENGTHS_NM), 3)
        assert np.all(weights >= 0)
        assert np.linalg.matrix_rank(weights) == 3


def test_p3_profile_reads_in_littlecms():
    from PIL import Image, ImageCms

    colours = np.array([[[128, 128, 128], [200, 120, 60], [90, 140, 110]]], np.uint8)
    image = Image.fromarray(colours)
    p3 = ImageCms.ImageCmsProfile(io.BytesIO(icc_profile("P3")))
    assert "P3" in ImageCms.getProfileDescription(p3)
    out = np.asarray(ImageCms.profileToProfile(image, p3, ImageCms.createProfile("sRGB")), float)
    from calibration.colour.spaces import xyz_d50_to_srgb

    expected = 255 * xyz_d50_to_srgb(srgb_decode(colours / 255.0) @ P3_TO_XYZ_D50.T)
    np.testing.assert_allclose(out, expected, atol=1.5)


@pytest.mark.parametrize("card", builtin_cards(), ids=lambda c: c.name)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_home_print_is_near_the_drawn_card(card, seed):
    spec = random_spec(seed, card_shape=card.name)
    lab = print_card(spec, card).lab_d50
    white, black = card.with_role("white"), card.with_role("black")
    assert np.all((lab[white, 0] > 91) & (lab[white, 0] < 98))
    assert np.all((lab[black, 0] > 7) & (lab[black, 0] < 24))
    far = delta_e_2000(lab, card.lab_d50)
    assert 1.5 < np.median(far) < 8.5


# Scenes ---------------------------------------------------------------------------------
def test_same_seed_same_bytes():
    first, again = (render(random_spec(11, **SIZE)) for _ in range(2))
    assert first.jpeg() == again.jpeg()
    assert first.truth.to_dict() == again.truth.to_dict()
    assert first.jpeg() != render(random_spec(12, **SIZE)).jpeg()


def test_an_independent_detector_finds_the_markers_where_truth_says(scene):
    # OpenCV's ArUco detector on the rendered picture.
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    grey = cv2.cvtColor(scene.rgb8, cv2.COLOR_RGB2GRAY)
    corners, ids, _ = cv2.aruco.ArucoDetector(words, settings).detectMarkers(grey)
    found = dict(zip(ids.ravel().tolist(), corners, strict=True))
    for marker in scene.truth.card.markers:
        expected = cv2.perspectiveTransform(marker.corners_mm[None], scene.truth.mm_to_px)[0]
        assert np.max(np.abs(found[marker.id][0] - expected)) < 1.2


def test_homography_takes_the_card_to_its_corners(scene):
    w, h = scene.truth.card.size_mm
    card = np.array([[(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)]])
    mapped = cv2.perspectiveTransform(card, scene.truth.mm_to_px)[0]
    assert np.max(np.abs(mapped - scene.truth.card_corners_px)) < 1.0


def _mean_linear(scene, quad_px: np.ndarray) -> np.ndarray:
    mask = np.zeros(scene.rgb8.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(quad_px).astype(np.int32)], 255)
    return srgb_decode(scene.rgb8[mask > 0] / 255.0).mean(axis=0)


def test_patches_and_strips_have_the_colours_that_truth_states(scene):
    # A straight-line camera under one D50 lamp: a plain 3 x 3 regression from the pixels to
    # the true XYZ of the print must leave little, and must carry over to the strips.
    truth, quads = scene.truth, []
    for x, y, w, h in truth.card.rects_mm:
        inner = [(x + 2, y + 2), (x + w - 2, y + 2), (x + w - 2, y + h - 2), (x + 2, y + h - 2)]
        quads.append(cv2.perspectiveTransform(np.array([inner], float), truth.mm_to_px)[0])
    seen = np.array([_mean_linear(scene, q) for q in quads])
    printed = print_card(scene.spec, plan(scene.spec).card)
    xyz = xyz_d50(printed.printer.reflectance(printed.areas))
    matrix = np.linalg.lstsq(seen, xyz, rcond=None)[0]
    assert np.median(delta_e_2000(xyz_to_lab(seen @ matrix), truth.card_lab_true)) < 2.5
    lab = np.array([xyz_to_lab(_mean_linear(scene, s.body_px) @ matrix) for s in truth.strips])
    measured = delta_e_2000(lab[0], lab[1])
    assert truth.de00[0, 1] > 3
    assert measured == pytest.approx(truth.de00[0, 1], rel=0.12)


def test_body_film_is_what_was_asked_for(scene):
    for strip, asked in zip(scene.truth.strips, scene.spec.strips, strict=True):
        assert strip.film_mean == pytest.approx(asked.film, rel=0.08)
        assert strip.film_sd < 0.12 * asked.film
        assert delta_e_2000(strip.lab_d50, strip.lab_d50_even_film) < 1.0


def test_measured_card_differs_from_truth_by_its_stated_noise(scene):
    error = scene.truth.card.lab_d50 - scene.truth.card_lab_true
    assert scene.truth.card.provenance == "measured"
    assert error.std() == pytest.approx(scene.spec.measured_u, rel=0.25)


def test_truth_survives_json(scene, tmp_path):
    scene.save_jpeg(tmp_path / "photo.jpg")
    from PIL import Image

    with Image.open(tmp_path / "photo.jpg") as photo:
        assert photo.size == scene.rgb8.shape[1::-1]
        assert photo.info["icc_profile"] == icc_profile("sRGB")
    data = json.loads((tmp_path / "photo.json").read_text(encoding="utf-8"))
    assert card_from_dict(data["card"]).name == "slip"
    assert [s["number"] for s in data["strips"]] == [1, 2]
    assert data["usable"] is True


@pytest.mark.parametrize("seed", range(0, 60))
def test_random_scenes_hold_card_and_strips(seed):
    spec = random_spec(seed)
    layout = plan(spec)
    pose = stand(spec, layout.keep_mm, layout.card.size_mm)
    px = pose.to_px(layout.keep_mm)
    assert np.all(px > 0)
    assert np.all(px < [pose.width_px, pose.height_px])
    assert spec.tilt_deg <= 40
    assert sorted(layout.numbers) == list(range(1, len(spec.strips) + 1))
    if len(spec.strips) >= 2:
        assert layout.numbers[:2] == (1, 2)


def test_pixels_and_millimetres_go_both_ways():
    spec = random_spec(4, distortion=0.01, tilt_deg=30.0)
    layout = plan(spec)
    pose = stand(spec, layout.keep_mm, layout.card.size_mm)
    px = pose.to_px(layout.keep_mm)
    back = np.stack(pose.to_mm(px[:, 0], px[:, 1]), axis=1)
    np.testing.assert_allclose(back, layout.keep_mm, atol=0.02)


def test_batches_lie_as_far_off_as_asked():
    paper = np.full(len(WAVELENGTHS_NM), 0.86)
    recipe = (("PB15:3", 5.0), ("PY74", 3.0), ("PW6", 92.0))

    def lab_of(mix):
        return film_lab(mix, 1.0, 3, paper)

    for target in (0.5, 2.0, 6.0):
        batch = near_recipe(np.random.default_rng(1), recipe, target, lab_of)
        assert [n for n, _ in batch] == [n for n, _ in recipe]
        assert delta_e_2000(lab_of(recipe), lab_of(batch)) == pytest.approx(target, abs=0.02)


def test_numbering_is_left_to_right_then_down():
    boxes = tuple(
        Box((x, y), (10.0, 30.0)) for x, y in [(50, 0), (0, 40), (1, 0), (52, 40), (90, 9)]
    )
    assert number_strips(boxes) == (2, 4, 1, 5, 3)


def test_spoiled_scenes_say_so():
    spec = random_spec(2, difficulty="unusable")
    assert spec.unusable
    with pytest.raises(TypeError, match="no_such_field"):
        random_spec(2, no_such_field=1)


@pytest.mark.parametrize(
    "name", ["match", "no-match", "too-close", "base", "dark", "unusable"], ids=str
)
def test_demo_photos_show_the_card_of_today(name):
    # A demo photo made before the card's last change would mislead: run fixtures.demo again.
    folder = Path(__file__).parents[1] / "fixtures" / "photos"
    assert (folder / f"{name}.jpg").stat().st_size < 1.5e6
    data = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    shown = card_from_dict(data["card"])
    today = next(c for c in builtin_cards() if c.name == shown.name)
    assert [(p.name, p.rect_mm, p.srgb) for p in shown.patches] == [
        (p.name, p.rect_mm, p.srgb) for p in today.patches
    ]
    assert shown.markers == today.markers
    measured = read_card(folder / f"{shown.name}-measured.toml")
    close = delta_e_2000(measured.lab_d50, np.array(data["card_lab_true"]))
    assert np.median(close) < 1.0
