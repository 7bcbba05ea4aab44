"""Hostile requests against a page that runs here: what was wrong with its answers.

    python tests/benchmarks/hostile.py [--count 300] [--seeds 1 2 3]

Each seed has a page, a book and a phone of its own.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]

import page_kit  # noqa: E402
import siege_kit  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    asked = parser.parse_args()
    wrong = 0
    for seed in asked.seeds:
        began = time.perf_counter()
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "studio"
            with page_kit.running(folder) as served:
                told = siege_kit.besiege(served, folder, seed, asked.count)
        took = time.perf_counter() - began
        print(f"seed {seed}: {asked.count} requests in {took:.0f} s, {len(told)} faults")
        for text in told:
            print(f"  {text[:400]}")
        wrong += len(told)
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
