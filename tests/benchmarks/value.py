"""Lightening to a Munsell value with hidden true inks: how near the value comes, how honest.

    python tests/benchmarks/value.py --cases 120

No photo: colours of random mixes come from the renderer's own spectra (inks unlike the
starter shelf in strength and shape), with the noise of a reading (Lab sd 0.4). White or base
is added as told, the true mixture computed, and its value on paper, its contrast ratio and
its colour over black compared with what was predicted.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

READING_SD = 0.4


def case(seed: int, known: bool, bar: bool) -> list[dict]:
    from calibration.colour.difference import delta_e_2000
    from calibration.colour.spaces import munsell_value, xyz_to_lab
    from drawdown.ink.film import internal_from_measured
    from drawdown.ink.forward import paper_ground
    from drawdown.ink.prior import mix_prior
    from drawdown.ink.shelf import starter_shelf
    from drawdown.matching.recipes import guess_mixes
    from drawdown.printing.lighten import GUESSES, Seen, fit_guesses, fit_ink, lighten
    from fixtures.inkfilm import ink_reflectance
    from fixtures.scenes import random_recipe
    from fixtures.spectra import BASE, WAVELENGTHS_NM, WHITE, pigments, random_paper, xyz_d50

    rng = np.random.default_rng([seed, 5])
    shelf = starter_shelf()
    truth = pigments(int(rng.integers(1 << 30)))
    paper = random_paper(rng, rng.uniform(0.8, 0.9), rng.uniform(-0.02, 0.1), 0).reflectance()
    film = rng.uniform(0.8, 1.4)
    recipe = random_recipe(rng, str(rng.choice(["tint", "let-down", "masstone"])))

    def look(mix, ground, wet=0.015):
        return xyz_d50(ink_reflectance(mix, truth, film, ground, wetting=wet))[0]

    flat = np.ones(len(WAVELENGTHS_NM))
    grounds = [paper, 0.025 * flat][: 2 if bar else 1]
    lab = np.array([xyz_to_lab(look(recipe, g, 0.015 if g is paper else 0)) for g in grounds])
    lab = lab + READING_SD * rng.standard_normal(lab.shape)
    paper_lab = xyz_to_lab(xyz_d50(paper[None])[0])
    inside = np.stack([paper_ground(paper_lab), np.full(31, internal_from_measured(0.025))])
    seen = Seen(lab, READING_SD**2 * np.eye(lab.size), inside[: len(grounds)])
    value = munsell_value(look(recipe, paper)[1])
    if value > 8.0:
        return []
    to = rng.uniform(value + 0.5, 8.7)

    began = time.perf_counter()
    if known:
        states = fit_ink(mix_prior(shelf.mix(shelf.named_mix(dict(recipe)))), seen, guessed=False)
    else:
        guesses = guess_mixes(shelf, lab[0], inside[0], GUESSES)
        states, _ = fit_guesses([(mix_prior(shelf.mix(g.mix)), g.log_prior) for g in guesses], seen)
    rows = []
    for kind, name in (("white", WHITE), ("base", BASE)):
        found = lighten(states, shelf.find(kind), to, inside[1] if bar else 0.08 * flat[:31])
        if found.parts is None:
            continue
        total = sum(p for _, p in recipe)
        mixed = (*recipe, (name, total * found.parts.value / 100))
        true = look(mixed, paper)
        ratio = look(mixed, 0 * flat, 0)[1] / look(mixed, 0.8 * flat, 0)[1]
        lab_true = xyz_to_lab(true)
        rows.append({
            "kind": kind, "value": abs(munsell_value(true[1]) - to), "to": to,
            "parts": found.parts.value,
            "inside": bool(abs(found.lab_d50[0] - lab_true[0]) <= found.lab_u95[0]),
            "de": float(delta_e_2000(found.lab_d50, lab_true)),
            "ratio": abs(found.ratio.value - ratio),
            "ratio_in": found.ratio.low95 <= ratio <= found.ratio.high95,
            "seconds": time.perf_counter() - began,
        })  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=120)
    parser.add_argument("--first-seed", type=int, default=97000)
    args = parser.parse_args()
    for known in (True, False):
        for bar in (True, False):
            rows = []
            for seed in range(args.first_seed, args.first_seed + args.cases):
                rows += case(seed, known, bar)
            print(f"\nmix {'noted' if known else 'guessed'}, strip "
                  f"{'across a bar' if bar else 'on paper alone'}")  # fmt: skip
            for kind in ("white", "base"):
                some = [r for r in rows if r["kind"] == kind]

                def spread(key, some=some):
                    v = [r[key] for r in some]
                    return f"median {np.median(v):.3f}  95th percentile {np.quantile(v, 0.95):.3f}"

                seconds = np.median([r["seconds"] for r in some])
                covered = [100 * np.mean([r[key] for r in some]) for key in ("inside", "ratio_in")]
                print(f"  with {kind}: {len(some)} cases, {seconds:.3f} s")
                print(f"    |value reached - wanted|   {spread('value')}")
                print(f"    Delta E of the prediction  {spread('de')}")
                print(f"    |contrast ratio - truth|   {spread('ratio')}")
                print("    95 % intervals cover: L* {:.0f} %, ratio {:.0f} %".format(*covered))


if __name__ == "__main__":
    main()
