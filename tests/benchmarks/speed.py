"""CPU time, wall time and peak memory of whole processes, beside one that only decodes the photo.

    python tests/benchmarks/speed.py

Renders a 12 and a 48 megapixel photo (slow: a minute or two), then runs in turn, several
times: Python with Pillow decoding the file, ``drawdown match`` and ``drawdown read`` on it; and
``drawdown --help``. Prints medians (CPU is user and system time of all threads), their ratios
to decoding, and the peak resident memory of each.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SIZES = {"12 MP": (4032, 3024), "48 MP": (8064, 6048)}
DECODE = "import sys; from PIL import Image; Image.open(sys.argv[1]).load()"
NOWHERE = str(ROOT / "tests" / "no-such-folder")  # a studio of the first day: starter inks, no book
ENVIRONMENT = os.environ | {
    "PYTHONPATH": str(ROOT), "DRAWDOWN_BOOK": NOWHERE, "DRAWDOWN_SHELF": NOWHERE + "/shelf.toml",
}  # fmt: skip
# An installed program is compiled once; so must this be.
ENVIRONMENT.pop("PYTHONDONTWRITEBYTECODE", None)
LIMIT = 5.5  # CPU time of match and of read, as so many times that of decoding


def _run(arguments: list[str]) -> tuple[float, float, float, int]:
    """Seconds, CPU seconds, peak MB and exit code of one process (Linux and macOS: wait4)."""
    began = time.perf_counter()
    process = subprocess.Popen(
        arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=ENVIRONMENT
    )
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    unit = 1024 if sys.platform != "darwin" else 1024 * 1024
    cpu = usage.ru_utime + usage.ru_stime
    return seconds, cpu, usage.ru_maxrss / unit, os.waitstatus_to_exitcode(status)


RENDER = """
import sys
from fixtures.render import random_spec, render
path, width, height, seed = sys.argv[1], *map(int, sys.argv[2:])
spec = random_spec(
    seed, difficulty="easy", count=2, width_px=width, height_px=height, jpeg_quality=92
)
render(spec).save_jpeg(path)
"""


def _photo(folder: Path, size: tuple[int, int], seed: int) -> Path:
    """Rendered in a process of its own: Linux counts a parent's memory in its children's peak."""
    path = folder / f"{size[0]}.jpg"
    if not path.exists():
        numbers = [str(n) for n in (*size, seed)]
        subprocess.run(
            [sys.executable, "-c", RENDER, str(path), *numbers], env=ENVIRONMENT, check=True
        )
    return path


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--sizes", nargs="*", default=list(SIZES))
    parser.add_argument("--keep", help="folder for the photos")
    args = parser.parse_args()
    drawdown = [sys.executable, "-m", "drawdown"]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(args.keep or scratch)
        folder.mkdir(parents=True, exist_ok=True)
        help_times = [_run([*drawdown, "--help"])[0] for _ in range(args.runs)]
        print(f"drawdown --help: {statistics.median(help_times):.3f} s (limit 0.35)")
        for name in args.sizes:
            photo = _photo(folder, SIZES[name], args.seed)
            ways = {"decode": [sys.executable, "-c", DECODE]}
            ways |= {name: [*drawdown, name] for name in ("match", "read")}
            _run([*drawdown, "match", str(photo)])  # once, so that all find a warm cache
            rows = {way: [] for way in ways}
            for _ in range(args.runs):
                for way, arguments in ways.items():
                    rows[way].append(_run([*arguments, str(photo)]))
            print(f"{name}: {photo.stat().st_size / 1e6:.1f} MB")
            decoding = statistics.median(run[1] for run in rows["decode"])
            for way, runs in rows.items():
                wall, cpu = (statistics.median(run[i] for run in runs) for i in (0, 1))
                limit = "" if way == "decode" else f", {cpu / decoding:.2f} times (limit {LIMIT})"
                print(
                    f"  {way:6s} CPU {cpu:.3f} s{limit}; wall {wall:.3f} s, "
                    f"{max(run[2] for run in runs):.0f} MB; exit {sorted({run[3] for run in runs})}"
                )


if __name__ == "__main__":
    main()
