"""Refresh the table of flags and the real output shown in README.md.

After a line ``<!-- output: COMMAND -->`` the next code block is replaced by what the command
prints on stdout. Run from the project's root, with the program installed:

    python .ci/fill_readme.py

``--flags`` refreshes the table of flags alone.
"""

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))
from calibration.naming import speak  # noqa: E402
from drawdown.commands.support.option_names import option_name  # noqa: E402
from drawdown.flags import flag_table  # noqa: E402

BLOCK = re.compile(r"(<!-- output: (?P<command>[^\n]+) -->\n\n?```[a-z]*\n).*?(```)", re.DOTALL)
TABLE = re.compile(r"(## Remarks it may make\n\n)(?:\|[^\n]*\n)+")


def output(block: re.Match[str]) -> str:
    done = subprocess.run(
        block["command"], shell=True, stdout=subprocess.PIPE, text=True, check=False
    )
    if done.returncode not in (0, 3, 4, 5) or not done.stdout.strip():
        sys.exit(f"{block['command']}: exit code {done.returncode}")
    lines = [line.rstrip() for line in done.stdout.strip("\n").splitlines()]
    return block[1] + "\n".join(lines) + "\n" + block[3]


def main() -> None:
    speak(option_name)
    readme = Path("README.md")
    text = TABLE.sub(
        lambda found: found[1] + flag_table() + "\n", readme.read_text(encoding="utf-8")
    )
    if sys.argv[1:] != ["--flags"]:
        text = BLOCK.sub(output, text)
    readme.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
