"""A lamp mirrored in the card: which spoiled patches are found, and which sound ones are lost.

    python tests/benchmarks/card_glare.py                      # 15 and 40 scenes, about 3 minutes
    python tests/benchmarks/card_glare.py --keep /tmp/scenes   # render once, read many times

To rendered scenes the image of a lamp is added: an ellipse of even light with a soft rim, half
4 to 9 mm long, as strong as 6 to 50 % of white, on or beside a patch. What it does to the
reading of each patch is seen from the same scene without it; a patch is *spoiled* when that is
more than 4 Delta E, *touched* from 1.5, and *sound* below. Each photo is read with the card as
drawn and as measured. Printed: how many spoiled patches were left out of the fit, how many
sound ones were; the same for scenes as they come, where every patch left out is a false alarm;
and how far strip differences are from the truth.
"""

from __future__ import annotations

import argparse
import contextlib
import pickle
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import fixtures.render as renderer
from calibration.card.toml import builtin_cards, write_card
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import WHITE_D50, xyz_to_lab
from calibration.correction.patches import read_patches
from calibration.errors import PhotoUnfit
from calibration.locate.find_card import locate
from calibration.locate.sheet import rectify
from calibration.photo.open import open_photo
from drawdown.pipeline.match import match_photo
from drawdown.pipeline.options import Options
from fixtures.scenes import random_spec

CARD_GLOSS = 0.12  # what the renderer takes a card to mirror, per unit of glare
SPOILED, TOUCHED = 4.0, 1.5
TOLD = {"lamp-on-card", "patches-left-out", "patch-drifted", "card-faded"}
_PLAIN = renderer.glare_field


def add_lamp(seed: int, shape: str):
    """A lamp's image on the card of a shape: light (share of white) at places (..., 2) mm."""
    rng = np.random.default_rng([seed, 404])
    card = next(c for c in builtin_cards() if c.name == shape)
    patch = card.patches[int(rng.integers(len(card.patches)))]
    x, y, w, h = patch.rect_mm
    at = np.array([x + w / 2, y + h / 2]) + rng.uniform(-4, 4, 2)
    long, turn = rng.uniform(4, 9), rng.uniform(0, np.pi)
    wide, soft = long * rng.uniform(0.4, 1.0), rng.uniform(0.15, 0.5)
    strength = float(np.exp(rng.uniform(np.log(0.06), np.log(0.5))))
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])

    def light(place_mm: np.ndarray) -> np.ndarray:
        u = (place_mm - at) @ axes.T / (long, wide)
        t = np.clip((1 + soft - np.linalg.norm(u, axis=-1)) / (2 * soft), 0, 1)
        return strength * t * t * (3 - 2 * t)

    return card, light


def effect_de(glared: bytes, plain: bytes, folder: Path) -> np.ndarray:
    """(n,) CIEDE2000 by which the lamp's image moves what is read on each patch: the same
    scene's photo with and without it, seen with the photo's own profile."""
    rgb = []
    for jpeg in (glared, plain):
        path = folder / "pair.jpg"
        path.write_bytes(jpeg)
        photo = open_photo(path)
        view = locate(photo, builtin_cards())
        readings = read_patches(rectify(photo, view), view.card)
        rgb.append(np.where(readings.usable[:, None], readings.rgb, np.nan))
    white = np.nanmedian(rgb[1][view.card.with_role("white")], axis=0)
    matrix = photo.profile.to_xyz_d50
    lab = [xyz_to_lab((r / white) @ matrix.T / matrix.sum(axis=1) * WHITE_D50) for r in rgb]
    return np.nan_to_num(delta_e_2000(lab[0], lab[1]))


def make_scene(seed: int, glared: bool, width: int) -> dict:
    """A photo as JPEG, its truth, and the effect of the lamp on each patch."""
    size = {"width_px": width, "height_px": width * 3 // 4}
    spec = random_spec(seed, difficulty="usable", **size)
    card, light = add_lamp(seed, spec.card_shape)

    def field(spec, layout, pose):
        plain = _PLAIN(spec, layout, pose)

        def at(px, py):
            place = np.stack(pose.to_mm(px, py), axis=-1)
            return (plain(px, py) + light(place) / CARD_GLOSS).astype(np.float32)

        return at

    scene = renderer.render(spec)
    truth, jpeg = scene.truth, scene.jpeg()
    effect = np.zeros(len(card.patches))
    if glared:
        renderer.glare_field = field
        try:
            jpeg, plain = renderer.render(spec).jpeg(), jpeg
        finally:
            renderer.glare_field = _PLAIN
        # A photo that is refused here is refused below as well.
        with tempfile.TemporaryDirectory() as folder, contextlib.suppress(PhotoUnfit):
            effect = effect_de(jpeg, plain, Path(folder))
    de = truth.de00[0, 1] if len(truth.strips) > 1 else np.nan
    return {"seed": seed, "jpeg": jpeg, "card": truth.card, "effect": effect, "de": de,
            "shadow": spec.shadow}  # fmt: skip


def read_scene(scene: dict, measured: bool, folder: Path) -> dict:
    """Which patches were left out, and the error of the difference."""
    photo = folder / "photo.jpg"
    photo.write_bytes(scene["jpeg"])
    path = None
    if measured:
        path = folder / "card.toml"
        write_card(path, scene["card"])
    try:
        seen = match_photo(photo, Options(card=path), lambda *_: None)
    except PhotoUnfit:
        return {"refused": True, "dropped": set(), "off": np.nan}
    names = [p.name for p in seen.view.card.patches]
    dropped = {names.index(n) for n in seen.correction.dropped}
    codes = {f.code for f in seen.all_flags}
    off = abs(seen.comparison.de00 - scene["de"])
    return {"refused": False, "dropped": dropped, "off": off, "codes": codes}


def report(scenes: list[dict], measured: bool, words: str) -> None:
    """One line for a set of scenes and a kind of card."""
    found = spoiled = grazed = lost = sound = touched = alarmed = refused = told = 0
    off = []
    with tempfile.TemporaryDirectory() as folder:
        for scene in scenes:
            got = read_scene(scene, measured, Path(folder))
            if got["refused"]:
                refused += 1
                continue
            hit = np.isin(np.arange(len(scene["effect"])), list(got["dropped"]))
            bad, clean = scene["effect"] > SPOILED, scene["effect"] < TOUCHED
            found, spoiled = found + int((hit & bad).sum()), spoiled + int(bad.sum())
            lost, sound = lost + int((hit & clean).sum()), sound + int(clean.sum())
            grazed += int((~bad & ~clean).sum())
            touched += int((hit & ~bad & ~clean).sum())
            alarmed += bool((hit & clean).any())
            told += bool(got["codes"] & TOLD)
            off.append(got["off"])
            if "-v" in sys.argv:
                print(f"   {scene['seed']} shadow {scene['shadow']}: missed "
                      f"{np.flatnonzero(bad & ~hit).tolist()} lost "
                      f"{np.flatnonzero(hit & clean).tolist()} off {got['off']:.2f}")  # fmt: skip
    kind = "measured" if measured else "as drawn"
    share = f"{100 * found / spoiled:.0f} %" if spoiled else "-"
    print(
        f"{words:9} card {kind}: spoiled patches found {found} of {spoiled} ({share}), touched "
        f"{touched} of {grazed}; sound ones left out {lost} of {sound}, in {alarmed} photos; "
        f"flagged in {told} photos; refused {refused}; difference off by "
        f"{np.nanmedian(off):.2f} (median), {np.nanquantile(off, 0.9):.2f} (90 %)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--glared", type=int, default=15)
    parser.add_argument("--plain", type=int, default=40)
    parser.add_argument("--first", type=int, default=7000, help="first seed")
    parser.add_argument("--width", type=int, default=2000, help="photo's width in px")
    parser.add_argument("--keep", type=Path, help="folder to keep the rendered scenes in")
    parser.add_argument("-v", action="store_true", help="a line for each photo")
    given = parser.parse_args()
    start = time.perf_counter()
    for words, count, glared in (("glare", given.glared, True), ("no glare", given.plain, False)):
        scenes = []
        for seed in range(given.first, given.first + count):
            kept = given.keep / f"{seed}-{glared}.pickle" if given.keep else None
            if kept is not None and kept.exists():
                scenes.append(pickle.loads(kept.read_bytes()))
                continue
            scenes.append(make_scene(seed, glared, given.width))
            if kept is not None:
                given.keep.mkdir(parents=True, exist_ok=True)
                kept.write_bytes(pickle.dumps(scenes[-1]))
        for measured in (False, True):
            report(scenes, measured, words)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
