"""What the program says to every bad input: ``python tests/benchmarks/bad_input.py``.

Prints a table of kind, exit code (and the one that was due, where they differ) and the
first sentence of the explanation, then how many were refused as they should be and how
long opening photos takes compared with Pillow alone.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]


def answer(argv: tuple[str, ...]) -> tuple[int, str, str]:
    """(exit code, stdout, stderr) of one command, run in this process."""
    from drawdown.commands import main as cli

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.main(list(argv))
    return code, out.getvalue(), err.getvalue()


def first_sentence(err: str, folder: str) -> str:
    """The explanation's start, on one line, without the headline."""
    text = " ".join(err.partition("\n")[2].split()).replace(folder + "/", "")
    sentence = text.partition(". ")[0]
    return sentence if len(sentence) <= 110 else sentence[:109] + "…"


def table() -> None:
    """Run the whole catalogue, in a studio of its own."""
    from bad_input import make_all

    from drawdown.studio import locations as places

    right, total = 0, 0
    with tempfile.TemporaryDirectory() as folder:
        os.environ[places.SHELF_VARIABLE] = str(Path(folder) / "studio" / "shelf.toml")
        os.environ[places.BOOK_VARIABLE] = str(Path(folder) / "studio" / "book")
        catalogue = make_all(Path(folder))
        print("| kind | exit | first sentence |\n|---|---|---|")
        for bad in catalogue:
            code, out, err = answer(bad.argv)
            said = first_sentence(err, folder)
            ok = code == bad.exit_code and not out and bad.says in " ".join(err.split()).lower()
            due = "" if code == bad.exit_code else f" (due {bad.exit_code})"
            note = "" if ok else " **wrong**"
            print(f"| {bad.kind} ({bad.argv[0]}) | {code}{due} | {said}{note} |")
            right, total = right + ok, total + 1
    print(f"\n{right} of {total} refused as they should be.")


def timings() -> None:
    """Median of three: opening a JPEG here, and Pillow alone (open, decode, to array)."""
    import numpy as np
    from PIL import Image

    from calibration.photo.open import open_photo

    rng = np.random.default_rng(1)
    print("\n| JPEG | here | Pillow alone |\n|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for millions, size in ((12, (4000, 3000)), (48, (8000, 6000))):
            path = Path(folder) / f"{millions}.jpg"
            small = rng.integers(0, 256, (size[1] // 10, size[0] // 10, 3), dtype=np.uint8)
            picture = Image.fromarray(small).resize(size, Image.Resampling.BICUBIC)
            grain = rng.normal(0, 4, (size[1], size[0], 1)).astype(np.int8)
            noisy = np.clip(np.asarray(picture) + grain.astype(np.int16), 0, 255)
            Image.fromarray(noisy.astype(np.uint8)).save(path, quality=92)
            ours, theirs = [], []
            for _ in range(3):
                start = time.perf_counter()
                open_photo(path)
                ours.append(time.perf_counter() - start)
                start = time.perf_counter()
                with Image.open(path) as image:
                    np.asarray(image)
                theirs.append(time.perf_counter() - start)
            print(
                f"| {millions} megapixels | {sorted(ours)[1]:.3f} s | {sorted(theirs)[1]:.3f} s |"
            )


if __name__ == "__main__":
    table()
    timings()
