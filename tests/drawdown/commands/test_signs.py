"""Nothing that a file, a name or an option holds can steer the terminal.

Controls: ISO/IEC 6429, sets C0 and C1. Signs of direction: Unicode Standard Annex #9, table 4.
"""

from __future__ import annotations

import io
import json
import unicodedata

import pytest

from calibration.signs import escaped, visible
from drawdown.commands import main as cli
from drawdown.report.text import terminal

C0 = [chr(n) for n in range(32) if chr(n) not in "\t\n"]
C1 = [chr(n) for n in range(0x7F, 0xA0)]
TURNING = [chr(n) for n in (0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))]


@pytest.mark.parametrize("sign", [*C0, *C1, *TURNING, "\udcff", "\ufdd0"])
def test_what_steers_is_shown(sign):
    assert visible(f"a{sign}b") == f"a<U+{ord(sign):04X}>b"
    assert json.loads(escaped(f'"a{sign}b"')) == f"a{sign}b"


def test_letters_of_every_script_stay():
    text = "Grünspan, 藍, नील, أزرق, כחול, ½\u00a0g ± 0.1 ΔE, \U0001f3a8\n\tx"
    assert visible(text) == text


def test_only_our_own_codes_reach_the_terminal():
    screen = io.StringIO()
    gate = terminal.Gate(screen)
    gate.write(terminal.paint("blue\x1b[31m\x9b2J\u202e", "1", True) + "\x07")
    gate.writelines([terminal.rewritten("half \r done")])
    assert screen.getvalue() == (
        "\x1b[1mblue<U+001B>[31m<U+009B>2J<U+202E>\x1b[0m<U+0007>\x1b[Ghalf <U+000D> done\x1b[K"
    )


HOSTILE = "x\x1b]0;t\x07\x9b31m\u202ey"


@pytest.mark.parametrize(
    "argv",
    [
        ["read", HOSTILE + ".jpg"],
        ["read", "a.jpg", "--" + HOSTILE],
        [HOSTILE],
        ["ink", HOSTILE],
        ["read", "a.jpg", "--strip", HOSTILE],
        ["card", HOSTILE + ".pdf/x.pdf"],
        ["card", HOSTILE],
        ["read", "a.jpg", HOSTILE],
    ],
)
def test_what_was_typed_comes_back_visible(argv, capsys):
    assert cli.main(argv) in (2, 6)
    streams = capsys.readouterr()
    said = streams.out + streams.err
    unseen = {c for c in said if unicodedata.category(c) in ("Cc", "Cf") and c not in "\n\t"}
    assert not unseen
    shown = "".join(said.split())
    assert "<U+001B>" in shown or r"\x1b" in shown


def test_a_files_own_text_comes_back_visible(tmp_path, capsys):
    shelf = tmp_path / "shelf.toml"
    shelf.write_text('[[ink]]\nname = "a\\u001b[2J\\u202e"\n', encoding="utf-8")
    assert cli.main(["ink", "list", "--shelf", str(shelf)]) == 6
    said = capsys.readouterr().err
    assert not {"\x1b", "\u202e"} & set(said)


def test_streams_are_as_before_afterwards(capsys):
    import sys

    before = sys.stdout, sys.stderr
    cli.main(["--version"])
    assert (sys.stdout, sys.stderr) == before
