"""Keeps what the program answers today, to compare with what it answers after a change.

    python tests/golden/freeze.py [--check] [--tree DIR] [--python PY] [--only SESSION ...]

Every command of commands.py runs as ``PY -m drawdown`` with the code of DIR, in a temporary
folder with a studio of its own. Its exit code, stdout, stderr and the files it wrote go into
one file, ``SESSION/NAME.txt``; pictures go into ``pixels.json``, as the SHA-256 of their
decoded pixels. ``--check`` writes nothing: it tells what differs, byte for byte, and ends
with 1 if anything does.

What changes from run to run is masked, and nothing else: see ``MASKS`` and ``masked``.
"""

from __future__ import annotations

import argparse
import datetime
import difflib
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from pathlib import Path

import commands
from commands import Command

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PIXELS = HERE / "pixels.json"
MOST_TEXT = 20_000  # longer files are kept as their size and SHA-256
# What changes from run to run, whatever is done:
MASKS = (
    # - the moment at which a reading, a change or a learnt photo was noted, UTC
    (re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(\.\d+)?(Z|[+-]\d\d:\d\d)?"), "<time>"),
    # - how large an exported book is: it is packed, and holds such moments
    (re.compile(r'("size_bytes": )\d+'), r'\1"<size>"'),
)
FIXED = {
    "COLUMNS": "80", "LINES": "24", "NO_COLOR": "1", "LC_ALL": "C.UTF-8", "TZ": "UTC",
    "PYTHONIOENCODING": "utf-8", "DRAWDOWN_SHELF": "studio/shelf.toml",
    "DRAWDOWN_BOOK": "studio/book",
}  # fmt: skip
# Runs many commands in one process, for the tests: the same entry as ``python -m drawdown``. A
# photo in which the same card was looked for before is not opened and searched again.
MANY = """
import json, os, runpy, sys
from drawdown.pipeline import read

prepare, known = read.prepare, {}

def prepare_once(photo, options, progress):
    try:
        card = options.card and options.card.read_bytes()
        key = photo.read_bytes(), str(photo), card, options.card_corners
    except (OSError, ValueError):
        return prepare(photo, options, progress)
    if key not in known:
        known[key] = prepare(photo, options, progress)
    return known[key]

read.prepare = prepare_once
out, err = (os.open(p, os.O_RDWR | os.O_CREAT | os.O_TRUNC) for p in sys.argv[1:3])
asked, told = json.load(sys.stdin), os.dup(1)
answers = []
for argv in asked:
    for kept, stream in ((out, 1), (err, 2)):
        os.ftruncate(kept, 0), os.lseek(kept, 0, 0), os.dup2(kept, stream)
    sys.argv = ["drawdown", *argv]
    try:
        runpy.run_module("drawdown", run_name="__main__", alter_sys=True)
        code = 0
    except SystemExit as end:
        code = end.code or 0
    sys.stdout.flush(), sys.stderr.flush()
    texts = [os.pread(f, os.fstat(f).st_size, 0).decode() for f in (out, err)]
    os.write(told, (json.dumps([code, *texts]) + "\\n").encode())
"""


def studio() -> Path:
    """A temporary folder to run in. Its name is as long each time, as lines are broken by it."""
    place = Path("/tmp") if Path("/tmp").is_dir() else None
    folder = Path(tempfile.mkdtemp(prefix="golden-", dir=place)).resolve()
    fixtures = folder / "fixtures"
    fixtures.mkdir()
    shutil.copytree(ROOT / "fixtures" / "photos", fixtures / "photos")
    shutil.copy(ROOT / "fixtures" / "result.png", fixtures)
    shutil.copytree(HERE / "inputs", folder / "inputs")
    photo = (fixtures / "photos" / "match.jpg").read_bytes()
    (folder / "inputs" / "cut-off.jpg").write_bytes(photo[:3000])
    (folder / "inputs" / "empty.jpg").write_bytes(b"")
    (folder / "inputs" / "bare").mkdir()
    (folder / "studio").mkdir()
    return folder


def environment(tree: Path, folder: Path) -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("DRAWDOWN", "PYTHON", "LC_"))}
    kept = {k: v for k, v in kept.items() if k not in ("COLORTERM", "FORCE_COLOR", "LANG")}
    return {**kept, **FIXED, "PYTHONPATH": str(tree), "XDG_DATA_HOME": str(folder / "data")}


Answer = tuple[str, dict[str, dict]]  # the text that is kept; the pictures


def run_one(command: Command, folder: Path, tree: Path, python: str) -> Answer:
    done = subprocess.run(
        [python, "-m", "drawdown", *command.argv], cwd=folder, env=environment(tree, folder),
        stdin=subprocess.DEVNULL, capture_output=True, check=False, timeout=300,
    )  # fmt: skip
    return answer(command, folder, done.returncode, done.stdout.decode(), done.stderr.decode())


def run_many(given: list[Command], folder: Path, tree: Path, python: str) -> list[Answer]:
    """The same in one process: quicker. A file that a later command writes over is taken as it
    is at the end."""
    streams = [str(folder / name) for name in (".stdout", ".stderr")]
    done = subprocess.run(
        [python, "-c", MANY, *streams], cwd=folder, env=environment(tree, folder),
        input=json.dumps([c.argv for c in given]), capture_output=True, text=True, timeout=600,
        check=False,
    )  # fmt: skip
    lines = done.stdout.splitlines()
    if len(lines) != len(given):
        raise RuntimeError(f"stopped at {given[len(lines)].line}:\n{done.stderr}")
    return [answer(c, folder, *json.loads(t)) for c, t in zip(given, lines, strict=True)]


def answer(command: Command, folder: Path, code: int, out: str, err: str) -> Answer:
    text = [f"$ drawdown {command.line}\n[exit {code}]\n"]
    text += [f"[{kind}]\n{said}" for kind, said in (("stdout", out), ("stderr", err)) if said]
    pictures = {}
    for name in command.files:
        said = f"[file {name}]\n"
        if name.endswith(".png") and (folder / name).exists():
            pictures[f"{command.session}/{command.name}/{name}"] = pixels(folder / name)
        else:
            said += contents(folder / name)
        text.append(said)
    return masked("".join(t if t.endswith("\n") else t + "\n" for t in text), folder), pictures


def contents(path: Path) -> str:
    if not path.exists():
        return "(not written)"
    data = path.read_bytes()
    if path.suffix == ".zip":  # it holds the times at which things were kept
        with zipfile.ZipFile(path) as file:
            return "".join(f"{name}\n" for name in sorted(file.namelist()))
    if path.suffix == ".pdf" or len(data) > MOST_TEXT:
        if path.suffix == ".pdf":
            return f"{len(re.findall(rb'/Type */Page[^s]', data))} pages"
        return f"{len(data)} bytes, sha256 {hashlib.sha256(data).hexdigest()}"
    return data.decode()


def pixels(path: Path) -> dict:
    """SHA-256 of a picture's pixels; its size in px; the mean RGB of 8 x 8 fields, row by row,
    for programs whose decoders and fonts differ a little."""
    import numpy as np
    from PIL import Image

    with Image.open(path) as image:
        rgb = np.asarray(image.convert("RGB"))
        mode = image.mode
    fields = [
        [round(float(v), 1) for v in field.mean(axis=(0, 1))]
        for row in np.array_split(rgb, 8)
        for field in np.array_split(row, 8, axis=1)
    ]
    sha = hashlib.sha256(rgb.tobytes()).hexdigest()
    return {"size_px": [rgb.shape[1], rgb.shape[0]], "mode": mode, "sha256": sha, "fields": fields}


def masked(text: str, folder: Path) -> str:
    """``text`` without what changes from run to run: MASKS, and

    - the temporary folder's path: <here>
    - the day of the run, where the program takes today: <today>."""
    text = text.replace(str(folder), "<here>")
    for pattern, word in MASKS:
        text = pattern.sub(word, text)
    now = datetime.datetime.now(datetime.UTC).date()
    for day in (now, now - datetime.timedelta(days=1)):
        text = text.replace(day.isoformat(), "<today>")
    return text


def run_all(
    given: Iterable[Command], tree: Path, python: str, together: bool = False, workers: int = 2
) -> tuple[dict[str, str], dict[str, dict]]:
    """{place: text}, {place: picture} of the commands, each story in a studio of its own;
    ``together``: many in one process."""
    sessions: dict[str, list[Command]] = {}
    for command in given:
        sessions.setdefault(command.session, []).append(command)
    jobs: list[list[Command]] = [sessions[s] for s in commands.STORIES if s in sessions]
    single = [c for c in chain(*sessions.values()) if c.session not in commands.STORIES]
    if together:  # those of one photo in one process
        single.sort(key=lambda c: next((w for w in c.argv if w.endswith(".jpg")), ""))
        jobs += [single[k : k + 50] for k in range(0, len(single), 50)]
    else:
        jobs += [[c] for c in single]
    folders: list[Path] = []

    def work(job: list[Command]) -> list[Answer]:
        if not job:
            return []
        if job[0].session in commands.STORIES or together:
            folders.append(folder := studio())
        else:
            folder = shared
        if together:
            return run_many(job, folder, tree, python)
        return [run_one(command, folder, tree, python) for command in job]

    folders.append(shared := studio())
    try:
        with ThreadPoolExecutor(workers) as pool:
            answers = list(pool.map(work, jobs))
    finally:
        for folder in folders:
            shutil.rmtree(folder, ignore_errors=True)
    texts, pictures = {}, {}
    for command, (text, shown) in zip(chain(*jobs), chain(*answers), strict=True):
        texts[f"{command.session}/{command.name}"] = text
        pictures.update(shown)
    return texts, pictures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--tree", type=Path, default=ROOT)
    parser.add_argument("--python", default=sys.executable)
    parser.add_argument("--only", nargs="+", metavar="SESSION")
    parser.add_argument("--together", action="store_true", help="many commands in one process")
    asked = parser.parse_args()
    wanted = [c for c in commands.all_commands() if not asked.only or c.session in asked.only]
    python = shutil.which(asked.python) or asked.python  # the link itself: it knows its packages
    texts, pictures = run_all(wanted, asked.tree.resolve(), python, asked.together)
    known = json.loads(PIXELS.read_text()) if PIXELS.exists() else {}
    if asked.check:
        return tell(wanted, texts, pictures, known, sys.stdout.write)
    sessions = {c.session for c in wanted}
    for session in sessions:
        shutil.rmtree(HERE / session, ignore_errors=True)
    for place, text in texts.items():
        path = HERE / f"{place}.txt"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    kept = {k: v for k, v in known.items() if k.split("/")[0] not in sessions} | pictures
    lines = [f"{json.dumps(k)}: {json.dumps(v)}" for k, v in sorted(kept.items())]
    PIXELS.write_text("{\n" + ",\n".join(lines) + "\n}\n")
    return 0


def tell(
    wanted: list[Command], texts: dict, pictures: dict, known: dict, say: Callable[[str], object]
) -> int:
    different = 0
    for place, text in texts.items():
        path = HERE / f"{place}.txt"
        was = path.read_text(encoding="utf-8") if path.exists() else ""
        if was != text:
            different += 1
            lines = (t.splitlines(keepends=True) for t in (was, text))
            say("".join(difflib.unified_diff(*lines, f"{place} kept", f"{place} now")))
    sessions = {c.session for c in wanted}
    for place in sorted({k for k in known if k.split("/")[0] in sessions} | set(pictures)):
        if known.get(place) != pictures.get(place):
            different += 1
            say(f"{place}: other pixels\n")
    strange = {
        f"{p.parent.name}/{p.stem}" for s in sessions for p in (HERE / s).glob("*.txt")
    } - set(texts)
    for place in sorted(strange):
        say(f"{place}: no such command\n")
    say(f"{len(texts)} commands, {different + len(strange)} differ\n")
    return 1 if different or strange else 0


if __name__ == "__main__":
    sys.exit(main())
