"""Hard photos through the whole way: mirrored windows, strangers, coloured papers, touching strips.

    python tests/benchmarks/hard.py --scenes 6 --first-seed 710000
    python tests/benchmarks/hard.py --own --scenes 6 --first-seed 340000

By default on photos of the second renderer, which marks and on which nothing is set; ``--own``
takes the first one's hard scenes (tests/kits/hard_scenes.py). Odd seeds use the card's measured
values. ``--keep FOLDER`` keeps the photos; ``--list`` tells of every scene.
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

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE), str(HERE.parent / "kits")]

TOLERANCE = 2.0


def _make(kind: str, seed: int, own: bool, folder: Path) -> tuple[Path, dict]:
    photo = folder / f"{'own' if own else 'second'}-{kind}-{seed}.jpg"
    truth = photo.with_suffix(".json")
    if truth.exists():
        return photo, json.loads(truth.read_text())
    if own:
        from hard_scenes import hard_spec

        from fixtures.layout import plan
        from fixtures.render import render

        spec = hard_spec(kind, seed)
        made = render(spec)
        photo.write_bytes(made.jpeg())
        known = made.truth.to_dict()
        compared = plan(spec).numbers[:2]
        for strip in known["strips"]:
            strip["pair"] = strip["number"] in compared
    else:
        from second_renderer import render

        jpeg, known = render(seed, kind)
        photo.write_bytes(jpeg)
    truth.write_text(json.dumps(known))
    return photo, known


def run(kind: str, seed: int, own: bool, folder: str) -> dict:
    """One scene: what was found and said, beside the truth."""
    from calibration.card.toml import card_from_dict
    from calibration.errors import DrawdownError
    from drawdown.pipeline.match import match_photo
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    photo, truth = _make(kind, seed, own, Path(folder))
    card = card_from_dict(truth["card"]) if seed % 2 else None
    row = {"kind": kind, "seed": seed, "code": "", "said": None}
    wanted = [np.mean(s["corners_mm"], axis=0) for s in truth["strips"]]
    first, second = [k for k, s in enumerate(truth["strips"]) if s["pair"]]
    row["true"] = truth["de00"][first][second]
    began = time.process_time()
    try:
        seen = match_photo(photo, Options(card=card), lambda *_: None)
    except DrawdownError as problem:
        row |= {"refused": problem.seen, "found": _found(photo, card, wanted, read_strips)}
        return row | {"seconds": time.process_time() - began}
    row["seconds"] = time.process_time() - began
    c = seen.comparison
    centres = {s.number: s.corners_mm.mean(axis=0) for s in seen.strips}
    row["found"] = _matched(list(centres.values()), wanted)
    row["said"] = c.verdict
    row["hard"] = sorted(f.code for f in seen.all_flags if f.hard)
    row["flags"] = sorted({f.code for f in seen.all_flags})
    row |= {"de00": c.de00, "low": c.de00_low95, "high": c.de00_high95}
    taken = [_nearest(centres[n], wanted) for n in (c.original, c.batch)]
    row["right_pair"] = set(taken) == {first, second}
    return row


def _nearest(centre: np.ndarray, wanted: list[np.ndarray]) -> int | None:
    far = np.linalg.norm(np.array(wanted) - centre, axis=1)
    return int(far.argmin()) if far.min() < 10 else None


def _matched(centres: list[np.ndarray], wanted: list[np.ndarray]) -> tuple[int, int, int]:
    """(true, found of them, invented)."""
    hits = [_nearest(c, wanted) for c in centres]
    right = {h for h in hits if h is not None}
    return len(wanted), len(right), len(hits) - len(right)


def _found(photo: Path, card, wanted, read_strips) -> tuple[int, int, int]:
    from calibration.errors import DrawdownError
    from drawdown.pipeline.options import Options

    try:
        seen = read_strips(photo, Options(card=card), lambda *_: None)
    except DrawdownError:
        return len(wanted), 0, 0
    return _matched([s.corners_mm.mean(axis=0) for s in seen.strips], wanted)


def wrong(row: dict) -> bool:
    """A verdict that is given and is not so, or speaks of two other strips."""
    if row["said"] in (None, "too close to call"):
        return False
    return not row["right_pair"] or (row["said"] == "match") != (row["true"] <= TOLERANCE)


def report(rows: list[dict]) -> None:
    print("kind          n  all found  refused  wrong+sure  other pair  match/no/close  holds"
          "  error med 95th  width")  # fmt: skip
    kinds = list(dict.fromkeys(r["kind"] for r in rows))
    for kind in [*kinds, "all"]:
        some = [r for r in rows if kind in ("all", r["kind"])]
        told = [r for r in some if "de00" in r and r["right_pair"]]
        said = [r for r in some if r["said"] is not None]
        exact = sum(r["found"] == (r["found"][0], r["found"][0], 0) for r in some)
        holds = [r["low"] - 0.01 <= r["true"] <= r["high"] + 0.01 for r in told if r["said"]]
        error = [abs(r["de00"] - r["true"]) for r in told if r["said"]] or [np.nan]
        width = [r["high"] - r["low"] for r in told if r["said"]] or [np.nan]
        words = "/".join(
            str(sum(r["said"] == w for r in said))
            for w in ("match", "no match", "too close to call")
        )
        print(
            f"{kind:12} {len(some):3}  {exact:9}  {len(some) - len(said):7}  "
            f"{sum(wrong(r) for r in some):10}  "
            f"{sum(not r['right_pair'] for r in said):10}  {words:>14}  "
            f"{100 * np.mean(holds or [np.nan]):4.0f}%  "
            f"{np.median(error):6.2f} {np.quantile(error, 0.95):5.2f}  {np.median(width):5.2f}"
        )
    print(f"CPU seconds a photo: median {np.median([r['seconds'] for r in rows]):.2f}")


def listed(row: dict) -> str:
    told = ""
    if "de00" in row:
        told = (
            f"read {row['de00']:.2f} [{row['low']:.2f} {row['high']:.2f}] pair {row['right_pair']}"
        )
    return (
        f"{row['kind']:12} {row['seed']} true {row['true']:.2f} said {row['said']} {told} "
        f"found {row['found']} {'WRONG' if wrong(row) else ''} {row.get('refused', '')} "
        f"{','.join(row.get('flags', ()))}"
    )


def _one(task: tuple) -> dict:
    return run(*task)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=6, help="of each kind")
    parser.add_argument("--first-seed", type=int, default=710000)
    parser.add_argument("--own", action="store_true")
    parser.add_argument("--kinds", nargs="*")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--list", action="store_true")
    given = parser.parse_args()
    if given.own:
        from hard_scenes import KINDS
    else:
        from second_renderer import KINDS
    seeds = range(given.first_seed, given.first_seed + given.scenes)
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        tasks = [(k, s, given.own, str(folder)) for k in given.kinds or KINDS for s in seeds]
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(_one, tasks, chunksize=2))
    report(rows)
    if given.list:
        for row in rows:
            print(listed(row))


if __name__ == "__main__":
    main()
