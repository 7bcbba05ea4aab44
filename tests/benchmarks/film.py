"""Film told from ink, on rendered scenes whose films and mixes are known.

    python tests/benchmarks/film.py --scenes 24 --first-seed 95000 --keep FOLDER [--bar | --wedge]

For each family of inks it makes pairs of one mix with films 0.3 to 3 times as thick
("film"), of two mixes in equal films ("mix"), and of both at once ("both"), reads each photo,
and compares with and without the noted mix. Columns: in how many a ratio was given and its
error as a natural log (median, 95 %) and how often the 95 % interval held the truth; error
and coverage of Delta E at equal film; of the pairs further apart than the tolerance, in how
many the film was said to explain it (rightly, wrongly) and in how many of these "same ink"
was said outright. Wrongly means that the inks at equal film are further apart than the
tolerance: the costly error. With ``--bar`` all strips cross a printed bar, and each photo is read
with it and without. With ``--wedge`` the batch is pulled from thick to thin and compared where it
comes nearest the original, as ``match --wedge`` does; the truth is then Delta E at the film where
the two mixes come nearest each other.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

TOLERANCE = 2.0
FAMILIES = ("let-down", "masstone", "tint")
KINDS = ("film", "mix", "both")
THINNEST, THICKEST = 0.3, 3.0
# A wedge: film at its start over that at its end, and what of it may be read, run-out and all.
STEEP = 8.0
RUN_OF_WEDGE = np.geomspace(0.4 * STEEP**-0.5, STEEP**0.5, 81)


def scene(seed: int, family: str, kind: str, bar: bool = False):
    """The scene's spec and the truth: ratio, Delta E as it lies, Delta E at equal film."""
    from calibration.colour.difference import delta_e_2000
    from fixtures.scenes import film_lab, near_recipe, random_spec
    from fixtures.sheet import sheet_paper

    spec = random_spec(
        seed, difficulty="easy", count=2, family=family, width_px=1600, height_px=1200
    )
    if bar:
        spec = replace(spec, paper="bar", sheet_print=None)
    rng = np.random.default_rng([seed, 77])
    paper = sheet_paper(spec).reflectance()
    one = spec.strips[0]

    def lab(recipe, film=one.film):
        return film_lab(recipe, film, spec.ink_seed, paper)

    ratio = 1.0
    if kind != "mix":
        ratio = float(np.exp(rng.uniform(np.log(THINNEST), np.log(THICKEST))))
    recipe = one.recipe
    if kind != "film":
        recipe = near_recipe(rng, recipe, float(rng.uniform(1, 7)), lab, rng.random() < 0.4)
    two = replace(spec.strips[1], recipe=recipe, film=one.film * ratio)
    # The pulls differ as pulls do: one may start thicker or run out later.
    shapes = [
        {"bead": float(rng.uniform(0.0, 1.8)), "feather": float(rng.uniform(0.05, 0.25))}
        for _ in range(2)
    ]
    strips = tuple(replace(s, **shape) for s, shape in zip((one, two), shapes, strict=True))
    start = lab(one.recipe)
    truth = {
        "ratio": ratio,
        "de00": float(delta_e_2000(start, lab(recipe, two.film))),
        "equal": float(delta_e_2000(start, lab(recipe))),
    }
    return replace(spec, strips=strips), truth


def run_wedge(seed: int, family: str, kind: str, folder: Path) -> dict | None:
    """One scene whose batch is a wedge; None where no two strips were found."""
    from calibration.colour.difference import delta_e_2000
    from calibration.errors import DrawdownError
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options
    from fixtures.layout import plan
    from fixtures.render import render
    from fixtures.scenes import film_lab
    from fixtures.sheet import sheet_paper

    spec, truth = scene(seed, family, kind)
    one, two = spec.strips
    two = replace(two, wedge=STEEP, bead=0.3, feather=0.08)
    spec = replace(spec, strips=(one, two), sheet_print=None, paper="plain")
    paper = sheet_paper(spec).reflectance()
    start = film_lab(one.recipe, one.film, spec.ink_seed, paper)
    films = two.film * RUN_OF_WEDGE
    labs = [film_lab(two.recipe, float(film), spec.ink_seed, paper) for film in films]
    near = delta_e_2000(start, np.array(labs))
    photo = folder / f"{family}-{kind}-{seed}-wedge.jpg"
    if not photo.exists():
        photo.write_bytes(render(spec).jpeg())
    original, batch = plan(spec).numbers
    try:
        asked = Options(original=original, batch=batch, wedge=True)
        seen = match_photo(photo, asked, lambda *_: None)
    except DrawdownError as problem:
        print(f"{photo.name}: {problem.seen}")
        return None
    c = seen.comparison
    return {
        "family": family, "kind": kind, "ratio": truth["ratio"], "nearest": float(near.min()),
        "equal": truth["equal"], "measured": c.de00, "low": c.de00_low95, "high": c.de00_high95,
        "verdict": c.verdict, "ink": bool(seen.advice and seen.advice.additions),
        "short": any(flag.kind.code == "wedge-short" for flag in seen.all_flags),
    }  # fmt: skip


def report_wedges(rows: list[dict]) -> None:
    print(
        "                 n short | error: med 95 %  held | match, wrongly; no match, wrongly | ink"
    )
    for family, kind in itertools.product(FAMILIES, KINDS):
        some = [r for r in rows if (r["family"], r["kind"]) == (family, kind)]
        if not some:
            continue
        error = [abs(r["measured"] - r["nearest"]) for r in some]
        held = [r["low"] - 0.05 <= r["nearest"] <= r["high"] + 0.05 for r in some]
        said = {v: [r["nearest"] for r in some if r["verdict"] == v] for v in ("match", "no match")}
        wrong = (
            sum(x > TOLERANCE for x in said["match"]),
            sum(x <= TOLERANCE for x in said["no match"]),
        )
        print(
            f"{family:9} {kind:5} {len(some):3} {sum(r['short'] for r in some):3}   | "
            f"{np.median(error):6.2f} {np.quantile(error, 0.95):5.2f} {100 * np.mean(held):4.0f} % "
            f"| {len(said['match']):5} {wrong[0]:3}         "
            f"{len(said['no match']):5} {wrong[1]:3}          | {sum(r['ink'] for r in some):3}"
        )


def run(seed: int, family: str, kind: str, folder: Path, bar: bool = False) -> list[dict]:
    """One scene, read once and compared without and with its mix, without and with its bar."""
    from calibration.errors import DrawdownError
    from drawdown.ink.shelf import starter_shelf
    from drawdown.matching.compare import compare
    from drawdown.matching.film_family import over_bars
    from drawdown.matching.film_or_ink import Pulls
    from drawdown.pipeline.opacity import over_bar_of
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips
    from fixtures.layout import plan

    spec, truth = scene(seed, family, kind, bar)
    name = f"{family}-{kind}-{seed}{'-bar' * bar}"
    photo, known = folder / f"{name}.jpg", folder / f"{name}.json"
    if not known.exists():
        from fixtures.render import render

        made = render(spec)
        photo.write_bytes(made.jpeg())
        films = {s.number: s.film_mean for s in made.truth.strips}
        known.write_text(json.dumps(films))
    films = {int(number): film for number, film in json.loads(known.read_text()).items()}
    # Strips are numbered as they lie, which need not be the order of the scene.
    original, batch = plan(spec).numbers
    truth["ratio"] = films[batch] / films[original]
    try:
        seen = read_strips(photo, Options(), lambda *_: None)
    except DrawdownError:
        return []
    strips = {s.strip.number: s for s in seen.strips}
    if len(strips) != 2:
        return []
    shelf = starter_shelf()
    mix = shelf.named_mix(dict(spec.strips[0].recipe))
    rows = []
    pair = strips[original], strips[batch]
    over = [over_bar_of(seen, strip) for strip in pair] if bar else [None]
    bars = None if None in over else over_bars(pair, tuple(over))
    ways = [(given, None) for given in (None, shelf.mix(mix))]
    ways += [(given, bars) for given, _ in ways if bars is not None]
    for given, told in ways:
        c = compare(
            strips[original],
            strips[batch],
            tolerance=TOLERANCE,
            nominal_card=seen.correction.nominal,
            pulls=Pulls(seen.correction.paper_lab_d50, given, bars=told),
        )
        if c.film is None:
            continue
        film = c.film
        rows.append(
            {
                "seed": seed, "family": family, "kind": kind, "mix": given is not None,
                "bar": told is not None, "with_bar": bars is not None,
                **truth, "measured": c.de00, "told": film.kind, "film": film,
                "explains": film.explains(c.de00, TOLERANCE),
            }
        )  # fmt: skip
    return rows


def _line(rows: list[dict]) -> str:
    from drawdown.matching.film_or_ink import SURE_SAME

    given = [r for r in rows if r["film"].ratio is not None]
    error = [abs(np.log(r["film"].ratio / r["ratio"])) for r in given] or [np.nan]
    inside = [r["film"].ratio_low95 <= r["ratio"] <= r["film"].ratio_high95 for r in given]
    equal = [r for r in rows if r["film"].de00_equal_film is not None]
    miss = [abs(r["film"].de00_equal_film - r["equal"]) for r in equal] or [np.nan]
    held = [
        r["film"].de00_equal_film_low95 - 0.05
        <= r["equal"]
        <= r["film"].de00_equal_film_high95 + 0.05
        for r in equal
    ]
    apart = [r for r in rows if r["measured"] > TOLERANCE]
    said = [r for r in apart if r["explains"]]
    right = [r for r in said if r["equal"] <= TOLERANCE]
    sure = [r for r in said if r["film"].p_within >= SURE_SAME]
    wrong_sure = [r for r in sure if r["equal"] > TOLERANCE]
    kinds = "/".join(str(sum(r["told"] == k for r in rows)) for k in ("told", "opaque", "short"))
    return (
        f"{len(rows):4} {kinds:>10} | {len(given):3} {np.median(error):5.2f} "
        f"{np.quantile(error, 0.95):5.2f} {100 * np.mean(inside or [np.nan]):4.0f} % | "
        f"{np.median(miss):5.2f} {np.quantile(miss, 0.95):5.2f} "
        f"{100 * np.mean(held or [np.nan]):4.0f} % | {len(apart):3} {len(right):3} "
        f"{len(said) - len(right):3}   {len(sure) - len(wrong_sure):3} {len(wrong_sure):3}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=int, default=12, help="of each family and kind")
    parser.add_argument("--first-seed", type=int, default=95000)
    parser.add_argument("--keep", type=Path, help="folder for the photos, read again if there")
    parser.add_argument("--bar", action="store_true", help="the strips cross a printed bar")
    parser.add_argument("--wedge", action="store_true", help="the batch runs from thick to thin")
    parser.add_argument("--families", nargs="+", default=FAMILIES, choices=FAMILIES)
    parser.add_argument("--list", action="store_true", help="also print each scene")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        seeds = range(given.first_seed, given.first_seed + given.scenes)
        if given.wedge:
            wanted = itertools.product(seeds, given.families, KINDS)
            report_wedges([r for one in wanted if (r := run_wedge(*one, folder)) is not None])
            return
        rows = [
            row
            for seed in seeds
            for family in given.families
            for kind in KINDS
            for row in run(seed, family, kind, folder, given.bar)
        ]
    print(
        "                          n told/op/sh | ratio: n  med   95 % held | equal film      held"
    )
    print("                                       |                          | error: med 95 %    "
          " | apart right wrong, sure: right wrong")  # fmt: skip
    if given.bar:
        rows = [r for r in rows if r["with_bar"]]
    for bar, mix in itertools.product((False, True), repeat=2):
        for family, kind in itertools.product(given.families, KINDS):
            wanted = bar, mix, family, kind
            some = [r for r in rows if (r["bar"], r["mix"], r["family"], r["kind"]) == wanted]
            if some:
                said = f"{'mix noted' if mix else 'no mix'}{', bar' * bar}"
                print(f"{said:14} {family:8} {kind:5} {_line(some)}")
    if given.list:
        for r in rows:
            f = r["film"]
            print(
                r["family"], r["kind"], r["seed"], "mix" if r["mix"] else "-", r["told"],
                *(f"{k} {r[k]:.2f}" for k in ("ratio", "de00", "measured", "equal")), "|",
                *(f"{k} {v:.2f}" for k, v in vars(f).items() if isinstance(v, float)),
                "EXPLAINS" if r["explains"] else "", f.instead[:2],
            )  # fmt: skip


if __name__ == "__main__":
    main()
