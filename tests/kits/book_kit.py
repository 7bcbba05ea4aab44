"""Makes books for tests, and kills, crowds and starves the programs that write them.

Run as a program it forks writers in a book and kills them (``kill``), or writes until told
to stop (``write``); see ``main``. Writers tell each thing that was kept on a pipe, after the
book said so.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from drawdown.book import Book, now, open_book
from drawdown.book import columns as schema
from drawdown.book.columns import MixPart
from drawdown.book.diary import Diary
from drawdown.book.originals import add_recipe, keep_original
from drawdown.book.packets import put_by

MIX = (MixPart("titanium-white", 97.0), MixPart("phthalo-blue", 3.0, "tin 7"))


def reading_row(lab=(62.0, -21.0, -24.0), **more):
    """A row of ``reading`` with an ensemble that has a known scatter."""
    samples = np.random.default_rng(5).normal(0, 0.4, (96, 3)).astype("<f4").tobytes()
    return {
        "lab_l": lab[0], "lab_a": lab[1], "lab_b": lab[2], "u95_l": 2.0, "u95_a": 2.5,
        "u95_b": 2.5, "samples": samples, "card": "measured", "strip_number": 1,
        "corners_px": "[]", "evenness_de00": 0.2, "light_sd": 0.002, "munsell_value": 6.0,
        "flags": "[]", "read_at": now(), **more,
    }  # fmt: skip


def keep(book: Book, name: str, lab=(62.0, -21.0, -24.0), mix=MIX, photo: bytes = b"", **more):
    """Keep an original as the commands do; returns its id."""
    stored = book.photos.add_bytes(photo, ".jpg") if photo else None
    with book.change(f"kept {name}") as change:
        photo_id = change.photo(stored) if stored else None
        reading = change.insert("reading", reading_row(lab, photo=photo_id))
        more = {"date": "2030-05-04", **more}
        return keep_original(book, change, name=name, reading=reading, mix=mix, **more)


def told_by(diary: Diary) -> dict[tuple[str, int], dict]:
    """All rows as they are at the end of the diary."""
    rows: dict[tuple[str, int], dict] = {}
    for told in diary.rows():
        if told is not None:
            table, row_id, row = told
            rows[table, row_id] = row
    return {key: row for key, row in rows.items() if row is not None}


def quick_place() -> Iterator[Path]:
    """A folder in memory where there is one, taken away at the end: a kill, unlike a power
    cut, asks nothing of the disk, and waiting for it would take most of the time."""
    memory = Path("/dev/shm")
    place = tempfile.mkdtemp(dir=memory if os.access(memory, os.W_OK) else None)
    os.chmod(place, 0o755)
    yield Path(place)
    shutil.rmtree(place, ignore_errors=True)


def names(book: Book) -> set[str]:
    return {row["name"] for row in book.rows("SELECT name FROM original UNION ALL "
                                             "SELECT name FROM packet")}  # fmt: skip


# As a program ----------------------------------------------------------------------------


def write(folder: Path, label: str, told: int, most: int = 10**9) -> None:
    """Keep one thing after the other; tell each, once kept, on the pipe ``told``."""
    pick = random.Random(label)
    with open_book(folder, create=True) as book:
        for k in range(most):
            name = f"{label} {k}"
            if k % 3 == 2:
                with book.change(f"put {name} by") as change:
                    put_by(book, change, name=name, grams=5.0, date="2030-05-04", mix=MIX)
            else:
                photo = name.encode() + pick.randbytes(pick.choice((200, 20_000)))
                original = keep(book, name, photo=photo)
                if k % 5 == 0:
                    with book.change(f"corrected {name}") as change:
                        add_recipe(change, original, MIX, None, "by hand")
                if k % 7 == 0:  # undone and done again: must be there in the end
                    book.undo()
                    book.redo()
            os.write(told, f"{name}\n".encode())


def kill_writers(folder: Path, times: int, seed: int, longest_s: float) -> dict:
    """Fork a writer and kill it at a random moment, so many times; after each, see that
    the book opens whole and holds everything that was told."""
    pick = random.Random(seed)
    told: set[str] = set()
    for round_ in range(times):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                write(folder, f"round {round_}", writing)
            except BaseException as error:
                sys.stderr.write(f"{error!r}\n")
            finally:
                os._exit(9)
        os.close(writing)
        with os.fdopen(reading, "rb") as stream:
            # After none to three acknowledged writes, somewhere within the next.
            lines = [stream.readline() for _ in range(pick.choice((0, 0, 1, 2, 3)))]
            time.sleep(pick.uniform(0.0, longest_s))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            lines += stream.read().splitlines(keepends=True)
        told |= {line.decode().strip() for line in lines if line.endswith(b"\n")}
        with open_book(folder, create=True) as book:
            said = [row[0] for row in book.rows("PRAGMA integrity_check")]
            assert said == ["ok"], said
            assert not book.rows("PRAGMA foreign_key_check")
            lost = told - names(book)
            assert not lost, lost
            for row in book.rows("SELECT * FROM photo"):
                path = book.photos.path(row["sha256"], row["ending"])
                assert path.stat().st_size == row["size_bytes"], path
            assert not book.behind()
    parts = len(list(folder.glob("photos/*/.*.part")))
    return {"told": len(told), "half_written_photos": parts}


def kill_at_work(folder: Path, work: str, times: int, seed: int, longest_s: float) -> int:
    """Fork a program that mends the book, or opens it (which brings it up to date), and kill
    it at a random moment, so many times; returns how often it was not done yet."""
    from drawdown.book.repair.check import check

    pick = random.Random(seed)
    cut = 0
    for _ in range(times):
        child = os.fork()
        if child == 0:
            try:
                if work == "mend":
                    check(folder, repair=True)
                else:
                    open_book(folder).close()
            finally:
                os._exit(0)
        time.sleep(pick.uniform(0.0, longest_s))
        os.kill(child, signal.SIGKILL)
        if os.WIFSIGNALED(os.waitpid(child, 0)[1]):
            cut += 1
        else:
            longest_s *= 0.7  # this machine is quicker than that
    return cut


def main() -> None:
    what, folder, *rest = sys.argv[1:]
    if what == "kill":
        print(json.dumps(kill_writers(Path(folder), int(rest[0]), int(rest[1]), float(rest[2]))))  # noqa: T201
    elif what == "work":
        print(kill_at_work(Path(folder), rest[0], int(rest[1]), 5, float(rest[2])))  # noqa: T201
    elif what == "write":
        write(Path(folder), rest[0], sys.stdout.fileno(), int(rest[1]))
    elif what == "limited":  # no file may grow beyond so many bytes
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (int(rest[1]), int(rest[1])))
        from calibration.errors import DrawdownError

        try:
            write(Path(folder), rest[0], sys.stdout.fileno())
        except DrawdownError as error:
            sys.stderr.write(error.paragraph())
            sys.exit(error.exit_code)
    elif what == "closed":  # as an account that nothing was opened to
        from calibration.errors import DrawdownError
        from drawdown.book.originals import list_originals

        if os.geteuid() == 0:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
        with open_book(Path(folder)) as book:
            print(len(list_originals(book)), book.writable)  # noqa: T201
            for attempt in (
                book.undo,
                lambda: open_book(Path(folder), write=True),
                lambda: open_book(Path(folder) / "in" / "it", create=True),
            ):
                try:
                    attempt()
                except DrawdownError as error:
                    print(error.exit_code, error.seen)  # noqa: T201


if __name__ == "__main__":
    main()


def script_of(version: int) -> str:
    """The SQL by which the program of that version made its tables out of those before."""
    path = Path(__file__).resolve().parents[1] / "data" / "book_versions" / f"{version}.sql"
    return path.read_text(encoding="utf-8")


def make_tables(db: sqlite3.Connection, version: int) -> None:
    """The tables as the program of that version had them: from 5 on they are made at once."""
    for number in range(1, version + 1) if version < 5 else (version,):
        db.executescript(script_of(number))


def old_book(folder, version: int, *more: dict) -> None:
    """A book as the program of that version made it, with one original in it; ``more`` are
    lines of its diary."""
    folder.mkdir()
    db = sqlite3.connect(folder / "book.sqlite", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    make_tables(db, version)
    db.execute("BEGIN")
    db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {version}")
    for name, value in (("book", "abc"), ("made", "2030-01-01T00:00:00Z"), ("changes", "1")):
        db.execute("INSERT INTO setting (name, value) VALUES (?, ?)", (name, value))
    db.execute("INSERT INTO original (name, name_key, date, state) VALUES "
               "('Tide blue', 'tide blue', '2030-01-01', 'dry')")  # fmt: skip
    db.execute("INSERT INTO change (at, what, state) VALUES ('2030-01-01', 'kept', 'done')")
    db.execute("COMMIT")
    db.close()
    lines = (
        {"diary": "drawdown.diary/1", "schema": version, "book": "abc"},
        {"n": 1, "what": "kept", "rows": []},
        *more,
    )
    texts = [json.dumps(line).encode() for line in lines]
    diary = b"".join(b"%08x %s\n" % (zlib.crc32(text), text) for text in texts)
    (folder / "diary.jsonl").write_bytes(diary)
