"""Ctrl-C at random moments: does the program stop, without a traceback and with the book whole?

    python tests/benchmarks/interrupts.py [--runs 1000] [--seed 1]

Starts ``read``, ``match``, ``book keep`` and ``book import`` in turn, interrupts each at a moment
drawn evenly from the time it takes, one in four a second time soon after, and waits. Counts as
wrong: still running ``PATIENCE_S`` after the last interrupt, an exit code that is neither the
command's own nor that of an interrupt, a traceback, words other than "Stopped.", and a book that
``book check`` does not call whole. What the interpreter says of an interrupt before a line of this
program has run is counted apart. Ends with 1 when anything was wrong.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PHOTO = str(ROOT / "fixtures" / "photos" / "no-match.jpg")
SHARED = str(ROOT / "tests" / "data" / "earlier" / "book.zip")
PATIENCE_S = 10.0
# What is run, its own exit codes, and whether it writes the book.
COMMANDS = (
    (("read", PHOTO), {0}, False),
    (("match", PHOTO), {3}, False),
    (("book", "keep", PHOTO, "--name", "Coral"), {0}, True),
    (("book", "import", SHARED), {0}, True),
)
STOPPED = {130, -signal.SIGINT}


def run(words: tuple[str, ...], studio: Path, moments: list[float]) -> tuple[int | None, str]:
    """The exit code, None when it hangs, and what it said on stderr."""
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "DRAWDOWN_BOOK": str(studio / "book"),
        "DRAWDOWN_SHELF": str(studio / "shelf.toml"),
    }
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    process = subprocess.Popen(
        [sys.executable, "-m", "drawdown", *words],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        env=environment, text=True, start_new_session=True,
    )  # fmt: skip
    for moment in moments:
        time.sleep(moment)
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGINT)  # as a terminal does
    try:
        return (said := process.communicate(timeout=PATIENCE_S)) and process.returncode, said[1]
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        return None, process.communicate()[1]


def duration(words: tuple[str, ...], studio: Path) -> float:
    began = time.perf_counter()
    run(words, studio, [])
    shutil.rmtree(studio / "book", ignore_errors=True)
    return time.perf_counter() - began


def complaint(code: int | None, said: str, own: set[int], moments: list[float]) -> str:
    """What is wrong with an end, or ""."""
    if code is None:
        return "hangs"
    if "Traceback" in said and not any(ours in said for ours in ("/commands/", "__main__.py")):
        return ""  # the interpreter was not ready
    if code not in own | STOPPED:
        return f"exit {code}"
    if "Traceback" in said or "Exception ignored" in said:
        return "traceback"
    if code == 130 and said.strip() and not said.rstrip().endswith("Stopped."):
        return "ends in other words"
    return ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    chance = random.Random(args.seed)
    wrong, ends, early = Counter(), Counter(), 0
    with tempfile.TemporaryDirectory() as folder:
        studio = Path(folder)
        run(COMMANDS[1][0], studio, [])  # compiled once
        lasts = [duration(words, studio) for words, _, _ in COMMANDS]
        for number in range(args.runs):
            words, own, writes = COMMANDS[number % len(COMMANDS)]
            moments = [chance.uniform(0.01, 1.05) * lasts[number % len(COMMANDS)]]
            if chance.random() < 0.25:
                moments.append(chance.uniform(0.0, 0.2))
            code, said = run(words, studio, moments)
            found = complaint(code, said, own, moments)
            early += "Traceback" in said and not found
            if not found and writes and (studio / "book").exists():
                check = run(("book", "check"), studio, [])
                begun = "There is no book" not in check[1]
                found = (
                    "" if check[0] == 0 or not begun else f"book check gives {check[0]}: {check[1]}"
                )
            shutil.rmtree(studio / "book", ignore_errors=True)
            ends["its own end" if code in own else "stopped"] += 1
            if found:
                wrong[found.partition(":")[0]] += 1
                print(f"{' '.join(words[:2])} at {moments}: {found}\n{said}", flush=True)
    took = ", ".join(f"{words[-1 if words[0] != 'book' else 1][-12:]} {s:.2f} s"
                     for (words, _, _), s in zip(COMMANDS, lasts, strict=True))  # fmt: skip
    print(f"{args.runs} interrupts ({took}): {dict(ends)}; wrong: {dict(wrong) or 'none'}; "
          f"before the program's first line: {early}")  # fmt: skip
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
