"""Refresh what README.md and the pages of the guide show: real output, remarks, the picture.

    python .ci/fill_readme.py [--flags]

After a line ``<!-- output: COMMAND -->`` the next code block is replaced by what the command
prints; from ``<!-- flags: CODE, ... -->`` to ``<!-- end -->`` stand those remarks in their own
words; what ``<!-- picture: COMMAND -->`` draws is fixtures/result.png. Commands of README.md run in
the project's root, those of the guide among the files of tests/kits/guide_bench.py. ``--flags``
refreshes the remarks alone.
"""

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]
import guide_bench  # noqa: E402

from calibration.naming import speak  # noqa: E402
from drawdown.commands.support.option_names import option_name  # noqa: E402
from drawdown.flags import KINDS, flag_points  # noqa: E402

FLAGS = re.compile(r"(<!-- flags: (?P<codes>[^\n]+) -->\n).*?(<!-- end -->)", re.S)
PICTURE = re.compile(r"<!-- picture: (?P<command>[^\n]+) -->")


def run(command: str, folder: Path) -> str:
    with tempfile.TemporaryDirectory() as studio:
        own = {
            "PYTHONPATH": str(ROOT), "DRAWDOWN_BOOK": f"{studio}/book", "NO_COLOR": "1",
            "DRAWDOWN_SHELF": f"{studio}/shelf.toml",
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "drawdown", *shlex.split(command)[1:]],
            stdout=subprocess.PIPE, text=True, check=False, cwd=folder, env=os.environ | own,
        )  # fmt: skip
    if done.returncode not in (0, 3, 4, 5) or not done.stdout.strip():
        sys.exit(f"{command}: exit code {done.returncode}")
    return "\n".join(line.rstrip() for line in done.stdout.strip("\n").splitlines()) + "\n"


HOMES = {"photo": "remark-photo", "card": "remark-photo", "strip": "remark-strips"}


def house_new_remarks() -> None:
    """A remark that no page has yet goes to the page of its kind, for a person to move."""
    known = "".join(page.read_text(encoding="utf-8") for page in guide_bench.pages())
    for code, kind in KINDS.items():
        if f"**{code}**" not in known:
            page = guide_bench.GUIDE / f"{HOMES.get(kind.about, 'remark-strips')}.md"
            text = page.read_text(encoding="utf-8")
            for mark in ("<!-- also: ", "<!-- flags: "):
                text = text.replace(mark, f"{mark}{code}, ", 1)
            page.write_text(text, encoding="utf-8")


def main() -> None:
    speak(option_name)
    house_new_remarks()
    whole = sys.argv[1:] != ["--flags"]
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder)
        guide_bench.lay_out(bench)
        for page in guide_bench.pages():
            place = ROOT if page.name == "README.md" else bench
            text = FLAGS.sub(
                lambda found: found[1] + flag_points(found["codes"].split(", ")) + found[3],
                page.read_text(encoding="utf-8"),
            )
            if whole:
                text = guide_bench.OUTPUT.sub(
                    lambda found, place=place: found[1] + run(found["command"], place) + "```", text
                )
                for found in PICTURE.finditer(text):
                    run(f"{found['command']} --picture fixtures/result.png --replace", ROOT)
            page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
