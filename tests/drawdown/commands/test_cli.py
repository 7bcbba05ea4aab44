"""The command line: options, exit codes, explained failures, quick start, quiet pipes.

What is checked against the outside: the exit codes and options promised in the guide,
no-color.org, and POSIX habits (stdout for the result alone). Judgements are made up here;
the chain itself is tested elsewhere.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import types
from pathlib import Path

import fake_judgement
import pytest
from fake_chain import FakeChain

from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from drawdown import __version__
from drawdown.commands import main as cli
from drawdown.commands.support.options import (
    check_batch_grams,
    check_strip_numbers,
    check_tolerance,
)
from drawdown.commands.support.parse import read_mix
from drawdown.ink.shelf import starter_shelf
from drawdown.ink.shelf_writing import write_shelf
from drawdown.pipeline.options import Options, check_strips, refuse_too_few

ROOT = Path(__file__).resolve().parents[3]
HEAVY = ("numpy", "cv2", "scipy", "skimage", "colour", "PIL", "rich", "reportlab")


@pytest.fixture
def chain(monkeypatch):
    fake = FakeChain()
    for name, function in (("match", "match_photo"), ("read", "read_strips")):
        module = types.ModuleType(f"drawdown.pipeline.{name}")
        setattr(module, function, fake.run)
        module.Judgement = module.PhotoUsed = object
        monkeypatch.setitem(sys.modules, module.__name__, module)
    return fake


@pytest.fixture(autouse=True)
def plain_surroundings(monkeypatch):
    for name in ("DRAWDOWN_DEBUG", "NO_COLOR", "COLORTERM"):
        monkeypatch.delenv(name, raising=False)


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def run(*args: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "drawdown", *args],
        cwd=ROOT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


# Exit codes and where words go -----------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "code"), [("match", 0), ("no match", 3), ("too close to call", 4), (None, 5)]
)
def test_verdict_decides_the_exit_code(chain, capsys, verdict, code):
    chain.answer = fake_judgement.judgement(verdict)
    assert cli.main(["match", "photo.jpg"]) == code
    out, err = capsys.readouterr()
    assert err == ""
    assert "\x1b" not in out
    said = " ".join(out.split()).replace(" ", "").lower()
    assert (verdict or "no verdict").replace(" ", "") in said


class Parser:
    """A parser that ends in its own way, whatever it is asked."""

    def __init__(self, ending: object) -> None:
        self.ending = ending

    def main(self, **_: object) -> object:
        if isinstance(self.ending, BaseException):
            raise self.ending
        return self.ending


@pytest.mark.parametrize("ending", [0, None, False, "", SystemExit(0)])
@pytest.mark.parametrize("args", [["match", "photo.jpg"], ["--", "match", "photo.jpg"]])
def test_only_a_verdict_lets_match_exit_0(monkeypatch, capsys, args, ending):
    """As with versions of the parser that took every command for --version and ended with 0."""
    monkeypatch.setattr(cli.typer.main, "get_command", lambda _: Parser(ending))
    assert cli.main(args) == 1
    assert "Match ended without a verdict." in capsys.readouterr().err
    assert cli.main(["read", "photo.jpg"]) == 0
    assert cli.main(["match", "--help"]) == 0


def test_an_answer_for_the_tab_key_is_no_match():
    """The variable of the shell's completion, left behind in the environment."""
    done = run(
        "match", "photo.jpg",
        _DRAWDOWN_COMPLETE="complete_bash", COMP_WORDS="drawdown ma", COMP_CWORD="1",
    )  # fmt: skip
    assert done.returncode == 1
    assert "without a verdict" in done.stderr


@pytest.mark.parametrize(("verdict", "code"), [("no match", 3), ("match", 0)])
def test_a_reader_that_leaves_does_not_change_the_verdict(chain, monkeypatch, verdict, code):
    class Gone(io.StringIO):
        def flush(self) -> None:
            raise BrokenPipeError

    chain.answer = fake_judgement.judgement(verdict)
    monkeypatch.setattr(sys, "stdout", Gone())
    assert cli.main(["match", "photo.jpg"]) == code


def test_photo_that_cannot_be_judged_is_explained_and_leaves_json(chain, capsys):
    chain.error = PhotoUnfit("no card was seen", "colours need it", "lay the card in view")
    assert cli.main(["match", "photo.jpg", "--json"]) == 5
    out, err = capsys.readouterr()
    data = json.loads(out)
    assert data["comparison"] is None
    assert data["photo"]["path"] == "photo.jpg"
    assert "No card was seen. Colours need it. Lay the card in view." in err
    assert cli.main(["read", "photo.jpg"]) == 5
    assert capsys.readouterr().out == ""


def test_bad_file_gives_6_and_nothing_on_stdout(chain, capsys):
    chain.error = BadFile("it is empty", "there is no photo in it", "send it again")
    assert cli.main(["match", "photo.jpg", "--json"]) == 6
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("A file cannot be used\n")


def test_a_fault_of_our_own_is_an_apology_without_a_traceback(chain, capsys, monkeypatch):
    chain.error = ZeroDivisionError("by none")
    assert cli.main(["match", "photo.jpg"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "ZeroDivisionError: by none" in " ".join(err.split())
    assert "Traceback" not in err
    monkeypatch.setenv("DRAWDOWN_DEBUG", "1")
    assert cli.main(["match", "photo.jpg"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_interrupt_gives_130(chain, capsys):
    chain.error = KeyboardInterrupt()
    assert cli.main(["match", "photo.jpg"]) == 130
    out, err = capsys.readouterr()
    assert (out, err.strip()) == ("", "Stopped.")


@pytest.mark.parametrize(
    "args",
    [
        ["match"],
        ["match", "a.jpg", "--tolerance", "two"],
        ["match", "a.jpg", "--no-such-option"],
        ["guess", "a.jpg"],
        ["match", "a.jpg", "--strip", "2", "--strip", "2"],
        ["match", "a.jpg", "--strip", "0"],
        ["match", "a.jpg", "--tolerance", "0"],
        ["match", "a.jpg", "--tolerance", "20.1"],
        ["match", "a.jpg", "--tolerance", "nan"],
        ["match", "a.jpg", "--tolerance", "inf"],
        ["match", "a.jpg", "--grams", "-3"],
        ["match", "a.jpg", "--grams", "inf"],
        ["match", "a.jpg", "--mix", "PB15:3"],
        ["match", "a.jpg", "--mix", "=3"],
        ["match", "a.jpg", "--mix", "PB15:3=0"],
        ["match", "a.jpg", "--mix", "PW6=1", "--mix", "PW6=2"],
        ["match", "a.jpg", "--strip", "1,2,3"],
        ["match", "a.jpg", "--strip", "1,2,0,4"],
        ["match", "a.jpg", "--strip", "1,2,3,4"],
        ["match", "a.jpg", "--picture", "out.gif"],
    ],
)
def test_wrong_usage_is_one_explained_paragraph(chain, capsys, args):
    assert cli.main(args) == 2
    out, err = capsys.readouterr()
    assert out == ""
    headline, *paragraph = err.splitlines()
    assert headline == "The command cannot be carried out as written"
    assert paragraph
    assert all(paragraph)
    assert max(map(len, paragraph)) <= 80
    assert not set("╭│╰\x1b") & set(err)
    assert not chain.asked


# Options ---------------------------------------------------------------------------------


def test_options_reach_the_chain(chain, tmp_path):
    picture, shelf = tmp_path / "answer.png", tmp_path / "s.toml"
    write_shelf(starter_shelf(), shelf)
    code = cli.main(
        [
            "match", "old.jpg", "photo.jpg", "--apart", "--card", "c.toml",
            "--shelf", str(shelf), "--mix", "PB15:3 2, white a 10.5",
            "--grams", "250", "--scale", "0.5",
            "--tolerance", "1.5", "--other-inks",
            "--pulled-alike", "--wet", "Batch",
            "--strip", "300, 200,240.5,600px",
            "--picture", str(picture),
            "--card-corners", "10,10 110,12.5 110,60 10,60",
            "--card-corners", "1,1; 300,1; 300,100; 1,100",
        ]
    )  # fmt: skip
    assert code == 0
    path, options = chain.asked[0]
    assert path == Path("photo.jpg")
    assert options == Options(
        batch=1, card=Path("c.toml"), shelf=shelf,
        mix={"PB15:3": 2.0, "white a": 10.5}, batch_grams=250.0, scale_step=0.5,
        tolerance=1.5, other_inks=True, pulled_alike=True,
        wet=frozenset({"batch"}), original_photo=Path("old.jpg"),
        strips=("300,200,240.5,600px",),
        card_corners=(
            ((1.0, 1.0), (300.0, 1.0), (300.0, 100.0), (1.0, 100.0)),
            ((10.0, 10.0), (110.0, 12.5), (110.0, 60.0), (10.0, 60.0)),
        ),
    )  # fmt: skip
    assert options.wet == {"batch"}
    assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_defaults_are_strip_1_against_strip_2_within_2(chain):
    assert cli.main(["match", "photo.jpg"]) == 0
    assert chain.asked[0][1] == Options()


def test_picture_never_replaces_the_photo(chain, tmp_path, capsys):
    photo = tmp_path / "photo.png"
    photo.write_bytes(b"precious")
    assert cli.main(["match", str(photo), "--picture", str(photo)]) == 2
    assert photo.read_bytes() == b"precious"
    assert cli.main(["match", str(photo), "--picture", str(tmp_path / "no" / "x.png")]) == 6
    assert not chain.asked
    assert "folder does not exist" in " ".join(capsys.readouterr().err.split())


def test_option_checks_one_by_one():
    check_strip_numbers(original=1, batch=2)
    check_strip_numbers(original=None, batch=None)
    check_tolerance(20.0)
    check_batch_grams(None)
    check_batch_grams(1.0)
    assert read_mix([]) is None
    assert check_strips([]) == ()
    with pytest.raises(WrongUsage, match="strip 3 is to be compared"):
        refuse_too_few(check_strips(["1,2,3,4", "5,6,7,8"]), 1, 3)


# Start-up, help, version -----------------------------------------------------------------


def test_help_is_quick_because_it_loads_nothing_heavy():
    code = (
        "import sys; from drawdown.commands.main import main;"
        "main(['--help']); main(['match', '--help']);"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"
    assert "--tolerance" in done.stdout


@pytest.mark.parametrize("command", ["match", "read"])
def test_a_photo_is_read_without_the_heavy_libraries(command):
    """None of them is needed on the way from a photo to an answer, and the import of one of
    them warns; nothing but the answer is printed."""
    code = (
        "import sys; from drawdown.commands.main import main;"
        f"code = main([{command!r}, {str(ROOT / 'fixtures/photos/match.jpg')!r}, '--json']);"
        "heavy = ('scipy', 'skimage', 'colour', 'matplotlib', 'pandas', 'PIL', 'reportlab', "
        "'pydantic', 'rich', 'typing_extensions');"
        "print(code, [m for m in heavy if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "0 []"
    assert done.stdout.startswith("{")


def test_commands_come_in_order_of_use():
    listed = run("--help").stdout.split("Commands:")[1]
    names = [line.split()[0] for line in listed.splitlines() if line.startswith("  ")]
    names = [name for name in names if name in ("match", "read", "card", "book")]
    assert names == ["match", "read", "card", "book"]


@pytest.mark.parametrize("group", [[], ["ink"], ["plan"], ["book"]])
def test_help_cuts_no_line_short(group, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert cli.main([*group, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Commands:" in out
    assert "..." not in out.split("Commands:")[1]


def test_version_and_bare_call():
    done = run("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"drawdown {__version__}\n", "")
    bare = run()
    assert (bare.returncode, bare.stderr) == (0, "")
    assert "Usage: drawdown" in bare.stdout


def test_usage_error_through_the_process():
    done = run("match")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "PHOTO" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_reader_that_leaves_is_no_error():
    # A pipe whose reading end is closed before anything is written.
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "drawdown"],
            cwd=ROOT, stdout=gone, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")


# Colour and progress ---------------------------------------------------------------------


def test_no_color_is_honoured(chain, monkeypatch):
    for variable, coloured in (("", True), ("1", False)):
        screen = Terminal()
        monkeypatch.setattr(sys, "stdout", screen)
        monkeypatch.setenv("COLORTERM", "truecolor")
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setenv("NO_COLOR", variable)
        assert cli.main(["match", "photo.jpg"]) == 0
        assert ("\x1b[" in screen.getvalue()) is coloured


def test_read_takes_strips_by_hand_for_one_photo(chain, tmp_path):
    chain.answer.comparison = chain.answer.advice = None
    chain.answer.all_flags = ()
    picture = tmp_path / "named.png"
    code = cli.main(["read", "p.jpg", "--strip", "10,-60,20,50", "--picture", str(picture)])
    assert code == 0
    assert chain.asked[0][1].strips == ("10,-60,20,50",)
    assert picture.read_bytes()[1:4] == b"PNG"
    assert cli.main(["read", str(tmp_path), "--picture", str(picture)]) == 2
    assert cli.main(["read", str(tmp_path), "--strip", "10,-60,20,50"]) == 2


def test_version_is_the_same_everywhere():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == __version__
