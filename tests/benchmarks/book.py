"""The studio book at size: 10,000 kept originals and 100,000 further readings.

    python -m tests.benchmarks.book [--folder FOLDER] [--originals N] [--readings N]

Prints the time to open the book, to find the nearest original of a colour, to list and to
keep one more, each as the median of many (and from least to most), and that of whole
processes beside one that runs a command without the book. Of the lists it is the processor
time of the whole process that counts: 10,000 originals in under 2 s. Last come the memory that
sharing and importing need (1 GB at most), and the size of database and diary.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]

from book_kit import MIX, keep, reading_row  # noqa: E402

from drawdown.book import now, open_book  # noqa: E402
from drawdown.book.batches import begin_batch  # noqa: E402
from drawdown.book.originals import find_original, keep_original, list_originals  # noqa: E402
from drawdown.book.readings import nearest  # noqa: E402


def fill(folder: Path, originals: int, readings: int) -> None:
    """A book of colours spread over the inks' gamut, and as many logged readings."""
    rng = np.random.default_rng(3)
    labs = np.column_stack([rng.uniform(15, 95, originals), rng.normal(0, 30, (originals, 2))])
    with open_book(folder, create=True) as book:
        with book.change("originals") as change:
            for k, lab in enumerate(labs):
                row = change.insert("reading", reading(rng, lab))
                keep_original(
                    book, change, name=f"colour {k:05d}", reading=row, date="2030-01-01",
                    paper=f"paper {k % 7}", edition=f"edition {k % 40}", mix=MIX,
                )  # fmt: skip
        for start in range(0, readings, 20_000):
            with book.change("readings") as change:
                batch = begin_batch(
                    book, change, name=f"batch {start}", original=1, date="2030-01-01", mix=MIX
                )
                for k in range(start, min(readings, start + 20_000)):
                    lab = labs[k % originals] + rng.normal(0, 2, 3)
                    row = change.insert("reading", reading(rng, lab))
                    entry = {"batch": batch, "at": now(), "kind": "read", "reading": row}
                    change.insert("entry", entry)


def reading(rng: np.random.Generator, lab: np.ndarray) -> dict:
    """A row with an ensemble of its own."""
    samples = rng.normal(0, 0.4, (96, 3)).astype("<f4").tobytes()
    return reading_row(tuple(map(float, lab)), **{"samples": samples})


def timed(what: str, times: int, run) -> float:
    spans = []
    for _ in range(times):
        begin = time.perf_counter()
        run()
        spans.append(time.perf_counter() - begin)
    median = statistics.median(spans)
    least, most = 1000 * min(spans), 1000 * max(spans)
    print(f"{what:<52} {1000 * median:8.1f} ms   ({least:.1f} to {most:.1f})")
    return median


def process(*args: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "drawdown", *args], cwd=ROOT, check=True, capture_output=True
    )


def processor(times: int, *args: str) -> float:
    """Seconds of processor time of one such process, the mean of some: what is left when
    other programs keep the machine busy."""
    before = os.times()
    for _ in range(times):
        process(*args)
    after = os.times()
    spent = after.children_user + after.children_system
    return (spent - before.children_user - before.children_system) / times


def measure(folder: Path) -> dict[str, float]:
    """The times in seconds by name, printed as they come."""
    out = {}

    def open_it() -> None:
        open_book(folder).close()

    out["open"] = timed("open the book", 20, open_it)
    with open_book(folder) as book:
        rng = np.random.default_rng(1)

        def find_it() -> None:
            nearest(book, np.array([rng.uniform(15, 95), *rng.normal(0, 30, 2)]))

        find_it()  # loads CIEDE2000
        out["find"] = timed("find the nearest in an open book", 20, find_it)
        out["by name"] = timed(
            "one original by its name", 20, lambda: find_original(book, "colour 04321")
        )
        out["list"] = timed("list all originals", 3, lambda: list_originals(book, sort="hue"))

    def open_and_find() -> None:
        with open_book(folder) as fresh:
            nearest(fresh, np.array([50.0, 10.0, 10.0]))

    out["open and find"] = timed("open the book and find the nearest", 10, open_and_find)
    return out


def share(folder: Path) -> None:
    """The book as one file and that taken into an empty book: the most memory of either process,
    and how database and diary compare with the records as JSON."""
    with tempfile.TemporaryDirectory(dir=folder.parent) as place:
        file, other = Path(place) / "shared.zip", Path(place) / "book"
        for args in (("share", file, "--book", folder), ("import", file, "--book", other)):
            words = [sys.executable, "-m", "drawdown", "book", *map(str, args)]
            child = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL,
                                     stderr=subprocess.DEVNULL)  # fmt: skip
            _, status, used = os.wait4(child.pid, 0)
            assert status == 0, words
            print(f"{f'book {args[0]}, most memory':<52} {used.ru_maxrss / 1e3:8.0f} MB")
        with zipfile.ZipFile(file) as archive:
            records = archive.getinfo("manifest.json").file_size
        held = sum((other / name).stat().st_size for name in ("book.sqlite", "diary.jsonl.gz"))
        print(f"{'database and diary / records as JSON':<52} {held / records:8.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--folder", type=Path, help="keep the book there, or use the one there")
    parser.add_argument("--originals", type=int, default=10_000)
    parser.add_argument("--readings", type=int, default=100_000)
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp()) / "book"
    if not (folder / "book.sqlite").exists():
        begin = time.perf_counter()
        fill(folder, options.originals, options.readings)
        print(f"filled in {time.perf_counter() - begin:.0f} s")
    for name in ("book.sqlite", "diary.jsonl.gz"):
        print(f"{name}: {(folder / name).stat().st_size / 1e6:.0f} MB")
    measure(folder)
    with open_book(folder) as book:
        mark = str(time.time_ns())
        numbers = iter(range(1000))
        timed("keep one more", 10, lambda: keep(book, f"{mark} {next(numbers)}"))
    bare, whole = ("--completion", "bash"), ("book", "show", "colour 04321", "--book", str(folder))
    clock, work = [], []
    for name, args in (("without the book", bare), ("that shows one original", whole)):
        clock.append(timed(f"a whole process {name}", 5, lambda a=args: process(*a)))
        work.append(processor(5, *args))
        print(f"{'  processor time':<52} {1000 * work[-1]:8.1f} ms")
    print(f"{'  beyond start-up':<52} {1000 * (clock[1] - clock[0]):8.1f} ms")
    print(f"{'  beyond start-up, processor time':<52} {1000 * (work[1] - work[0]):8.1f} ms")
    lists = (
        ("book", "list"),
        ("book", "list", "--sort", "hue", "--json"),
        ("book", "list", "changes"),
    )
    for args in lists:
        spent = processor(2, *args, "--book", str(folder))
        print(f"{'drawdown ' + ' '.join(args) + ', processor time':<52} {1000 * spent:8.1f} ms")
    share(folder)
    if options.folder is None:
        shutil.rmtree(folder.parent)


if __name__ == "__main__":
    main()
