"""The noise of the photo chain, from rendered scenes: what two strips' readings are off by.

    python tests/benchmarks/photo_noise.py --scenes 80 --first-seed 91000 OUT.csv

judges strip 1 against strip 2 of each usable scene, as ``drawdown match`` does, and writes
one line per scene: what the first strip's colour is off by, what the difference is off by,
and the standard uncertainties (root of the covariance) that the program states of the
difference. All in units of Delta E 2000: Lab differences times the local CIEDE2000 metric,
so that they can be laid on other colours. ``tests/benchmarks/advice.py`` draws from it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

COLUMNS = ("seed,off_l,off_a,off_b,step_l,step_a,step_b,"
           "root_ll,root_al,root_aa,root_bl,root_ba,root_bb,card_l,card_ab,de00")  # fmt: skip
NEAR = 8.0  # pairs further apart than this are no batch and its original


def row(seed: int, folder: Path) -> list[float] | None:
    """One scene's line, or None when it gives no verdict."""
    from calibration.card.toml import card_from_dict, write_card
    from calibration.colour.difference import local_metric
    from calibration.errors import DrawdownError
    from drawdown.matching.compare import compare
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips
    from fixtures.render import render
    from fixtures.scenes import random_spec

    made = render(random_spec(seed))
    truth = made.truth.to_dict()
    if not truth["usable"] or len(truth["strips"]) < 2:
        return None
    photo, card_path = folder / f"{seed}.jpg", None
    made.save_jpeg(photo)
    if seed % 2:
        card_path = folder / f"{seed}.toml"
        write_card(card_path, card_from_dict(truth["card"]))
    try:
        seen = read_strips(photo, Options(card=card_path), lambda *_: None)
    except DrawdownError:
        return None
    finally:
        photo.unlink()
    strips = sorted(truth["strips"], key=lambda s: s["number"])
    if len(seen.strips) != len(strips):
        return None
    one, two = seen.strips[:2]
    c = compare(
        one, two, nominal_card=card_path is None, shaded_card=seen.correction.shaded,
        hard=any(f.hard for f in seen.flags),
    )  # fmt: skip
    true = [np.array(s["lab_d50"]) for s in strips[:2]]
    de00 = truth["de00"][0][1]
    if c.verdict is None or de00 > NEAR:
        return None
    m = local_metric(one.lab_d50)
    root = np.linalg.cholesky(m @ c.d_lab_cov @ m.T + 1e-9 * np.eye(3))
    off = m @ (one.lab_d50 - true[0])
    step = m @ ((two.lab_d50 - one.lab_d50) - (true[1] - true[0]))
    card = np.abs(m) @ (one.lab_u95 / 1.96)
    return [seed, *off, *step, *root[np.tril_indices(3)], card[0], card[1], de00]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--scenes", type=int, default=80)
    parser.add_argument("--first-seed", type=int, default=91000)
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so long")
    given = parser.parse_args()
    began, lines = time.monotonic(), []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(given.first_seed, given.first_seed + given.scenes):
            found = row(seed, Path(scratch))
            if found is not None:
                lines.append(f"{seed}," + ",".join(f"{v:.4f}" for v in found[1:]))
            if time.monotonic() - began > given.seconds:
                break
    given.out.write_text(COLUMNS + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    table = np.loadtxt(given.out, delimiter=",", skiprows=1, ndmin=2)
    off, step = (np.linalg.norm(table[:, i : i + 3], axis=1) for i in (1, 4))
    for what, v in (("one strip's colour", off), ("the difference", step)):
        print(f"{what}: off by median {np.median(v):.2f}, 95 % below {np.quantile(v, 0.95):.2f}")


if __name__ == "__main__":
    main()
