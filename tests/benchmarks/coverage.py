"""One source of uncertainty at a time: is the truth inside the stated interval?

    python tests/benchmarks/coverage.py                        # 6 scenes each, about 5 minutes
    python tests/benchmarks/coverage.py --only noise --scenes 40

Rendered scenes in which everything that disturbs is off: a camera that sees as the CIE observer
does, even light of one lamp (D50), best JPEG, no tone curve, even strips, a card measured to 0.1,
and just so much noise as spreads a colour over two levels of 8 bits (without it, rounding alone
is off by 0.15). Then one source is switched on. Each scene holds two mixes pulled twice;
every pair that truly differs by less than 10 Delta E is compared as by ``drawdown match``.
Printed for each source: pairs, the share of true CIEDE2000 inside the stated 95 % interval, the
interval's median width, the median error, and the share of single colours whose L*, a*, b* all
lie inside theirs.
A source alone should be covered at 95 % or more; far more says that the interval is generous
there (the parts that are never off, such as the floor for the camera, are in all of them).
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import fixtures.optics as optics
from calibration.card.toml import write_card
from calibration.colour.spaces import SRGB_TO_XYZ_D50
from calibration.errors import PhotoUnfit
from drawdown.matching.compare import compare
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from fixtures.render import render
from fixtures.scenes import random_spec
from fixtures.spec import SceneSpec
from fixtures.spectra import xyz_weights

QUIET = {
    "width_px": 1600, "height_px": 1200, "card_shape": "slip", "layout": "below",
    "direction": "vertical", "paper": "plain", "clutter": (), "notes": False, "smudges": 0,
    "rotation_deg": 0.0, "tilt_deg": 4.0, "card_share": 0.55, "distortion": 0.0,
    "measured_u": 0.1, "paper_tooth": 0.004, "card_on_paper": True, "table": "board",
    "lamp": "D50", "lamp_2": None, "light_fall": 0.0, "vignette": 0.0, "shading": (0.0, 0.0),
    "shadow": "none", "glare": 0.0, "sheen": 0.0, "flare": 0.0, "veil": 0.0, "local_tone": 0.0,
    "white_balance": (1.0, 1.0), "warm_keep": 0.0, "matrix_blend": 1.0, "saturation": 1.0,
    "tone": 0.0, "shoulder": 0.0, "exposure": 0.82, "noise": 0.003, "blur_px": 0.6,
    "motion_px": 0.0, "chromatic": 0.0, "denoise": 0.0, "sharpen": 0.0, "gamut": "P3",
    "jpeg_quality": 98, "camera": 0,
}  # fmt: skip
EVEN = {"bead": 0.3, "feather": 0.06, "streaks": 0, "unevenness": 0.004, "ridge": 0.0, "gloss": 0.1}
SOURCES: dict[str, dict] = {
    "none": {},
    "noise": {"noise": 0.012, "denoise": 0.4},
    "light falls off": {"light_fall": 0.22, "vignette": 0.2, "shading": (0.01, -0.01)},
    "shadow beside": {"shadow": "aside", "shadow_depth": 0.45},
    "two lamps": {"lamp_2": "A", "lamp_mix": 0.3, "lamp_gradient": 0.1},
    "JPEG 75": {"jpeg_quality": 75},
    "JPEG 50": {"jpeg_quality": 50},
    "tone curve": {"tone": 0.3, "shoulder": 0.5, "saturation": 1.15, "local_tone": 0.05},
    "stray light": {"flare": 0.01, "veil": 0.015, "sheen": 0.006},
    "uneven strips": {},
    "card as drawn": {},
    "camera": {},
    "all of them": {},
}
LAMPS = ("D65", "FL2", "LED-B3", "A", "FL11")
MOST_DE = 10.0
_REAL = optics.camera_weights


def eye(index: int, lamp: str) -> np.ndarray:
    """A camera whose channels are sums of the CIE observer's (Luther's condition)."""
    return xyz_weights(lamp) @ np.linalg.inv(SRGB_TO_XYZ_D50).T


def scene_spec(source: str, seed: int) -> SceneSpec:
    """The scene of a seed with one source on."""
    whole = random_spec(seed, difficulty="usable", count=4, family="tint")
    if source == "all of them":
        size = {"width_px": 1600, "height_px": 1200, "card_shape": "slip", "shadow": "none"}
        return random_spec(seed, difficulty="usable", count=4, family="tint", **size)
    spec = random_spec(seed, difficulty="easy", count=4, family="tint", **(QUIET | SOURCES[source]))
    if source == "camera":
        lamp = LAMPS[seed % len(LAMPS)]
        camera = {"lamp": lamp, "camera": whole.camera, "matrix_blend": whole.matrix_blend}
        spec = dataclasses.replace(spec, saturation=whole.saturation, **camera)
    # Two mixes, each pulled twice: six pairs that one might compare.
    one, two = spec.strips[:2]
    again = [dataclasses.replace(s, film=f * s.film) for s, f in ((one, 1.08), (two, 0.93))]
    spec = dataclasses.replace(spec, strips=(one, two, *again))
    if source != "uneven strips":
        strips = tuple(dataclasses.replace(s, turn_deg=0.0, **EVEN) for s in spec.strips)
        spec = dataclasses.replace(spec, strips=strips)
    return spec


def run(source: str, seed: int, folder: Path) -> tuple[list[tuple[float, ...]], list[bool]]:
    """(true, low, high, best) of each pair, and whether each colour lies inside its interval."""
    spec = scene_spec(source, seed)
    real = source in ("camera", "all of them")
    optics.camera_weights = _REAL if real else eye
    try:
        scene = render(spec)
    finally:
        optics.camera_weights = _REAL
    photo, card = folder / "photo.jpg", folder / "card.toml"
    photo.write_bytes(scene.jpeg())
    nominal = source == "card as drawn" or (source == "all of them" and seed % 2 == 0)
    write_card(card, scene.truth.card)
    try:
        seen = read_strips(photo, Options(card=None if nominal else card), lambda *_: None)
    except PhotoUnfit:
        return [], []
    middles = np.array([s.body_mm.mean(axis=0) for s in scene.truth.strips])
    found = []
    for strip in seen.strips:
        apart = np.linalg.norm(middles - strip.strip.corners_mm.mean(axis=0), axis=1)
        if apart.min() < 8 and not any(f.hard for f in strip.flags):
            found.append((strip, scene.truth.strips[int(apart.argmin())]))
    pairs = []
    for (one, true_1), (two, true_2) in itertools.combinations(found, 2):
        true = scene.truth.de00[true_1.number - 1, true_2.number - 1]
        got = compare(one, two, nominal_card=nominal, shaded_card=seen.correction.shaded)
        if true < MOST_DE and got.verdict is not None:
            pairs.append((float(true), got.de00_low95, got.de00_high95, got.de00))
    inside = [bool(np.all(np.abs(s.lab_d50 - t.lab_d50) <= s.lab_u95)) for s, t in found]
    return pairs, inside


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=int, default=6, help="scenes for each source")
    parser.add_argument("--first", type=int, default=5200, help="first seed")
    parser.add_argument("--only", action="append", choices=list(SOURCES), help="these sources")
    given = parser.parse_args()
    start = time.perf_counter()
    print("| source alone | pairs | inside 95 % | median width | median error | colours inside |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        for source in given.only or SOURCES:
            pairs, colours = [], []
            for seed in range(given.first, given.first + given.scenes):
                some, inside = run(source, seed, Path(name))
                pairs, colours = pairs + some, colours + inside
            if not pairs:
                print(f"| {source} | 0 | - | - | - | - |")
                continue
            true, low, high, best = np.array(pairs).T
            share = np.mean((true >= low) & (true <= high))
            print(
                f"| {source} | {len(true)} | {100 * share:.0f} % | {np.median(high - low):.2f} | "
                f"{np.median(np.abs(best - true)):.2f} | {100 * np.mean(colours):.0f} % |",
                flush=True,
            )
    print(f"\n{time.perf_counter() - start:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
