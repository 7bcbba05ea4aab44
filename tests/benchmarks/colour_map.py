"""The tone and colour map against other ways, on readings whose truth is known.

    python tests/benchmarks/colour_map.py                 # all groups, about two minutes
    python tests/benchmarks/colour_map.py --table nominal --prints 2

Groups are lamp x camera x tone curve. Each holds a few shots: the slip from another
simulated printer, another exposure, white-balance error, matrix and flare. No pictures:
what a patch or a strip would read, with noise, so that the map alone is judged.

Two errors are printed, CIEDE2000 against the truth:

* held-out patches: every method is fitted again without a fold of the patches and asked
  for their colours. The paper's white is in no fold: eight patches carry it.
* unseen ink: Kubelka-Munk films, which are no printer's dyes. Their single colours, and the
  difference between an original and a batch mixed from the same inks.

The other methods are colour-science's (colour_correction), given what its users give it:
sRGB-decoded readings and the patches' XYZ. Where its size can be chosen, several sizes run.

A method is lowest in a group when its median error is; ours ties when it is not lowest but
the 95 % interval of the difference of the medians to the lowest one (paired bootstrap over
the patches or strips, 1000 draws) holds zero.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.definition import CardDefinition
from calibration.card.toml import builtin_cards
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz, srgb_decode, xyz_to_lab
from calibration.correction.correct import Correction, correct
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.patches import PatchReadings
from fixtures.inkfilm import ink_reflectance
from fixtures.optics import exposure_gain, make_sensor, tone_table
from fixtures.printer import make_printer, print_patches
from fixtures.scenes import near_recipe, random_recipe
from fixtures.spec import SceneSpec, StripSpec
from fixtures.spectra import lab_d50, pigments, random_paper

# colour-science tells users at import that plotting is off without matplotlib; nothing here
# plots. It is imported at its first use, after this.
warnings.filterwarnings("ignore", message=".*related API features are not available.*")

LAMPS = ("D65", "A", "FL2", "FL11", "LED-B3")
# Two published sensitivity sets (the second with strongly overlapping channels) and two
# invented mosaic sensors.
CAMERAS = (0, 1, 12, 57)
# name: strength of the S, shoulder before clipping, saturation
CURVES = {"none": (0.0, 0.0, 1.0), "mild": (0.18, 0.3, 1.1), "strong": (0.35, 0.6, 1.2)}
CARD = builtin_cards()[0]
MEASURED_SD = 0.4  # standard uncertainty of an instrument on a print, each of L* a* b*
ENCODED_SD = 0.0005  # of a mean reading, as encoded: noise and levels
LIGHT_SD = 0.002  # of a mean reading, relative: what is left of the lamp's field
FOLDS = 10
LEVEL = 1 / 255


@dataclass(frozen=True)
class Shot:
    """One photo's readings, sRGB-decoded, and the truth. ``strips_rgb`` (k, 2, 3)."""

    rgb: np.ndarray
    usable: np.ndarray
    lab: np.ndarray
    cards: dict[str, CardDefinition]
    strips_rgb: np.ndarray
    strips_lab: np.ndarray


@dataclass(frozen=True)
class Print:
    """One printed card: reflectance and Lab of its patches; its definitions."""

    reflectance: np.ndarray
    lab: np.ndarray
    cards: dict[str, CardDefinition]


def print_card(seed: int) -> Print:
    """The slip from one simulated home printer, off by 2 to 6 Delta E (median)."""
    rng = np.random.default_rng([seed, 5])
    paper = random_paper(rng, rng.uniform(0.84, 0.92), rng.uniform(0, 0.03), rng.uniform(0, 0.06))
    printer = make_printer(rng, paper)
    reflectance = printer.reflectance(print_patches(printer, CARD.lab_d50, rng.uniform(2, 6)))
    lab = lab_d50(reflectance)
    read = lab + rng.normal(0, MEASURED_SD, lab.shape)
    patches = tuple(
        dataclasses.replace(p, lab_d50=tuple(v), u_lab=(MEASURED_SD,) * 3)
        for p, v in zip(CARD.patches, read.tolist(), strict=True)
    )
    measured = dataclasses.replace(CARD, provenance="measured", patches=patches)
    return Print(reflectance, lab, {"measured": measured, "nominal": CARD})


def ink_pairs(seed: int, count: int) -> np.ndarray:
    """(count, 2, wavelengths): originals, and batches of the same inks 0.3 to 6 Delta E off."""
    rng = np.random.default_rng([seed, 6])
    pairs = []
    for k in range(count):
        shelf = pigments(int(rng.integers(1 << 30)))
        paper = random_paper(rng, rng.uniform(0.8, 0.9), rng.uniform(-0.02, 0.1), 0.0)
        paper = paper.reflectance()
        film = rng.uniform(0.75, 1.5)
        family = ("tint", "let-down", "tint", "masstone", "dark", "let-down")[k % 6]
        recipe = random_recipe(rng, family)

        def film_of(r, shelf=shelf, film=film, paper=paper):
            return ink_reflectance(r, shelf, film, paper)[0]

        batch = near_recipe(
            rng, recipe, rng.uniform(0.3, 6.0), lambda r, film_of=film_of: lab_d50(film_of(r))
        )
        pairs.append([film_of(recipe), film_of(batch)])
    return np.array(pairs)


def shoot(
    made: Print, inks: np.ndarray, lamp: str, camera: int, curve: str, seed: int, noise: float = 1.0
) -> Shot:
    """What the photo's fields and strips read."""
    rng = np.random.default_rng([seed, 7])
    tone, shoulder, saturation = CURVES[curve]
    spec = SceneSpec(
        seed=seed,
        strips=(StripSpec(()),),
        lamp=lamp,
        camera=camera,
        tone=tone,
        shoulder=shoulder,
        saturation=saturation,
        matrix_blend=float(rng.uniform(0, 1)),
        white_balance=tuple(1 + 0.04 * rng.uniform(-1, 1, 2)),
        warm_keep=float(rng.uniform(0, 0.5)),
        exposure=float(rng.uniform(0.72, 0.88)),
        flare=float(rng.uniform(0.001, 0.012)),
    )
    sensor = make_sensor(spec)
    flat = inks.reshape(-1, inks.shape[-1])
    raw = np.concatenate([made.reflectance, flat]) @ sensor.weights[0]
    paper_rgb = made.reflectance[0] @ sensor.weights[0] @ sensor.matrix.T
    gain = exposure_gain(spec, float(paper_rgb.mean()))
    # Flare is a share of the picture's mean light, here half of the paper's.
    light = np.clip((raw + spec.flare * 0.5 * raw[0]) * gain, 0, 1) @ sensor.matrix.T
    light = light * np.exp(noise * LIGHT_SD * rng.standard_normal((len(light), 1)))
    table = tone_table(spec, 8192)
    encoded = np.interp(np.clip(light, 0, 1.25), np.linspace(0, 1.25, len(table)), table)
    encoded = encoded + noise * ENCODED_SD * rng.standard_normal(encoded.shape)
    # Fields that are burnt out are left out; strips also where a channel sees nothing.
    burnt, nothing = encoded.max(axis=1) > 1 - 1.5 * LEVEL, encoded.min(axis=1) < 2 * LEVEL
    rgb = srgb_decode(np.clip(encoded, 0.3 * LEVEL, 1))
    n = len(made.lab)
    seen = ~(burnt | nothing)[n:].reshape(len(inks), 2).any(axis=1)
    strips = rgb[n:].reshape(len(inks), 2, 3)
    return Shot(rgb[:n], ~burnt[:n], made.lab, made.cards, strips[seen], lab_d50(inks[seen]))


# The methods: fit(rgb, lab, light patches) -> function from rgb to Lab. ------------------
def _white_alone(rgb, lab, whites):
    target = lab_to_xyz(lab[whites]) @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    gain = np.mean(target, axis=0) / np.mean(rgb[whites], axis=0)
    return lambda x: xyz_to_lab(x * gain @ SRGB_TO_XYZ_D50.T)


def _plain(rgb, lab, whites):
    matrix = np.linalg.lstsq(rgb, lab_to_xyz(lab), rcond=None)[0]
    return lambda x: xyz_to_lab(x @ matrix)


def _library(method: str, **size):
    def fit(rgb, lab, whites):
        from colour import colour_correction

        xyz = lab_to_xyz(lab)
        return lambda x: xyz_to_lab(colour_correction(x, rgb, xyz, method=method, **size))

    return fit


OTHERS = {
    "white": _white_alone,
    "3x3": _plain,
    "Cheung 5": _library("Cheung 2004", terms=5),
    "Cheung 11": _library("Cheung 2004", terms=11),
    "Cheung 20": _library("Cheung 2004", terms=20),
    "Finlays. 2": _library("Finlayson 2015", degree=2),
    "Finlays. 3": _library("Finlayson 2015", degree=3),
    "Vanderm. 2": _library("Vandermonde", degree=2),
    "Vanderm. 3": _library("Vandermonde", degree=3),
}
OURS = "ours"
METHODS = (*OTHERS, OURS)


def our_fit(shot: Shot, card: CardDefinition, keep: np.ndarray) -> Correction:
    """Our correction from the fields ``keep`` alone, in even light."""
    count = len(shot.rgb)
    centres = card.rects_mm[:, :2] + card.rects_mm[:, 2:] / 2
    noise = np.maximum(ENCODED_SD * 2 * np.sqrt(shot.rgb), 1e-5)
    readings = PatchReadings(shot.rgb, noise, np.zeros(count), centres, keep, 1.0 - keep)
    white = card.with_role("white") & keep
    samples = LightSamples(
        shot.rgb[white], centres[white], np.zeros(int(white.sum()), int),
        np.full((2, 2), -1), (0.0, 0.0), 4.0,
    )  # fmt: skip
    return correct(readings, samples, card, SRGB_TO_XYZ_D50)


def apply_ours(made: Correction, card: CardDefinition, rgb: np.ndarray) -> np.ndarray:
    """Lab of readings (..., 3) taken in the light of the card's middle."""
    middle = np.broadcast_to(np.array(card.size_mm) / 2, (*rgb.shape[:-1], 2))
    return xyz_to_lab(made.xyz_d50(made.light(rgb, middle)))


def _fit(name: str, shot: Shot, card: CardDefinition, keep: np.ndarray):
    if name == OURS:
        made = our_fit(shot, card, keep)
        return lambda x: apply_ours(made, card, x)
    lab = card.expected_lab_d50[keep]
    return OTHERS[name](shot.rgb[keep], lab, card.with_role("white")[keep])


def held_out(name: str, shot: Shot, card: CardDefinition, folds: int) -> np.ndarray:
    """Delta E 2000 to the truth of every usable patch but the whites, each from a fit that
    never saw it."""
    asked = np.flatnonzero(shot.usable & ~card.with_role("white"))
    order = np.random.default_rng(3).permutation(asked)
    lab = np.empty((len(shot.rgb), 3))
    for fold in np.array_split(order, min(folds, len(order))):
        keep = shot.usable.copy()
        keep[fold] = False
        lab[fold] = _fit(name, shot, card, keep)(shot.rgb[fold])
    return delta_e_2000(shot.lab[asked], lab[asked])


def on_ink(name: str, shot: Shot, card: CardDefinition) -> tuple[np.ndarray, np.ndarray]:
    """Delta E 2000 of single strips to the truth; and of the difference between original and
    batch: CIEDE2000 between the true original moved by the true and by the read difference."""
    lab = _fit(name, shot, card, shot.usable)(shot.strips_rgb.reshape(-1, 3)).reshape(-1, 2, 3)
    single = delta_e_2000(shot.strips_lab, lab).ravel()
    moved = shot.strips_lab[:, 0] + lab[:, 1] - lab[:, 0]
    return single, delta_e_2000(shot.strips_lab[:, 1], moved)


MEASURES = ("held-out patches", "unseen ink: colour", "unseen ink: difference")


def run_group(shots: list[Shot], table: str, folds: int, methods) -> list[dict[str, np.ndarray]]:
    """For each measure: method -> errors, in the same order for all methods."""
    out: list[dict[str, np.ndarray]] = [{}, {}, {}]
    for name in methods:
        parts = [(held_out(name, s, s.cards[table], folds), *on_ink(name, s, s.cards[table]))
                 for s in shots]  # fmt: skip
        for k in range(3):
            out[k][name] = np.concatenate([p[k] for p in parts])
    return out


def verdict(errors: dict[str, np.ndarray]) -> str:
    """ "lowest", "tie" or "loses to ..." for ours."""
    medians = {name: float(np.median(e)) for name, e in errors.items()}
    best = min((n for n in medians if n != OURS), key=medians.get)
    if medians[OURS] <= medians[best]:
        return "lowest"
    rng = np.random.default_rng(1)
    pick = rng.integers(len(errors[OURS]), size=(1000, len(errors[OURS])))
    gap = np.median(errors[OURS][pick], axis=1) - np.median(errors[best][pick], axis=1)
    return "tie" if np.quantile(gap, 0.025) <= 0 else f"loses to {best}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--table", choices=("measured", "nominal", "both"), default="both")
    parser.add_argument("--prints", type=int, default=3, help="shots in each group")
    parser.add_argument("--pairs", type=int, default=48, help="pairs of ink strips")
    parser.add_argument("--folds", type=int, default=FOLDS, help="99: leave one out")
    parser.add_argument("--seed", type=int, default=0, help="other prints, inks and shots")
    parser.add_argument("--lamps", nargs="*", default=LAMPS)
    parser.add_argument("--cameras", nargs="*", type=int, default=CAMERAS)
    args = parser.parse_args()
    began = time.perf_counter()
    prints = [print_card(100 * args.seed + k) for k in range(args.prints)]
    inks = ink_pairs(args.seed, args.pairs)
    tables = ("measured", "nominal") if args.table == "both" else (args.table,)
    groups = {
        (lamp, camera, curve): [
            shoot(p, inks, lamp, camera, curve, 1000 * args.seed + 37 * k + i)
            for i, p in enumerate(prints)
        ]
        for k, (lamp, camera, curve) in enumerate(
            (a, b, c) for a in args.lamps for b in args.cameras for c in CURVES
        )
    }
    for table in tables:
        results = {g: run_group(shots, table, args.folds, METHODS) for g, shots in groups.items()}
        for k, measure in enumerate(MEASURES):
            show(f"Card {table}: {measure}", {g: r[k] for g, r in results.items()})
    print(f"\n{time.perf_counter() - began:.0f} s")


def show(title: str, results: dict[tuple, dict[str, np.ndarray]]) -> None:
    """One table: median and 95th percentile for each group and method."""
    print(f"\n{title} (median / 95th percentile, Delta E 2000; * lowest median)")
    print(f"{'lamp':7}{'camera':>7} {'curve':7}" + "".join(f"{m:>13}" for m in METHODS) + "  ours")
    said = []
    for (lamp, camera, curve), errors in results.items():
        medians = [float(np.median(e)) for e in errors.values()]
        cells = []
        for median, e in zip(medians, errors.values(), strict=True):
            mark = "*" if median == min(medians) else " "
            cells.append(f"{median:6.2f}{mark}/{np.quantile(e, 0.95):5.1f}")
        said.append(verdict(errors))
        print(f"{lamp:7}{camera:7} {curve:7}" + "".join(cells) + f"  {said[-1]}")
    every = {m: np.concatenate([e[m] for e in results.values()]) for m in METHODS}
    cells = [f"{np.median(e):6.2f} /{np.quantile(e, 0.95):5.1f}" for e in every.values()]
    print(f"{'all':22}" + "".join(cells))
    lost = sum(s.startswith("loses") for s in said)
    print(f"ours: lowest in {said.count('lowest')}, ties in {said.count('tie')}, loses in {lost}")


if __name__ == "__main__":
    main()
