"""Every command that writes in the book, killed at each change of a file and half-way through it.

    python -m tests.benchmarks.book_kills [CASE ...] [--every N]

Needs Linux and a C compiler: what is preloaded (tests/kits/cut_writes.c) counts the writes,
renames, syncs and the like of a program and ends it at one of them. After each kill: `check` finds
the book whole, or no book yet; the next command opens it; it holds what it held before the
command, or what it holds after it, and nothing in between. A repair that was killed is made again:
each record that either old file held is in the book then, or was listed, or is in the second book.

Prints a line for each case: how many changes of files, how many kills, what was found.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import wraps
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]

from book_kit import MIX, keep, old_book  # noqa: E402
from share_kit import fill, png  # noqa: E402

from calibration.errors import BadFile  # noqa: E402
from drawdown.book import columns as schema  # noqa: E402
from drawdown.book import open_book  # noqa: E402
from drawdown.book.packets import put_by  # noqa: E402
from drawdown.book.repair.check import _described, check  # noqa: E402
from drawdown.book.repair.rebuild import INNER, read_both  # noqa: E402
from drawdown.commands import main as cli  # noqa: E402

PHOTO = ROOT / "fixtures" / "photos" / "no-match.jpg"
TIMES = {"at", "made_at", "read_at", "added_at", "removed"}
Act = Callable[[Path], object]


# What is done --------------------------------------------------------------------------------


def command(*words: object) -> Act:
    """A command as a person gives it; it must succeed."""

    def act(place: Path) -> None:
        said = [str(word).replace("PLACE", str(place)) for word in words]
        code = cli.main([*said, "--book", str(place / "book")])
        assert code in (0, 3, 4), (words, code)

    return act


def nothing(place: Path) -> None:
    """No book yet."""


def a_book(place: Path) -> None:
    with open_book(place / "book", create=True) as book:
        fill(book)
        keep(book, "Sand", photo=png(7))


def undone(place: Path) -> None:
    a_book(place)
    with open_book(place / "book") as book:
        book.undo()


def with_shared_file(place: Path) -> None:
    a_book(place)
    with open_book(place / "other", create=True) as book:
        keep(book, "From afar", photo=png(9))
        keep(book, "Sand", lab=(10.0, 1.0, 1.0))
    assert (
        cli.main(["book", "share", str(place / "shared.zip"), "--book", str(place / "other")]) == 0
    )


def with_photos(place: Path) -> None:
    a_book(place)
    (place / "photos").mkdir()
    shutil.copy(PHOTO, place / "photos" / "new_blue.jpg")


def of_version(version: int) -> Act:
    return lambda place: old_book(place / "book", version)


def of_earlier_program(place: Path) -> None:
    shutil.copytree(ROOT / "tests" / "data" / "earlier" / "book", place / "book")


def pages_spoiled(place: Path) -> None:
    a_book(place)
    file = place / "book" / "book.sqlite"
    data = bytearray(file.read_bytes())
    pick = random.Random(4)
    for page in pick.sample(range(1, len(data) // 8192), 6):
        data[8192 * page : 8192 * (page + 1)] = pick.randbytes(8192)
    file.write_bytes(data)


def both_spoiled(place: Path) -> None:
    pages_spoiled(place)
    diary = place / "book" / "diary.jsonl.gz"
    data = bytearray(diary.read_bytes())
    for at in (len(data) // 3, 2 * len(data) // 3):
        data[at : at + 40] = bytes(40)
    diary.write_bytes(data)


def diary_spoiled(place: Path) -> None:
    a_book(place)
    diary = place / "book" / "diary.jsonl.gz"
    data = diary.read_bytes()
    diary.write_bytes(data[: len(data) // 2] + bytes(50) + data[len(data) // 2 + 50 :])


def database_gone(place: Path) -> None:
    a_book(place)
    (place / "book" / "book.sqlite").unlink()


def two_histories(place: Path) -> None:
    a_book(place)
    shutil.copytree(place / "book", place / "copy")
    for folder, name in (("book", "here"), ("copy", "away")):
        with open_book(place / folder) as book:
            keep(book, name, photo=png(len(name)))
            with book.change(f"put {name} by") as change:
                put_by(book, change, name=f"{name} rest", grams=9.0, date="2030-01-01", mix=MIX)
    shutil.copy(place / "copy" / "diary.jsonl.gz", place / "book")
    shutil.rmtree(place / "copy")


def mend(place: Path) -> None:
    """Whoever is asked reads the list, and agrees."""

    def agree(lacking: list[str]) -> bool:
        return (place / "told").write_text("\n".join(lacking)) > 0

    assert check(place / "book", repair=True, agree=agree).whole


def opening(place: Path) -> None:
    open_book(place / "book").close()


KEEP = command("book", "keep", PHOTO, "--name", "New blue", "--mix", "white 97, PB15:3 3")
CASES: dict[str, tuple[Act, Act]] = {
    "the first keep": (nothing, KEEP),
    "keep": (a_book, KEEP),
    "match of a batch": (
        a_book,
        command("match", PHOTO, "--kept", "Tide blue", "--batch", "June"),
    ),
    "batch": (a_book, command("book", "batch", "May", "--added", "PB15:3 1 g")),
    "use": (a_book, command("book", "use", "rest", "--grams", "5")),
    "store": (a_book, command("book", "store", "new rest", "--grams", "9", "--batch", "May")),
    "edit": (a_book, command("book", "edit", "Sand", "--paper", "kozo")),
    "edit of a recipe": (a_book, command("book", "edit", "Sand", "--mix", "white 9, PB15:3 1")),
    "edit of a recipe from a batch": (
        a_book,
        command("book", "edit", "Sand", "--batch", "May"),
    ),
    "edit by another photo": (a_book, command("book", "edit", "Sand", "--photo", PHOTO)),
    "mix of a batch": (
        a_book,
        command("book", "mix", "Tide blue", "--grams", "50", "--batch", "July"),
    ),
    "keep of a folder": (
        with_photos,
        command("book", "keep", "PLACE/photos"),
    ),
    "run": (a_book, command("book", "run", "Kingfisher", PHOTO, "--spot", "sky")),
    "remove": (a_book, command("book", "remove", "Sand", "--yes")),
    "undo": (a_book, command("undo")),
    "redo": (undone, command("undo", "--redo")),
    "import": (with_shared_file, command("book", "import", "PLACE/shared.zip", "--rename")),
    "import into no book": (
        lambda place: (with_shared_file(place), shutil.rmtree(place / "book")),
        command("book", "import", "PLACE/shared.zip"),
    ),
    **{
        f"migration from {version}": (of_version(version), opening)
        for version in range(1, schema.VERSION)
    },
    "migration of 0.1.0": (of_earlier_program, opening),
    "repair of the database": (pages_spoiled, mend),
    "repair of both": (both_spoiled, mend),
    "repair of the diary": (diary_spoiled, mend),
    "repair without a database": (database_gone, mend),
    "repair of two histories": (two_histories, mend),
}


# Killing -------------------------------------------------------------------------------------


def remembered(measure):
    """A photo is measured once, not at each kill."""
    known: dict[tuple, object] = {}

    @wraps(measure)
    def ask(photo, options, progress):
        key = (str(photo), options.kept is None)
        if key not in known:
            known[key] = measure(photo, options, progress)
        return known[key]

    return ask


def in_child(act: Act, place: Path, at: int, half: bool) -> bool:
    """Carry it out and end it at that change; True when it was ended."""
    child = os.fork()
    if child == 0:
        try:
            ctypes.CDLL(None).cut_at(ctypes.c_long(at), int(half))
            act(place)
            os._exit(0)
        except BaseException as error:
            os.write(2, f"{error!r}\n".encode())
            os._exit(9)
    status = os.waitpid(child, 0)[1]
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL, status
        return True
    assert os.WEXITSTATUS(status) == 0, f"exit code {os.WEXITSTATUS(status)}"
    return False


def contents(place: Path) -> dict | None:
    """Every record of the book, less the times; None without one. Opens it as a command does."""
    try:
        book = open_book(place / "book")
    except BadFile as problem:
        assert "there is no book" in problem.seen, problem.seen  # noqa: PT017
        return None
    with book:
        return {
            (table, row["id"]): {k: v is None if k in TIMES else v for k, v in dict(row).items()}
            for table in schema.TABLES if table not in ("setting", "mark")
            for row in book.rows(f'SELECT * FROM "{table}"')
        }  # fmt: skip


def see(place: Path, before: dict | None, after: dict | None) -> str:
    """What the book holds after a kill; raises ``AssertionError``."""
    try:
        report = check(place / "book")
    except BadFile as problem:
        assert "there is no book" in problem.seen, problem.seen  # noqa: PT017
    else:
        assert report.whole, report
    found = contents(place)
    if found is not None:
        with open_book(place / "book") as book:
            assert book.rows("PRAGMA integrity_check")[0][0] == "ok"
        assert check(place / "book").whole
    if found == after:
        return "after"
    # A folder in which a program was stopped before its first change holds a book of nothing.
    assert found == before or (before is None and not found), "neither before nor after"
    return "before"


def see_mended(place: Path, held: list[dict]) -> str:
    """That each record that was held in a file is there, or was told."""
    report = check(place / "book", repair=True)
    assert report.whole, report
    assert check(place / "book").whole
    listed = report.lacking
    if (place / "told").exists():
        listed += (place / "told").read_text().splitlines()
    found, _ = read_both(place / "book", dict)
    rows = [found.rows]
    rows += [read_both(other, dict)[0].rows for other in (place / "book").glob("histories/*")]
    for source in held:
        for key, row in source.items():
            there = any(one.get(key) == row for one in rows)
            told = _described(key, row, found.rows.get(key)) in listed
            assert there or told or key[0] in INNER, (key, row)
    return "mended"


def kill(name: str, every: int) -> dict[str, int]:
    """Kill one case at every so many changes; how often each state was found."""
    prepare, act = CASES[name]
    found = {"changes": 0, "kills": 0, "before": 0, "after": 0, "mended": 0}
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as scratch:
        start = Path(scratch) / "start"
        start.mkdir()
        prepare(start)
        whole = Path(shutil.copytree(start, Path(scratch) / "whole"))
        mending = act is mend
        before, held = None, []
        if mending:
            held = [source.rows for source in read_both(start / "book", dict)]
        elif (start / "book").exists() and act is not opening:
            before = contents(start)
        lib = ctypes.CDLL(None)
        lib.cut_at(ctypes.c_long(-1), 0)
        act(whole)
        changes = lib.cuts_seen()
        after = None if mending else contents(whole)
        if act is opening:
            before = after  # as it opens
        found["changes"] = changes
        for at in range(1, changes + 1, every):
            for half in (False, True):
                place = Path(shutil.copytree(start, Path(scratch) / "place"))
                found["kills"] += in_child(act, place, at, half)
                try:
                    found[see_mended(place, held) if mending else see(place, before, after)] += 1
                except Exception as problem:
                    told = f"{name}: at change {at}{' (half of it)' if half else ''}: {problem!r}"
                    raise AssertionError(told) from problem
                shutil.rmtree(place)
    return found


def preloaded() -> None:
    """Start this program anew with the counter in it."""
    folder = tempfile.mkdtemp()
    library = Path(folder) / "cut_writes.so"
    source = ROOT / "tests" / "kits" / "cut_writes.c"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
    os.environ["LD_PRELOAD"] = str(library)
    os.execv(sys.executable, [sys.executable, "-m", "tests.benchmarks.book_kills", *sys.argv[1:]])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("cases", nargs="*", metavar="CASE", help=f"of: {', '.join(CASES)}")
    parser.add_argument("--every", type=int, default=1, help="only every so many changes")
    options = parser.parse_args()
    if not hasattr(ctypes.CDLL(None), "cut_at"):
        preloaded()
    import drawdown.pipeline.match
    import drawdown.pipeline.read

    drawdown.pipeline.read.read_strips = remembered(drawdown.pipeline.read.read_strips)
    drawdown.pipeline.match.match_photo = remembered(drawdown.pipeline.match.match_photo)
    out = os.dup(1)
    quiet = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(quiet, stream)
    for name in options.cases or CASES:
        try:
            said = ", ".join(f"{n} {what}" for what, n in kill(name, options.every).items() if n)
        except AssertionError as problem:
            os.write(out, f"{problem}\n".encode())
            sys.exit(1)
        os.write(out, f"{name}: {said}\n".encode())


if __name__ == "__main__":
    main()
