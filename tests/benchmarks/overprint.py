"""Overprints and layer plans in numbers: ``python tests/benchmarks/overprint.py``.

Overprints of nine printed tables (tests/data/overprints) predicted from paper and solids
alone, as mean Delta E 2000 over CM, CY, MY, CMY and over all eleven; beside them the two simple
predictions: product of XYZ, and product of the very spectra that ours has for the solids.
Then the same with what the program assumes (the black's own light, the take wet on wet)
chosen anew for each table from the other tables alone, twins left out together. Then how
often the 95 % region holds the printed colour, and time and memory of layer plans.
"""

from __future__ import annotations

import argparse
import itertools
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "kits"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import overprint_tables as tables

from calibration.colour.difference import delta_e_2000
from drawdown.ink.shelf import starter_shelf
from drawdown.printing import layer_order as layers
from drawdown.printing import overprint

TWINS = {"FOGRA39L": "TR006", "TR006": "FOGRA39L"}  # the same aim, nearly the same numbers
CHI2_3_95 = 7.815  # 95 % quantile of chi squared with 3 degrees of freedom


def compare() -> None:
    print("mean Delta E 2000, chromatic overprints / all eleven")
    print(f"{'table':<10}{'ours':>14}{'product XYZ':>16}{'product spectra':>17}")
    sums, inside = [], []
    for name, table in tables.read_tables().items():
        found = tables.solids(table)
        rows = [
            tables.errors(table, found),
            tables.product_of_xyz(table),
            tables.product_of_spectra(table),
        ]
        sums.append(rows)
        cells = [f"{r[:4].mean():.2f} / {r.mean():.2f}" for r in rows]
        print(f"{name:<10}{cells[0]:>14}{cells[1]:>16}{cells[2]:>17}")
        for inks, lab in zip(tables.OVERPRINTS, tables.truth(table), strict=True):
            p = tables.predicted(found, inks)
            off = lab - p.lab_d50
            inside.append(off @ np.linalg.solve(np.cov(p.lab_samples.T), off) < CHI2_3_95)
    sums = np.array(sums)
    cells = [f"{sums[:, i, :4].mean():.2f} / {sums[:, i].mean():.2f}" for i in range(3)]
    print(f"{'mean':<10}{cells[0]:>14}{cells[1]:>16}{cells[2]:>17}")
    held = np.array(inside).reshape(-1, 11)
    print(
        f"95 % region holds the print: chromatic {held[:, :4].sum()} of {held[:, :4].size}, "
        f"all {held.sum()} of {held.size}"
    )


def leave_one_out() -> None:
    everything = tables.read_tables()
    result = {}
    for own, share in itertools.product((0.004, 0.007, 0.010, 0.013), (0.0, 0.1, 0.2)):
        tables.BLACK_OWN_Y, tables.BLACK_OWN_SHARE = own, share
        found = {name: tables.solids(table) for name, table in everything.items()}
        for take in (0.8, 0.85, 0.9, 0.95, 1.0):
            result[own, share, take] = {
                name: tables.errors(
                    table, tables.Solids(replace(found[name].on, take=take), found[name].layers)
                )
                for name, table in everything.items()
            }
    for what, part in (("chromatic", slice(0, 4)), ("all", slice(0, 11))):
        left_out = []
        for name in everything:
            others = [n for n in everything if n not in (name, TWINS.get(name))]
            key = min(result, key=lambda k: np.mean([result[k][n][part] for n in others]))
            left_out.append(result[key][name][part].mean())
            print(f"  {name:<10} {left_out[-1]:.2f}  with own light {key[0]:.3f} + {key[1]:.1f} Y,"
                  f" take {key[2]:.2f}")  # fmt: skip
        print(f"assumptions from the other tables alone, {what}: mean {np.mean(left_out):.2f}")


def plans() -> None:
    shelf = starter_shelf()
    mixes = [
        ("sky", {"white": 80, "PB15:3": 5, "base": 15}), ("key", {"black": 1}),
        ("breast", {"PO73": 30, "base": 70}), ("water", {"PB15:3": 20, "base": 80}),
        ("reed", {"PG7": 3, "PY74": 20, "base": 77}), ("mist", {"white": 30, "base": 70}),
        ("branch", {"black": 10, "PR254": 10, "base": 80}), ("wing", {"PV23": 10, "base": 90}),
        ("wine", {"PV19": 30, "base": 70}), ("sun", {"PY83": 20, "base": 80}),
        ("rose", {"PR122": 10, "white": 40}), ("leaf", {"PG36": 20, "white": 10}),
    ]  # fmt: skip
    delta_e_2000(np.zeros((1, 3)), np.ones((1, 3)))  # its library is loaded once
    print("layers  orders  seconds")
    for n in (2, 3, 4, 5, 6, 7, 8, 12):
        asked = [(name, shelf.named_mix(mix), 1.0) for name, mix in mixes[:n]]
        made = overprint.layers_from_mixes(shelf, asked)
        start = time.perf_counter()
        plan = layers.plan(made, overprint.sheet())
        took = time.perf_counter() - start
        how = "exact" if plan.exact else "heuristic"
        print(f"{n:>6}  {plan.orders_scored:>6}  {took:.2f}  {how}")
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def crossings(count: int) -> None:
    import tempfile

    from crossing_kit import crossing_spec, render_crossing

    from calibration.card.toml import write_card
    from calibration.errors import DrawdownError
    from drawdown.pipeline import crossing
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips
    from drawdown.reading.crossing import find_cross, read_cross
    from fixtures.scenes import random_recipe

    shelf = starter_shelf()
    rows, lost = [], 0
    with tempfile.TemporaryDirectory() as name:
        for seed in range(count):
            rng = np.random.default_rng([seed, 5])
            lower, upper = (
                random_recipe(rng, str(rng.choice(["tint", "letdown"]))) for _ in range(2)
            )
            spec = crossing_spec(
                lower, upper, seed=seed, ink_seed=seed, table="board",
                width_px=2000, height_px=1500,
            )  # fmt: skip
            made = render_crossing(spec)
            made.rendered.save_jpeg(Path(name) / "x.jpg")
            write_card(Path(name) / f"{seed}.toml", made.rendered.truth.card)
            try:
                options = Options(card=Path(name) / f"{seed}.toml")
                seen = read_strips(Path(name) / "x.jpg", options, lambda *_: None)
                place = (seen.sheet, seen.correction, seen.view.card)
                read = read_cross(find_cross(*place), *place, seen.photo.jpeg_quality)
            except DrawdownError as error:
                print(f"{seed}: {error}")
                lost += 1
                continue
            mixes = shelf.named_mix(dict(lower)), shelf.named_mix(dict(upper))
            way, back = ("upright", "across"), ("across", "upright")
            told = crossing.predict(seen, read, shelf, *way, mixes)
            guessed = crossing.predict(seen, read, shelf, *way)
            wrong = crossing.predict(seen, read, shelf, *back, mixes[::-1])
            misread = float(delta_e_2000(read.crossing.lab_d50, made.lab_crossing))
            covers = "covering" if dict(upper).get("PW6", 0) > 50 else "transparent"
            rows.append(
                (misread, told.de00, told.agrees, guessed.de00, guessed.agrees, wrong.de00,
                 wrong.agrees, told.distance < wrong.distance,
                 guessed.kind == covers, guessed.kind not in (None, covers))
            )  # fmt: skip
            print(f"{seed}: misread {misread:.1f}, told {told.de00:.1f} {told.agrees}, guessed "
                  f"{guessed.de00:.1f} {guessed.agrees}, wrong way {wrong.de00:.1f} "
                  f"{wrong.agrees}")  # fmt: skip
    r = np.array(rows, dtype=float)
    print(
        f"found {len(r)} of {len(r) + lost}; crossing misread by {np.median(r[:, 0]):.1f} (median)"
    )
    for what, de, ok in (("mixes known", 1, 2), ("unknown", 3, 4), ("wrong way round", 5, 6)):
        print(
            f"{what}: Delta E median {np.median(r[:, de]):.1f}, largest {r[:, de].max():.1f}; "
            f"agrees {100 * r[:, ok].mean():.0f} %"
        )
    print(f"kind of the upper ink, mixes unknown: right {100 * r[:, 8].mean():.0f} %, wrong "
          f"{100 * r[:, 9].mean():.0f} %, else left open")  # fmt: skip
    print(f"right way nearer than wrong way: {100 * r[:, 7].mean():.0f} %")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="leave out the other tables' choice")
    parser.add_argument("--crossings", type=int, default=0, help="render so many photos")
    arguments = parser.parse_args()
    if arguments.crossings:
        crossings(arguments.crossings)
        return
    compare()
    if not arguments.quick:
        leave_one_out()
    plans()


if __name__ == "__main__":
    main()
