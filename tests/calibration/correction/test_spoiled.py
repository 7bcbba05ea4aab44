"""A lamp mirrored in the card: found on patches that are uneven inside, told by its colour.

Sources: what a lamp adds is its own colour (dichroic reflection model, Shafer 1985, Color
Research and Application 10, 210); a shadow multiplies the patch's own. The photographs are
rendered by the fixtures; the lamp's image is added to them here, as light.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.card.toml import builtin_cards
from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz, srgb_decode, srgb_encode
from calibration.correction.patches import read_patches
from calibration.correction.spoiled import beside, uneven_patches
from calibration.locate.find_card import locate
from calibration.locate.sheet import Sheet
from calibration.photo.open import open_photo
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips

SLIP = builtin_cards()[0]
NAMES = [p.name for p in SLIP.patches]
PHOTO = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "match.jpg"
SCALE = 2.5


def plane(noise: float = 0.003, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear RGB (h, w, 3) of a slip seen from above, with the millimetres of its pixels."""
    rng = np.random.default_rng(seed)
    w, h = (round(v * SCALE) for v in SLIP.size_mm)
    rgb = np.full((h, w, 3), 0.85)
    x, y = np.meshgrid((np.arange(w) + 0.5) / SCALE, (np.arange(h) + 0.5) / SCALE)
    colours = np.clip(lab_to_xyz(SLIP.lab_d50) @ np.linalg.inv(SRGB_TO_XYZ_D50).T, 0.004, 1) * 0.85
    for (px, py, pw, ph), colour in zip(SLIP.rects_mm, colours, strict=True):
        rgb[(x >= px) & (x < px + pw) & (y >= py) & (y < py + ph)] = colour
    rgb *= 1 + 0.02 * x[..., None] / 150  # a lamp to the right
    return rgb + rng.normal(0, noise, rgb.shape) * np.sqrt(rgb), x, y


def found(rgb: np.ndarray) -> tuple[list[str], list[str], np.ndarray]:
    edge = np.zeros(rgb.shape[:2], np.float32)
    sheet = Sheet(rgb.astype(np.float32), edge == 0, edge, edge, (0.0, 0.0), SCALE)
    uneven, shines = uneven_patches(read_patches(sheet, SLIP), SLIP)
    return (
        [n for n, u in zip(NAMES, uneven, strict=True) if u],
        [n for n, s in zip(NAMES, shines, strict=True) if s],
        shines,
    )


def spot(x, y, name: str, off=(2.0, 1.0), size=2.2):
    """0..1 of a round image of a lamp near a patch's middle."""
    px, py, pw, ph = SLIP.patches[NAMES.index(name)].rect_mm
    far = np.hypot(x - px - pw / 2 - off[0], y - py - ph / 2 - off[1])
    return np.exp(-0.5 * (far / size) ** 2)[..., None]


@pytest.mark.parametrize("name", ["B2", "C5", "D8", "B5", "C9"])
@pytest.mark.parametrize("lamp", [(1.0, 1.0, 1.0), (1.0, 0.8, 0.55)])
def test_a_lamps_image_on_a_patch_is_found(name, lamp):
    rgb, x, y = plane()
    uneven, shining, _ = found((rgb + 0.12 * spot(x, y, name)) * lamp)
    assert name in uneven
    assert name in shining
    assert len(uneven) <= 3  # the spot's rim may reach a neighbour


def test_a_shadows_edge_makes_uneven_but_does_not_shine():
    rgb, x, y = plane()
    for name in ("B2", "D8", "B11"):
        uneven, shining, _ = found(rgb * (1 - 0.5 * spot(x, y, name)))
        assert name in uneven
        assert name not in shining


@pytest.mark.parametrize("noise", [0.001, 0.01, 0.03])
def test_noise_is_not_unevenness(noise):
    for seed in range(5):
        rgb, _, _ = plane(noise, seed)
        assert found(rgb)[0] == []


def test_a_slanting_light_and_a_misplaced_card_are_not_glare():
    rgb, x, y = plane()
    assert found(rgb * (1 + 0.8 * x[..., None] / 150) * (1 - 0.4 * y[..., None] / 65))[0] == []
    assert found(np.roll(rgb, (3, 3), axis=(0, 1)))[0] == []  # 1.2 mm off, both ways


def test_patches_beside_one_that_shines():
    shines = np.isin(NAMES, ["C5"])
    near = beside(shines, SLIP)
    assert {n for n, b in zip(NAMES, near, strict=True) if b} == {
        "B4", "B5", "B6", "C4", "C6", "D4", "D5", "D6",
    }  # fmt: skip


def with_lamp(path: Path, name: str, strength: float, out: Path) -> None:
    """A copy of a photo with a lamp's image on a patch, added as light (the profile's curve is
    sRGB's for Display P3 too)."""
    photo = open_photo(path)
    view = locate(photo, builtin_cards())
    rows, columns = np.mgrid[0 : photo.height_px, 0 : photo.width_px]
    place = view.to_mm(np.stack([columns, rows], axis=-1).reshape(-1, 2))
    x, y = place.T.reshape(2, photo.height_px, photo.width_px)
    linear = srgb_decode(photo.rgb_encoded / 255)
    encoded = srgb_encode(np.clip(linear + strength * spot(x, y, name), 0, 1))
    profile = Image.open(io.BytesIO(path.read_bytes())).info.get("icc_profile")
    Image.fromarray(np.rint(255 * encoded).astype(np.uint8)).save(
        out, quality=93, icc_profile=profile
    )


@pytest.mark.slow
def test_a_photo_of_a_card_as_drawn_names_the_patch(tmp_path):
    plain = read_strips(PHOTO, Options(), lambda *_: None)
    assert {"lamp-on-card", "patches-left-out"}.isdisjoint(f.code for f in plain.flags)
    with_lamp(PHOTO, "D8", 0.1, tmp_path / "lamp.jpg")
    seen = read_strips(tmp_path / "lamp.jpg", Options(), lambda *_: None)
    told = [f for f in seen.flags if f.code == "lamp-on-card"]
    assert len(told) == 1
    assert told[0].seen.startswith("a lamp is mirrored in card patches D8")
    assert "D8" in seen.correction.dropped
    assert np.isnan(seen.correction.held_out_de[NAMES.index("D8")])
    for before, after in zip(plain.strips, seen.strips, strict=True):
        assert np.linalg.norm(before.lab_d50 - after.lab_d50) < 1.0
