"""One photo against three of the same pair: sheet turned, phone moved, another exposure.

    python tests/benchmarks/several.py --pairs 20 --first-seed 343000

Odd seeds use the card's measured values. Prints how often a match is said where there is one, how
often an interval holds, and by how much photos of one pair scatter about each other (what another
photo draws anew) beside their common error.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

TOLERANCE, PHOTOS = 2.0, 3


def specs(seed: int) -> list:
    """The scenes: one sheet, card, camera and lamp; light from elsewhere, phone held otherwise."""
    from fixtures.scenes import random_spec

    base = random_spec(seed, count=2)
    out = [base]
    for k in range(1, PHOTOS):
        rng, other = np.random.default_rng([seed, k, 5]), random_spec(seed * 7 + k)
        share = float(np.clip(base.card_share * np.exp(rng.normal(0, 0.15)), 0.2, 0.8))
        out.append(
            replace(
                base,
                light_from_deg=(base.light_from_deg + (180, 90)[k - 1]) % 360,
                rotation_deg=base.rotation_deg + float(rng.normal(0, 8)),
                tilt_deg=other.tilt_deg,
                tilt_azimuth_deg=other.tilt_azimuth_deg,
                card_share=share,
                exposure=other.exposure,
                lamp_gradient=(-1 if k == 1 else 1) * base.lamp_gradient,
            )
        )
    return out


def run(task: tuple[int, str]) -> dict:
    """One pair: what each photo says, and what all say together."""
    from calibration.card.toml import card_from_dict
    from calibration.errors import DrawdownError
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options
    from fixtures.render import render

    seed, folder = task
    photos = [Path(folder) / f"{seed}-{k}.jpg" for k in range(PHOTOS)]
    for photo, spec in zip(photos, specs(seed), strict=True):
        if not photo.exists():
            render(spec).save_jpeg(photo)
    truth = json.loads(photos[0].with_suffix(".json").read_text())
    card = card_from_dict(truth["card"]) if seed % 2 else None
    labs = [np.array(strip["lab_d50"]) for strip in truth["strips"]]
    row = {"true": truth["de00"][0][1], "d": labs[1] - labs[0], "one": [], "all": None}
    for some in (*([p] for p in photos), photos):
        try:
            c = match_photo(some, Options(card=card), lambda *_: None).comparison
        except DrawdownError:
            continue
        if len(some) > 1:
            row["all"] = c
        elif c.verdict is not None:
            row["one"].append(c)
    return row


def report(rows: list[dict]) -> None:
    one = [(r["true"], c) for r in rows for c in r["one"]]
    every = [(r["true"], r["all"]) for r in rows if r["all"] is not None and r["all"].verdict]
    for name, some, most in (("one photo", one, PHOTOS), ("three photos", every, 1)):
        holds = [c.de00_low95 - 0.01 <= t <= c.de00_high95 + 0.01 for t, c in some]
        match = [c.verdict == "match" for t, c in some if t < 1]
        apart = [c.verdict == "no match" for t, c in some if t > 3]
        wrong = sum(
            c.verdict != "too close to call" and (c.verdict == "match") != (t <= TOLERANCE)
            for t, c in some
        )
        width = np.median([c.de00_high95 - c.de00_low95 for _, c in some])
        print(
            f"{name:12}  judged {len(some)} of {most * len(rows)}; true below 1 told match "
            f"{sum(match)}/{len(match)}; above 3 told no match {sum(apart)}/{len(apart)}; wrong "
            f"{wrong}; interval holds {sum(holds)}/{len(holds)}, median width {width:.2f}"
        )
    off = [np.array([c.d_lab - r["d"] for c in r["one"]]) for r in rows if len(r["one"]) == PHOTOS]
    scatter = [np.sqrt(e.var(axis=0, ddof=1).sum()) for e in off]
    common = [np.linalg.norm(e.mean(axis=0)) for e in off]
    print(
        f"error of the Lab difference: scatter of photos of one pair, median "
        f"{np.median(scatter):.2f}; common to them {np.median(common):.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=343000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        seeds = range(given.first_seed, given.first_seed + given.pairs)
        with ProcessPoolExecutor(given.jobs) as pool:
            report(list(pool.map(run, [(seed, str(folder)) for seed in seeds])))


if __name__ == "__main__":
    main()
