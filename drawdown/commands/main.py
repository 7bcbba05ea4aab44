"""The command line: its commands, and the one place where failures become terminal text.

Start-up is kept short: command modules import numpy and the like only when they run.
"""

from __future__ import annotations

import errno
import os
import re
import shlex
import sys
from typing import Annotated

import typer

from calibration.errors import BadFile, DrawdownError, WrongUsage
from calibration.files import recorded
from calibration.naming import speak
from drawdown import __version__
from drawdown.commands.support import interrupts
from drawdown.commands.support.completion import SHELLS, prepare, print_completion
from drawdown.commands.support.exit_codes import INTERRUPTED, ExitCode
from drawdown.commands.support.groups import late_group
from drawdown.commands.support.option_names import MOVED, option_name
from drawdown.report.text import terminal

FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG)
UNWRITABLE = (*FULL, errno.EIO, errno.EBADF, errno.EINVAL)
ROOT_OPTIONS = ("--help", "-h", "--version", "--completion")
HEADLINES = {
    1: "Sorry, drawdown failed",
    2: "The command cannot be carried out as written",
    5: "This photo cannot be judged",
    6: "A file cannot be used",
}
# A command that closes an explanation, to be copied whole, without the full stop.
TO_TYPE = re.compile(r": (drawdown (?:(?!; |\. |, or | \(or ).)+?)\.?$")

_NAMES = ("match", "read", "watch", "serve", "card", "demo", "guide", "undo", "ink", "plan", "book")
_COMMANDS = {name: f"drawdown.commands.{name}:{name}" for name in _NAMES}

app = typer.Typer(
    name="drawdown",
    cls=late_group(_COMMANDS),
    help="Hold a new batch of ink to the kept draw-down, from a photo: drawdown PHOTO",
    epilog="Exit: 0 match or done, 2 usage, 3 no match, 4 too close, 5 photo, 6 file.",
    add_completion=False,
    rich_markup_mode=None,  # plain help: quicker, and readable without colour
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        terminal.write_result(f"drawdown {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and stop."
        ),
    ] = False,
    completion: Annotated[
        str | None,
        typer.Option(
            metavar="SHELL",
            callback=print_completion,
            is_eager=True,
            autocompletion=lambda: list(SHELLS),
            help="Tab key script: bash, zsh, fish, powershell.",
        ),
    ] = None,
) -> None:
    if context.invoked_subcommand is None:
        terminal.write_result(context.get_help())


def main(argv: list[str] | None = None) -> int:
    """Run the program and return its exit code; ``argv`` is without the program's name."""
    argv = sys.argv[1:] if argv is None else list(argv)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by the caller: the exit code still tells
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115  (as long as the process)
    with terminal.gated():
        try:
            code = _run(argv)
            try:
                sys.stdout.flush()
            except BrokenPipeError:  # the reader has gone: the exit code still tells
                terminal.hush(sys.stdout)
            return code
        except (Exception, KeyboardInterrupt) as error:
            if isinstance(error, KeyboardInterrupt) or interrupts.seen():
                terminal.write_aside("\nStopped.")
                return INTERRUPTED
            if os.environ.get("DRAWDOWN_DEBUG") == "1":
                import traceback

                terminal.write_aside(traceback.format_exc())
            return _tell(_explained(error, argv))


def _run(argv: list[str]) -> int:
    """Parse and carry out; commands return their exit code (None means 0), ``match`` only one
    that a judgement gave."""
    if any("\0" in word for word in argv):
        raise WrongUsage(
            "the command holds a NUL character",
            "no name and no number can hold one",
            "type the command again",
        )
    speak(option_name)
    recorded.clear()
    prepare()
    argv = _with_command(argv)
    # Our matrices are small: waking a thread for each core costs a fifth of the whole run.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = typer.main.get_command(app).main(
            args=argv, prog_name="drawdown", standalone_mode=False
        )
    except typer.Abort:
        raise KeyboardInterrupt from None
    except SystemExit as stop:  # the parser's way out when its reader has gone away
        terminal.hush(sys.stdout)
        code = 0 if stop.code == 1 else stop.code
    if code == INTERRUPTED:
        raise KeyboardInterrupt
    if not code and not isinstance(code, ExitCode) and _judges(argv):
        raise DrawdownError(
            "match ended without a verdict",
            "0 would say that the batch matches",
            "install drawdown again, so that the versions of its packages fit together, and report "
            "it if it happens again",
        )
    return code if isinstance(code, int) else 0


def _with_command(argv: list[str]) -> list[str]:
    """``drawdown PHOTO`` is ``drawdown match PHOTO``; a folder is read."""
    first = argv[0] if argv else "--help"
    if first in _COMMANDS or first in ROOT_OPTIONS or first.startswith("--completion="):
        return argv
    if first.startswith("-"):
        photo = any(not word.startswith("-") for word in argv)
        return ["match", *argv] if photo else argv
    if first in MOVED or not (os.path.lexists(first) or os.sep in first or "." in first):
        return argv  # the parser says what is wrong with it
    return ["read" if os.path.isdir(first) else "match", *argv]


def _judges(argv: list[str]) -> bool:
    """Whether a verdict was asked for, by the words alone: the parser may be what is wrong."""
    command = next((word for word in argv if not word.startswith("-")), None)
    return command == "match" and not {"--help", "-h"} & set(argv)


def with_word(argv: list[str], wrong: str, right: str) -> str:
    """The whole command with one word put right, as it is to be typed."""
    found = re.compile(rf"(?<![\w-]){re.escape(wrong)}(?![\w-])")
    return shlex.join(["drawdown", *(found.sub(right, word) for word in argv)])


def _explained(error: Exception, argv: list[str] | None = None) -> DrawdownError:
    """Any exception as one that a person can act on."""
    if isinstance(error, DrawdownError):
        if isinstance(error, WrongUsage) and error.instead is not None:
            error.todo = f"{error.todo.rstrip()} Write: {with_word(argv or [], *error.instead)}"
        return error
    if callable(getattr(error, "format_message", None)):  # the parser's own usage errors
        from drawdown.commands.support.usage_errors import wrong_usage

        return wrong_usage(error, _with_command(argv or []))
    if isinstance(error, ImportError):
        from drawdown.commands.support.missing_library import explain_missing_library

        return explain_missing_library(error)
    if isinstance(error, OSError) and error.filename is None and error.errno in UNWRITABLE:
        # Files are named when they fail: this was the answer on its way out.
        terminal.hush(sys.stdout)
        full = error.errno in FULL
        if recorded:
            done = "; ".join(recorded)
            return BadFile(
                f"the answer could not be written ({error.strerror}), but what it tells of was "
                f"done and is recorded: {done}",
                "given again, the command would do it a second time",
                "do not give the command again; ask for what there is now instead",
            )
        return BadFile(
            "the disk is full, so the answer could not be written"
            if full
            else f"the answer could not be written ({error.strerror})",
            "what is in the file now is cut short",
            "make room and give the command again" if full else "send the answer elsewhere",
        )
    if isinstance(error, OSError) and error.filename is not None:  # such as a name too long
        return BadFile(
            f"the file {error.filename} cannot be used ({error.strerror})",
            "what it was named for cannot be done without it",
            "check the name and the folder, or choose a shorter one",
        )
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return DrawdownError(
        f"it met something it was not made for ({' '.join(what.split())})",
        "no result was given, because a wrong one would be worse than none",
        "please report it: run the same command again with DRAWDOWN_DEBUG=1 set, and send "
        "what it prints, the photo and this version number "
        f"({__version__}) to those who look after the program",
    )


def _tell(error: DrawdownError) -> int:
    """Print one failure on stderr, a line to type on a line of its own; return its exit code."""
    stream = sys.stderr
    colour = terminal.takes_colour(stream)
    headline = HEADLINES.get(error.exit_code, HEADLINES[1])
    lines = [terminal.paint(headline, "1", colour)]
    text, typed = error.paragraph(), ""
    if to_type := TO_TYPE.search(text):
        text, typed = text[: to_type.start() + 1], to_type[1]
    lines += terminal.wrap(text, terminal.width(stream))
    lines += [f"  {typed}"] if typed else []
    try:
        terminal.write("\n".join(lines) + "\n", stream)
    except OSError:  # nothing can be shown; the exit code still says so
        terminal.hush(stream)
    return error.exit_code
