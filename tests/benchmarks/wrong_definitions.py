"""Definitions that are wrong and strips that are none: does every photo end in an answer or in its
reason, and is a wrong definition noticed?

    python tests/benchmarks/wrong_definitions.py [--runs 2000] [--seed 1] [--photos FOLDER]

Each run takes a photo (the demo's, or those of FOLDER with ``corners.csv`` as real_charts.py reads
them), a definition that is wrong in one way and two places for strips at random, and judges it. The
table counts the ends. An end that is no ``DrawdownError`` is a fault; so is a number that is none.
"""

from __future__ import annotations

import argparse
import collections
import csv
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.toml import builtin_cards, read_card
from calibration.errors import DrawdownError
from calibration.photo.open import open_photo
from drawdown.pipeline.match import match_photo
from drawdown.pipeline.options import Options


def _moved(card, lab):
    patches = (
        replace(p, lab_d50=tuple(float(v) for v in one))
        for p, one in zip(card.patches, lab, strict=True)
    )
    return replace(card, patches=tuple(patches))


def _shifted(card, by_mm):
    return replace(card, patches=tuple(
        replace(p, rect_mm=(p.rect_mm[0] + by_mm[0], p.rect_mm[1] + by_mm[1], *p.rect_mm[2:]))
        for p in card.patches
    ))  # fmt: skip


def _random(card, rng):
    lab = np.column_stack([rng.uniform(0, 100, len(card.patches)),
                           rng.normal(0, 40, (len(card.patches), 2))])  # fmt: skip
    return _moved(card, lab)


WAYS = {
    "as it is": lambda card, rng: card,
    "random colours": _random,
    "colours of other patches": lambda card, rng: _moved(card, rng.permutation(card.lab_d50)),
    "every patch 21 off": lambda card, rng: _moved(
        card, np.clip(card.lab_d50 + 21 * _sphere(rng, len(card.patches)), [1, -120, -120],
                      [100, 120, 120])),
    "all one colour": lambda card, rng: _moved(card, np.tile([50.0, 5, 5], (len(card.patches), 1))),
    "all black": lambda card, rng: _moved(card, np.tile([0.5, 0, 0], (len(card.patches), 1))),
    "patches 5 mm off": lambda card, rng: _shifted(card, 5 * _sphere(rng, 1)[0, :2]),
}  # fmt: skip


def _sphere(rng, count):
    v = rng.standard_normal((count, 3))
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def photographs(folder: Path | None):
    """(photo, card, corners or nothing) of each photo to try."""
    if folder is None:
        from calibration.locate.find_card import locate

        for path in sorted(
            (Path(__file__).resolve().parents[2] / "fixtures" / "photos").glob("*.jpg")
        ):
            photo = open_photo(path)
            try:
                yield photo, locate(photo, builtin_cards()).card, ()
            except DrawdownError:
                continue
        return
    with (folder / "corners.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            corners = tuple((float(row[f"x{k}"]), float(row[f"y{k}"])) for k in range(1, 5))
            card = read_card(folder / f"{row['definition']}.toml")
            yield open_photo(folder / row["file"]), card, (corners,)


def one(photo, card, corners, rng, way: str) -> str:
    """How a run ended."""
    wrong = WAYS[way](card, rng)
    if rng.random() < 0.5:
        wrong = replace(wrong, provenance="measured")
    width, height = card.size_mm
    places = [
        f"{rng.uniform(0, 1.2 * width):.1f},{rng.uniform(0, 1.5 * height):.1f},"
        f"{rng.uniform(4, 30):.1f},{rng.uniform(4, 60):.1f}"
        for _ in range(2)
    ]
    strips = tuple(places) if rng.random() < 0.5 else ()
    try:
        seen = match_photo(photo, Options(card=wrong, card_corners=corners, strips=strips),
                           lambda *_: None)  # fmt: skip
    except DrawdownError as problem:
        return type(problem).__name__
    said = seen.comparison
    if said is None:
        return "nothing compared"
    if not np.isfinite([said.de00, said.de00_low95, said.de00_high95, said.p_within]).all():
        raise ArithmeticError(f"not a number: {said}")
    return said.verdict or "no verdict"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--photos", type=Path)
    given = parser.parse_args()
    photos = list(photographs(given.photos))
    ends: dict[str, collections.Counter] = {way: collections.Counter() for way in WAYS}
    faults = 0
    for run in range(given.runs):
        rng = np.random.default_rng([given.seed, run])
        way = list(WAYS)[run % len(WAYS)]
        photo, card, corners = photos[rng.integers(len(photos))]
        try:
            ends[way][one(photo, card, corners, rng, way)] += 1
        except Exception as fault:
            faults += 1
            ends[way][f"FAULT {type(fault).__name__}"] += 1
            if faults <= 5:
                import traceback

                traceback.print_exc()
    for way, counted in ends.items():
        print(f"{way:26}", ", ".join(f"{n} {end}" for end, n in counted.most_common()))
    print(f"{given.runs} runs, {faults} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
