"""Broken and hostile input of every kind that is read: is each refused, quickly and within memory?

    python tests/benchmarks/fuzz.py [--runs 3000] [--seed 1] [--only WORD] [--keep FOLDER]

Each run changes one whole file (a photo, a card, a shelf, readings, spectra, a book, a shared
archive) or one option in a way that knows its format, and gives it to a command in a process of
its own. Counts as wrong: exit code 1 (a fault of the program), a signal, over ``SECONDS`` of CPU
time, over ``MOST_BYTES`` of memory, a traceback. Prints what was wrong, keeps those files with
``--keep``, and ends with 1 when anything was. Needs fork and wait4 (Linux, macOS).
"""

from __future__ import annotations

import argparse
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import struct
import sys
import tempfile
import time
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]
SECONDS, MOST_BYTES = 20, 1_500_000_000
EARLIER = ROOT / "tests" / "data" / "earlier"
PHOTO = ROOT / "fixtures" / "photos" / "no-match.jpg"
NUMBERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
WORDS = (
    "nan", "inf", "-inf", "1e999", "-0", "0", "-1", "1e-320", "9" * 5000, "1" + "0" * 100_000,
    '"text"', '""', "[]", "{}", "true", "null", "[" * 100_000, "[" * 900 + "]" * 900,
    "2030-02-30", '"\\u0000"', '"\\ud800"', '"\\u202e\\u001b[2J"', "0x41", "1_0", "'", "é", "\0",
    "70x-0", "1,2,3", "1e5,1e5,1e5,1e5", "=", "a=b=c", "PB15:3=nan", "PB15:3=1e308", "\x1b[31m",
    "x" * 300, "../../x", "/dev/null", "\udcff\udcfe", "١٢", "½", "12,5", "250g", "-", "--", " ",
)  # fmt: skip


# Ways to change a file -------------------------------------------------------------------
def bytes_changed(data: bytes, chance: random.Random) -> bytes:
    """A few bytes, numbers at places where headers have theirs, a cut, a repeat."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        early = chance.random() < 0.7
        at = chance.randrange(max(1, min(len(out), 2000 if early else len(out))))
        way = chance.randrange(6)
        if way == 0 and out:
            out[at] = chance.randrange(256)
        elif way in (1, 2):
            code = chance.choice("<>") + chance.choice("BHIQ")
            number = chance.choice(NUMBERS) & (256 ** struct.calcsize(code) - 1)
            out[at : at + struct.calcsize(code)] = struct.pack(code, number)
        elif way == 3:
            del out[at : at + chance.choice((1, 2, 7, 64, len(out)))]
        elif way == 4:
            out[at:at] = out[at : at + chance.choice((1, 8, 200, 3000))]
        else:
            out[at:at] = chance.randbytes(chance.choice((1, 4, 50)))
    return bytes(out)


def png_changed(data: bytes, chance: random.Random) -> bytes:
    """One chunk, with a checksum that fits; now and then a size beyond all bounds."""
    chunks, at = [], 8
    while at + 8 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
    index = chance.randrange(len(chunks))
    kind, body = chunks[index]
    if kind == b"IHDR" and chance.random() < 0.8:
        side = chance.choice((1, 299, 5000, 12_000, 16_000, 40_000, 2**31 - 1))
        bits, colour = chance.choice((1, 8, 16)), chance.choice((0, 2, 3, 4, 6))
        body = struct.pack(">IIBBBBB", side, chance.choice((side, 1, 400)), bits, colour, 0, 0,
                           chance.choice((0, 1)))  # fmt: skip
    else:
        body = bytes_changed(body, chance) if body else chance.randbytes(9)
    if chance.random() < 0.3:
        kind = chance.choice(
            (b"iCCP", b"eXIf", b"gAMA", b"cHRM", b"cICP", b"tRNS", b"zTXt", b"acTL")
        )
        chunks.insert(
            1, (kind, chance.choice((body, zlib.compress(bytes(5_000_000)), b"", b"x\0\0")))
        )
    else:
        chunks[index] = (kind, body)
    return data[:8] + b"".join(
        struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in chunks
    )


def text_changed(data: bytes, chance: random.Random) -> bytes:
    """Another word for one of its numbers, texts or names, lines gone or twice."""
    text = data.decode("utf-8", "surrogateescape")
    for _ in range(chance.randint(1, 2)):
        tokens = [m.span() for m in re.finditer(r'"[^"\n]*"|[-\w.+]+', text)]
        way = chance.randrange(8)
        if way <= 4 and tokens:
            start, end = chance.choice(tokens)
            text = text[:start] + chance.choice(WORDS) + text[end:]
        elif way == 5:
            lines = text.splitlines(keepends=True)
            at = chance.randrange(max(1, len(lines)))
            gone = chance.choice((1, 1, 3, len(lines)))
            lines[at : at + gone] = lines[at : at + 1] * chance.choice((0, 2, 50))
            text = "".join(lines)
        elif way == 6:
            at = chance.randrange(len(text) + 1)
            text = (
                text[:at]
                + chance.choice((*WORDS, "\ufeff", "\r", ";", "\t", "]]", '"""'))
                + text[at:]
            )
        else:
            text = text[: chance.randrange(len(text) + 1)]
    done = text.encode("utf-8", "surrogateescape" if chance.random() < 0.9 else "replace")
    return done if chance.random() < 0.95 else bytes_changed(done, chance)


def zip_changed(data: bytes, chance: random.Random) -> bytes:
    """One member's contents or name, or the archive's own bytes."""
    import io

    if chance.random() < 0.3:
        return bytes_changed(data, chance)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        names = old.namelist()
        chosen = chance.choice(names)
        for name in names:
            body = old.read(name)
            if name == chosen:
                body = (text_changed if body[:1] in b"{[" else bytes_changed)(body, chance)
                if chance.random() < 0.2:
                    name = chance.choice(("../x", "/x", "a\nb", "x" * 300, name.upper(), "con", ""))
            new.writestr(name or "x", body)
    return out.getvalue()


def book_changed(data: bytes, chance: random.Random) -> bytes:
    """A database whose pages or whose values are damaged."""
    if chance.random() < 0.5:
        return bytes_changed(data, chance)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "b"
        path.write_bytes(data)
        connection = sqlite3.connect(path)
        try:
            tables = [r[0] for r in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table'")]  # fmt: skip
            table = chance.choice(tables)
            columns = [r[1] for r in connection.execute(f'PRAGMA table_info("{table}")')]
            value = chance.choice((*WORDS[:30], None, -1, 1e308, 2**62, b"\xff"))
            connection.execute("PRAGMA ignore_check_constraints = ON")
            connection.execute(f'UPDATE "{table}" SET "{chance.choice(columns)}" = ?', (value,))
            connection.commit()
        except (sqlite3.Error, UnicodeEncodeError):
            pass
        connection.close()
        return path.read_bytes()


# What is read ----------------------------------------------------------------------------
@dataclass(frozen=True)
class Target:
    """A whole file, how it is changed, and the commands it is given to; ``{}`` is its place."""

    name: str
    data: bytes
    ending: str
    change: Callable[[bytes, random.Random], bytes]
    commands: tuple[tuple[str, ...], ...]


READ = ("read", "{}")
NANOMETRES = range(400, 710, 10)
FIGURES = "\n".join(
    f"{head},{','.join(str(nm) if head == 'ink,quantity' else value for nm in NANOMETRES)}"
    for head, value in (("ink,quantity", ""), ("x,k", "0.5"), ("x,s", "2.5"))
).encode()
SPECTRA = b"nm,paper,black,over paper,over black\n" + b"\n".join(
    b"%d,0.85,0.04,0.4,0.2" % nm for nm in NANOMETRES
)
SHELF = (("ink", "list", "--shelf", "{}"),)
BOOK = (
    ("book", "list"),
    ("book", "check"),
    ("book", "show", "coral"),
    ("book", "check", "--quick"),
)


def photos() -> list[Target]:
    import numpy as np
    from dng_kit import dng_bytes
    from heif_kit import heic_bytes
    from photo_kit import DISPLAY_P3, PICTURE, colour_space, saved

    given = {"exif": colour_space(1), "icc_profile": DISPLAY_P3}
    sensor = np.random.default_rng(1).integers(300, 3000, (320, 340)).astype(np.uint16)
    small = {
        "JPEG": (saved(PICTURE, "JPEG", quality=60, **given), bytes_changed),
        "progressive JPEG": (saved(PICTURE, "JPEG", progressive=True, **given), bytes_changed),
        "PNG": (saved(PICTURE, "PNG", **given), png_changed),
        "PNG bytes": (saved(PICTURE, "PNG", **given), bytes_changed),
        "TIFF": (saved(PICTURE, "TIFF", compression="tiff_lzw"), bytes_changed),
        "TIFF plain": (saved(PICTURE, "TIFF"), bytes_changed),
        "WebP": (saved(PICTURE, "WEBP", quality=30, **given), bytes_changed),
        "HEIC": (heic_bytes(PICTURE, quality=30), bytes_changed),
        "raw": (dng_bytes(sensor), bytes_changed),
    }
    ways = (READ, ("match", "{}"), ("plan", "amount", "{}", "--width-mm", "100"),
            ("book", "keep", "{}", "--name", "x"))  # fmt: skip
    found = [Target(name, data, ".jpg", change, ways) for name, (data, change) in small.items()]
    return [*found, Target("real photo", PHOTO.read_bytes(), ".jpg", bytes_changed, (READ,))]


def files() -> list[Target]:
    studio = EARLIER / "studio"
    card = ((*("read", str(PHOTO)), "--card", "{}"),)
    spectrum = b"\n".join(b"%d,0.%02d" % (nm, nm // 10) for nm in range(360, 790, 10))
    readings = ("card", "--definition", "new.toml", "--enrol", "{}")
    return [
        *(Target(f"card {p.stem}", p.read_bytes(), ".toml", text_changed, card)
          for p in sorted((EARLIER / "cards").glob("*.toml"))),
        Target("shelf", (studio / "shelf.toml").read_bytes(), ".toml", text_changed, SHELF),
        Target("CSV readings", (EARLIER / "readings-1.csv").read_bytes(), ".csv", text_changed,
               (readings,)),
        Target("instrument", (EARLIER / "instrument.txt").read_bytes(), ".txt", text_changed,
               (readings,)),
        Target("lamp", spectrum, ".csv", text_changed, (("match", str(PHOTO), "--lamp", "{}"),)),
        Target("spectra", SPECTRA, ".csv", text_changed,
               (("ink", "add", "--name", "x", "--spectra", "{}"),)),
        Target("figures", FIGURES,
               ".csv", text_changed, (("ink", "add", "--name", "x", "--figures", "{}"),)),
        Target("shared archive", (EARLIER / "book.zip").read_bytes(), ".zip", zip_changed,
               (("book", "import", "{}"),)),
    ]  # fmt: skip


def studio_files() -> list[Target]:
    """Files that a studio keeps under a fixed name: ``{studio}`` in ``ending`` says where."""
    book = EARLIER / "book"
    learnt = EARLIER / "studio" / "shelf.learnt.json"
    return [
        Target("book", (book / "book.sqlite").read_bytes(), "book/book.sqlite", book_changed,
               BOOK),
        Target("diary", (book / "diary.jsonl").read_bytes(), "book/diary.jsonl", text_changed,
               BOOK),
        Target("learnt", learnt.read_bytes(), "shelf.learnt.json", text_changed,
               (("ink", "list", "--learnt"), ("ink", "list"))),
        Target("drying", (EARLIER / "studio" / "drying.toml").read_bytes(), "drying.toml",
               text_changed, (("ink", "dry"),)),
    ]  # fmt: skip


OPTIONS = (
    ("match", str(PHOTO), "--tolerance", "{}"),
    ("match", str(PHOTO), "--mix", "{}"),
    ("match", str(PHOTO), "--grams", "{}"),
    ("match", str(PHOTO), "--lamp", "{}"),
    ("match", str(PHOTO), "--card-corners", "{}"),
    ("read", str(PHOTO), "--strip", "{}"),
    ("read", "{}"),
    ("card", "{}"),
    ("card", "x.pdf", "--dpi", "{}"),
    ("book", "keep", str(PHOTO), "--name", "{}"),
    ("book", "print", "x.pdf", "--size", "{}"),
    ("book", "list", "--since", "{}"),
    ("plan", "amount", "--area-cm2", "{}", "--prints", "10"),
    ("plan", "layers", "--layer", "{}"),
    ("plan", "lighten", str(PHOTO), "--to", "{}"),
    ("book", "mix", "coral", "--grams", "{}"),
    ("guide", "{}"),
    ("ink", "add", "{}", "--name", "x"),
    ("ink", "show", "{}"),
    ("{}",),
)


def run(argv: list[str], folder: Path) -> tuple[str, str]:
    """What is wrong with one command in this folder ("" for nothing), and what it said."""
    said = folder / "said"
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS + 5))
            resource.setrlimit(resource.RLIMIT_AS, (8_000_000_000, 8_000_000_000))
            os.chdir(folder)
            os.environ["DRAWDOWN_BOOK"] = str(folder / "book")
            os.environ["DRAWDOWN_SHELF"] = str(folder / "shelf.toml")
            for number, place in ((0, os.devnull), (1, os.devnull), (2, str(said))):
                os.dup2(os.open(place, os.O_RDWR | os.O_CREAT), number)
            sys.stdin, sys.stdout, sys.stderr = (open(n, m, errors="replace") for n, m in  # noqa: SIM115
                                                 ((0, "r"), (1, "w"), (2, "w")))  # fmt: skip
            from drawdown.commands.main import main

            code = main(argv)
            sys.stderr.flush()
        except BaseException:
            import traceback

            os.write(2, traceback.format_exc().encode("utf-8", "replace"))
            code = 1
        os._exit(code)
    _, status, usage = os.wait4(child, 0)
    words = said.read_text("utf-8", "replace") if said.exists() else ""
    peak = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return (f"over {SECONDS} s" if number == signal.SIGXCPU else f"signal {number}"), words
    if os.waitstatus_to_exitcode(status) == 1 or "Traceback" in words:
        return "exit 1", words
    return (f"{peak / 1e9:.1f} GB" if peak > MOST_BYTES else ""), words


def one(
    targets: list[Target], chance: random.Random, folder: Path
) -> tuple[str, str, list[str], str]:
    """One run: its target's name, what is wrong, the command and what it said."""
    studio = EARLIER / "studio"
    if chance.random() < 0.12:
        argv = [w if w != "{}" else chance.choice(WORDS) for w in chance.choice(OPTIONS)]
        return "option", *_turned(run(argv, folder), argv)
    target = chance.choice(targets)
    changed = target.change(target.data, chance)
    if target.ending.startswith("."):
        place = folder / f"given{target.ending}"
    else:  # a whole studio, of which this file is broken
        for name in ("shelf.toml", "shelf.learnt.json", "drying.toml"):
            shutil.copy(studio / name, folder)
        shutil.copytree(EARLIER / "book", folder / "book")
        place = folder / target.ending
    place.write_bytes(changed)
    argv = [w.replace("{}", str(place)) for w in chance.choice(target.commands)]
    return target.name, *_turned(run(argv, folder), argv)


def _turned(found: tuple[str, str], argv: list[str]) -> tuple[str, list[str], str]:
    return found[0], argv, found[1]


def prepare() -> None:
    """Load what commands load, once, so that each process begins warm."""
    import colour  # noqa: F401
    import cv2
    import pillow_heif  # noqa: F401
    import reportlab.pdfgen.canvas  # noqa: F401
    from PIL import Image

    cv2.setNumThreads(1)  # threads do not survive a fork
    Image.init()
    import drawdown.commands.main
    import drawdown.pipeline.match
    import drawdown.report.text.match  # noqa: F401


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--only", default="", help="targets whose name holds this")
    parser.add_argument("--keep", help="folder for the files that went wrong")
    args = parser.parse_args()
    prepare()
    targets = [t for t in [*photos(), *files(), *studio_files()] if args.only in t.name]
    wrong, counts, began = Counter(), Counter(), time.monotonic()
    for number in range(args.first, args.first + args.runs):
        chance = random.Random(f"{args.seed}/{number}")
        with tempfile.TemporaryDirectory() as scratch:
            name, problem, argv, said = one(targets, chance, Path(scratch))
            counts[name] += 1
            if problem:
                wrong[name, problem] += 1
                shown = " ".join(ascii(w[:60])[1:-1] for w in argv)
                print(f"run {number}, {name}: {problem}: {shown}\n   {said[-600:]}", flush=True)
                if args.keep:
                    shutil.copytree(scratch, Path(args.keep) / str(number), dirs_exist_ok=True)
    print(f"{args.runs} runs in {time.monotonic() - began:.0f} s over {len(counts)} kinds: "
          f"{dict(wrong) or 'none went wrong'}")  # fmt: skip
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
