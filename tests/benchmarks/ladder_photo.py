"""Ladders from photo to ink: rendered photos of strips whose true inks are known.

    python tests/benchmarks/ladder_photo.py [--cases 8] [--seed 1] [--card measured]

Each case is a tin of one pigment, weaker or up to a fifth stronger than the table's, pulled on
the test sheet alone (twice), 10 % in white, 20 % in base and as bare base, photographed by the
renderer (which shares no code with the fit but the colour formulas). The fit begins from the
starter pigment, or from nothing (--pigment no). For each use of the ink, as far as the renderer
can compute it on the same paper, printed are the CIEDE2000 of fit and truth, of the starter
stand-in and truth, and how often the truth is within the stated 95 %.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.toml import write_card
from calibration.colour.difference import delta_e_2000
from calibration.errors import PhotoUnfit
from drawdown.commands.ink.fit import _named, fit_readings
from drawdown.ink.ladder_fit import USES, InUse
from drawdown.ink.shelf import starter_shelf
from drawdown.pipeline.ladder import read_ladder, read_steps
from drawdown.pipeline.ladder_findings import ink_uses
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from drawdown.wording.ladder import misfits
from fixtures.demo import STUDIO, _on_our_sheet
from fixtures.inkfilm import ink_reflectance, mix
from fixtures.layout import plan
from fixtures.render import random_spec, render
from fixtures.sheet import Sheets, printed_black
from fixtures.spec import StripSpec
from fixtures.spectra import lab_d50, pigments

CASES = ("PB15:3", "PY83", "PV19", "PG7", "PBk9", "PR254", "PY74", "PB29", "PO73", "PV23")


def tin(name: str, load: float, share: float, other: str):
    parts = {other: 1 - share}
    for ink, part in ((name, load), ("base", max(1 - load, 0.0))):
        parts[ink] = parts.get(ink, 0.0) + share * part
    return tuple((n, p) for n, p in parts.items() if p > 0)


def scene(name: str, number: int, rng: np.random.Generator):
    load = float(rng.uniform(0.4, 1.2))
    mixes = [(1.0, "base"), (1.0, "base"), (0.1, "PW6"), (0.2, "base"), (0.0, "base")]
    films = np.exp(rng.normal(0, 0.08, 5))
    strips = tuple(
        StripSpec(tin(name, load, share, other), film=float(f), length_mm=104.0, width_mm=20.0,
                  feather=0.04, streaks=1)
        for (share, other), f in zip(mixes, films, strict=True)
    )  # fmt: skip
    seeds = {"ink_seed": 100 + number, "printer_seed": 50 + number, "camera": int(rng.integers(6))}
    return load, random_spec(
        900 + number,
        **STUDIO | seeds | _on_our_sheet(strips, 40 + number)
        | {"table": "board", "card_share": 0.47, "rotation_deg": float(rng.normal(0, 3)),
           "tilt_deg": 4.0, "light_fall": 0.06, "lamp": "D55", "clutter": ()},
    )  # fmt: skip


def truth(name: str, load: float, spec, base):
    """(u, 3) Lab of the tin's ink in ``USES`` on this paper, and Lab of paper and bar."""
    hidden, known, out = pigments(spec.ink_seed), pigments(None), []
    # The tin's own ink is hidden; white and base as the fit has them, to see its error alone.
    shelf = {
        "tin": mix(tin(name, load, 1.0, "base"), hidden),
        "white": known["PW6"],
        "base": tuple(np.full(36, float(v.mean())) for v in (base.k, base.s)),
    }
    paper = Sheets(spec, plan(spec)).paper.reflectance()
    for _, ink, white, thin, black in USES:
        recipe = [("tin", ink), ("white", white), ("base", thin)]
        recipe = tuple((n, p) for n, p in recipe if p > 0)
        under, wetting = (printed_black(), 0.0) if black else (paper, 0.015)
        out.append(lab_d50(ink_reflectance(recipe, shelf, 1.0, under, wetting))[0])
    return np.array(out), lab_d50(paper), lab_d50(printed_black())


def _print_readings(readings, photo) -> None:
    """Reading less truth of each strip over paper, in Lab and in stated uncertainties."""
    sd = np.sqrt(np.diag(readings.covariance)).reshape(-1, 3)
    true = photo.truth.to_dict()["strips"]
    if len(readings.steps) != len(true):
        return
    for rung, u in zip(readings.rungs, sd, strict=True):
        if rung.ground == "paper" and rung.strip <= len(true):
            lab = np.array(true[rung.strip - 1]["lab_d50"])
            miss = rung.lab_d50 - lab
            print(f"   strip {rung.strip} {rung.ground}: {np.round(lab, 1)} off {np.round(miss, 1)}"
                  f" in sd {np.round(miss / u, 1)}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--card", choices=("measured", "drawn"), default="measured")
    parser.add_argument("--pigment", choices=("yes", "no"), default="yes")
    parser.add_argument("--readings", action="store_true", help="also how far each reading is off")
    given = parser.parse_args()
    shelf = starter_shelf()
    white, base = shelf.find("white"), shelf.find("base")
    every: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for number in range(given.cases):
        name = CASES[number % len(CASES)]
        rng = np.random.default_rng([given.seed, number])
        load, spec = scene(name, number, rng)
        photo = render(spec)
        box = np.array(photo.truth.to_dict()["strips"][4]["corners_mm"])
        x, y = box.min(axis=0)
        w, h = np.ptp(box, axis=0)
        place = f"{x + 2:.1f},{y + 8:.1f},{w - 4:.1f},{h - 14:.1f}=bare-base"
        known = shelf.find(name)
        kind = known.kind
        with TemporaryDirectory() as folder:
            path, card = Path(folder) / "ladder.jpg", Path(folder) / "card.toml"
            path.write_bytes(photo.jpeg())
            write_card(card, replace(photo.truth.card, title="measured"))
            options = Options(card=card if given.card == "measured" else None)
            try:
                seen = read_strips(path, options, lambda *_: None)
                steps = read_steps(["1=alone", "2=bar", "3=white:10", "4=base:20", place], kind)
                readings = read_ladder(seen, steps)
            except PhotoUnfit as unfit:
                print(f"{name:8s} refused: {unfit.seen}")
                continue
        if given.readings:
            _print_readings(readings, photo)
        named = _named(name, kind, known, name)
        start = known if given.pigment == "yes" else None
        ink, told = fit_readings(readings, named, start, (white, base), "ladder.jpg")
        true, paper_lab, black_lab = truth(name, load, spec, base)
        look = ink_uses(ink, white, base, paper_lab, black_lab)
        off = delta_e_2000(np.array([u.lab_d50 for u in look]), true)
        stand_in = delta_e_2000(
            InUse(white, base, paper_lab, black_lab).labs(known.k, known.s), true
        )
        stated = np.array([u.de00_within95 for u in look])
        every.append((off, stand_in, off / stated))
        print(
            f"{name:8s} load {load:.2f}  fit {np.round(off, 1)}"
            f"  of stated {np.round(off / stated, 1)}"
            f"  stand-in {np.median(stand_in):.1f}  k ±{100 * ink.k_sd:.0f} %"
            f"  {'; '.join(misfits(told))}",
            flush=True,
        )
    off, stand_in, share = (np.concatenate(v) for v in zip(*every, strict=True))
    print(
        f"fit: median {np.median(off):.2f}, 95th {np.quantile(off, 0.95):.2f}; stand-in: median "
        f"{np.median(stand_in):.2f}, 95th {np.quantile(stand_in, 0.95):.2f}; within the stated "
        f"95 %: {np.mean(share <= 1):.0%}"
    )


if __name__ == "__main__":
    main()
