"""The whole way on rendered scenes: how often found, how exact, how honest.

    python tests/benchmarks/match.py --scenes 200 --first-seed 90000

renders scenes that were not used in development (any seed from 90000), judges each and
prints a table against the known truth. Odd seeds use the card's measured values, even ones
the nominal definition, as most users will. ``--keep FOLDER`` keeps the photos.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

TOLERANCE = 2.0
NEAR_MM = 6.0


def _make(seed: int, folder: Path) -> tuple[Path, dict]:
    """The scene's photo and truth, rendered unless it is there already."""
    photo, truth = folder / f"{seed}.jpg", folder / f"{seed}.json"
    if not truth.exists():
        from fixtures.render import render
        from fixtures.scenes import random_spec

        made = render(random_spec(seed))
        made.save_jpeg(photo)
        truth.write_text(json.dumps(made.truth.to_dict()))
    return photo, json.loads(truth.read_text())


def _centres(strips: list[dict]) -> np.ndarray:
    return np.array([np.mean(s["corners_mm"], axis=0) for s in strips]).reshape(-1, 2)


def run(seed: int, folder: str) -> dict:
    """One scene: what was found, measured and said, beside the truth."""
    from calibration.card.toml import card_from_dict, write_card
    from calibration.errors import DrawdownError
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    photo, truth = _make(seed, Path(folder))
    row: dict = {"seed": seed, "usable": truth["usable"], "measured": bool(seed % 2)}
    card_path = None
    if seed % 2:
        card_path = Path(folder) / f"{seed}.toml"
        if not card_path.exists():
            write_card(card_path, card_from_dict(truth["card"]))
    began = time.perf_counter()
    try:
        seen = read_strips(photo, Options(card=card_path), lambda *_: None)
    except DrawdownError as problem:
        row |= {"failed": problem.seen, "seconds": time.perf_counter() - began}
        row["card"] = "marker" not in problem.seen and "card" not in problem.seen
        return row
    row["seconds"] = time.perf_counter() - began
    row["card"] = True
    row["held_out"] = seen.correction.held_out_median
    row["flags"] = sorted({f.code for f in seen.all_flags})
    row["hard"] = sorted({f.code for f in seen.all_flags if f.hard})
    found = np.array([s.strip.corners_mm.mean(axis=0) for s in seen.strips]).reshape(-1, 2)
    wanted = _centres(truth["strips"])
    distance = np.linalg.norm(found[:, None] - wanted[None], axis=2)
    limit = [max(NEAR_MM, 0.25 * _long_side(s)) for s in truth["strips"]]
    pairs = {}
    for j in range(len(wanted)):
        if len(found) and distance[:, j].min() < limit[j]:
            pairs[j] = int(distance[:, j].argmin())
    row["strips"] = len(wanted)
    row["missed"] = len(wanted) - len(pairs)
    row["invented"] = len(found) - len(set(pairs.values()))
    numbers = {j: seen.strips[i].strip.number for j, i in pairs.items()}
    row["numbered"] = all(truth["strips"][j]["number"] == n for j, n in numbers.items())
    row["pairs"] = _pairs(seen, truth, pairs, bool(seed % 2))
    return row


def _long_side(strip: dict) -> float:
    corners = np.array(strip["corners_mm"])
    return float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).max())


def _pairs(seen, truth: dict, pairs: dict[int, int], measured: bool) -> list[dict]:
    """Strip 1 as the original against strip 2 as the batch, as ``match`` does by default."""
    from drawdown.matching.compare import compare

    order = sorted(pairs, key=lambda j: truth["strips"][j]["number"])
    out = []
    for j in order[1:2]:
        one, two = seen.strips[pairs[order[0]]], seen.strips[pairs[j]]
        c = compare(
            one,
            two,
            tolerance=TOLERANCE,
            nominal_card=not measured,
            shaded_card=seen.correction.shaded,
            hard=any(f.hard for f in seen.flags),
        )
        real = truth["de00"][order[0]][j]
        labs = [np.array(truth["strips"][k]["lab_d50"]) for k in (order[0], j)]
        out.append(
            {
                "true": real,
                "de00": c.de00,
                "low": c.de00_low95,
                "high": c.de00_high95,
                "p": c.p_within,
                "verdict": c.verdict,
                "lab_error": float(np.linalg.norm(one.lab_d50 - labs[0])),
                "lab_inside": float(np.mean(np.abs(one.lab_d50 - labs[0]) <= one.lab_u95)),
                "vector_error": float(
                    np.linalg.norm((two.lab_d50 - one.lab_d50) - (labs[1] - labs[0]))
                ),
                "groups": _groups(truth, order[0], j, measured),
                "light_sd": max(one.light_sd, two.light_sd),
                "evenness": max(one.evenness_de00, two.evenness_de00),
            }
        )
    return out


def _groups(truth: dict, one: int, other: int, measured: bool) -> list[str]:
    """What sort of pair this is."""
    strips = [truth["strips"][k] for k in (one, other)]
    lab = np.mean([s["lab_d50"] for s in strips], axis=0)
    films = [truth["spec"]["strips"][k]["film"] for k in (one, other)]
    inks = [{name for name, _ in s["recipe"]} for s in strips]
    sorts = {
        "dark (L* < 30)": lab[0] < 30,
        "pale (L* > 80)": lab[0] > 80,
        "vivid (C* > 50)": np.hypot(lab[1], lab[2]) > 50,
        "film (5 % and more)": abs(np.log(films[0] / films[1])) > 0.05,
        "other pigments": inks[0] != inks[1],
        "offcuts": truth["spec"]["paper"] in ("separate", "scrap"),
        "card measured": measured,
        "card as drawn": not measured,
    }
    return [name for name, is_so in sorts.items() if is_so]


def groups(rows: list[dict]) -> None:
    """Print how the interval does in each sort of pair, and what near and far pairs are told."""
    pairs = [p for r in rows for p in r.get("pairs", ()) if p["verdict"] is not None]
    names = dict.fromkeys(g for p in pairs for g in p["groups"])
    print("\npairs with a verdict                interval holds, median width, error median")
    for name in ("all", *sorted(names)):
        some = [p for p in pairs if name == "all" or name in p["groups"]]
        inside = [p["low"] - 1e-9 <= p["true"] <= p["high"] + 1e-9 for p in some]
        width = np.median([p["high"] - p["low"] for p in some])
        error = np.median([abs(p["de00"] - p["true"]) for p in some])
        print(f"  {name:<22} {_share(inside):>18}  {width:.2f}  {error:.2f}")
    for what, verdict, near in (("below 1", "match", True), ("above 3", "no match", False)):
        some = [p for p in pairs if (p["true"] < 1 if near else p["true"] > 3)]
        print(f"  true {what} told {verdict}: {_share([p['verdict'] == verdict for p in some])}")


def _share(condition) -> str:
    values = np.asarray(condition, dtype=bool)
    return f"{100 * values.mean():.1f} % ({values.sum()}/{values.size})" if values.size else "-"


def table(rows: list[dict], title: str) -> None:
    """Print what the issue asks for."""
    print(f"\n{title}: {len(rows)} scenes")
    print(f"  card found                        {_share([r['card'] for r in rows])}")
    seen = [r for r in rows if "failed" not in r]
    exact = [r["missed"] == 0 and r["invented"] == 0 for r in seen]
    exact += [False] * (len(rows) - len(seen))
    print(f"  strips found, none invented       {_share(exact)}")
    print(f"  numbered as expected              {_share([r['numbered'] for r in seen])}")
    pairs = [p for r in seen for p in r["pairs"]]
    judged = [p for p in pairs if p["verdict"] is not None]
    error = np.abs([p["de00"] - p["true"] for p in pairs])
    if not len(error):
        return
    print(f"  pairs compared                    {len(pairs)}, with a verdict {len(judged)}")
    print(
        f"  |measured - true Delta E|         median {np.median(error):.3f}"
        f"  95th percentile {np.quantile(error, 0.95):.3f}  worst {error.max():.2f}"
    )
    near = np.array([p["true"] < 4 for p in pairs])
    if near.any():
        print(
            f"    where the truth is below 4      median {np.median(error[near]):.3f}"
            f"  95th percentile {np.quantile(error[near], 0.95):.3f}"
        )
    inside = [p["low"] - 1e-9 <= p["true"] <= p["high"] + 1e-9 for p in pairs]
    print(f"  95 % interval covers the truth    {_share(inside)}")
    wrong = [
        (p["verdict"] == "match" and p["true"] > TOLERANCE)
        or (p["verdict"] == "no match" and p["true"] <= TOLERANCE)
        for p in judged
    ]
    print(f"  confident verdict that is wrong   {_share(wrong)}")
    for verdict in ("match", "no match", "too close to call"):
        share = _share([p["verdict"] == verdict for p in judged])
        print(f"    said {verdict:<18}           {share}")
    print(
        f"  colour itself: error of Lab       median "
        f"{np.median([p['lab_error'] for p in pairs]):.2f};"
        f"  inside u95 {100 * np.mean([p['lab_inside'] for p in pairs]):.1f} %"
    )
    seconds = [r["seconds"] for r in rows]
    print(f"  seconds to read a photo           median {np.median(seconds):.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=90000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", help="folder for the photos; a temporary one by default")
    parser.add_argument("--worst", type=int, default=0, help="list the worst scenes")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.scenes)
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or scratch
        Path(folder).mkdir(parents=True, exist_ok=True)
        with ProcessPoolExecutor(args.jobs) as pool:
            rows = list(pool.map(run, seeds, [folder] * len(seeds), chunksize=2))
    usable = [r for r in rows if r["usable"]]
    table(usable, "All usable scenes")
    table([r for r in usable if r["measured"]], "Card with measured values")
    table([r for r in usable if not r["measured"]], "Card as drawn (nominal)")
    groups(usable)
    for r in usable:
        if "failed" in r:
            print(f"  seed {r['seed']} refused: {r['failed']}")
        elif r["missed"] or r["invented"]:
            print(f"  seed {r['seed']}: missed {r['missed']}, invented {r['invented']}")
    if args.worst:
        _worst(usable, args.worst)


def _worst(rows: list[dict], count: int) -> None:
    pairs = [(abs(p["de00"] - p["true"]), r, p) for r in rows for p in r.get("pairs", ())]
    print("\nworst pairs: error, seed, measured card, true, read, interval, verdict, flags")
    for error, r, p in sorted(pairs, key=lambda x: -x[0])[:count]:
        print(
            f"  {error:5.2f} {r['seed']} {r['measured']!s:5} {p['true']:5.2f} {p['de00']:5.2f} "
            f"[{p['low']:.2f} {p['high']:.2f}] {p['verdict']} light {p['light_sd']:.3f} "
            f"even {p['evenness']:.2f} vec {p['vector_error']:.2f} {','.join(r['flags'])}"
        )
    missed = [
        (r["seed"], p)
        for r in rows
        for p in r.get("pairs", ())
        if not p["low"] - 1e-9 <= p["true"] <= p["high"] + 1e-9
    ]
    print("outside the interval:")
    for seed, p in missed:
        span = f"[{p['low']:.2f} {p['high']:.2f}]"
        print(f"  {seed} true {p['true']:.2f} read {p['de00']:.2f} {span}")


if __name__ == "__main__":
    main()
