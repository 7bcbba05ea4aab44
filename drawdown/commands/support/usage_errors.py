"""What the parser did not understand, in plain words.

The parser's errors are recognised by name and content, not by class: they come from whichever
library the parser is built on, and nothing heavier than this is imported for it.
"""

from __future__ import annotations

import difflib
import re
import shlex
from typing import Any

from calibration.errors import WrongUsage
from drawdown.commands.support.option_names import MOVED, MOVED_OPTIONS

_KINDS = ((" int", "a whole number"), ("float", "a number"), ("number", "a number"))
_EXTRA = re.compile(r"extra arguments?(?:\(s\))? \((.*)\)")
_COMMAND = re.compile(r"[Nn]o such command ['\"](.*?)['\"]")
_OPTION = re.compile(r"(?:[Oo]ption|:) ['\"]?(--?[^\s'\"]+)")
_VALUE = re.compile(r"^['\"](.*)['\"] is not")


def wrong_usage(error: Any, argv: list[str]) -> WrongUsage:
    """One of the parser's usage errors as an explanation, with the line to type instead."""
    context = getattr(error, "ctx", None)
    command = getattr(context, "command_path", None) or "drawdown"
    said = " ".join(str(error.format_message()).split())
    kind = type(error).__name__
    todo = f"all commands and options are listed by: {command} --help"
    if kind == "NoSuchOption":
        option = getattr(error, "option_name", None) or _found(_OPTION, said) or "an option"
        near = MOVED_OPTIONS.get(option) or _near(option, _options(context))
        if near not in _options(context):
            near = None
        return WrongUsage(
            f"{command} has no option {option}",
            f"did you mean {near}?" if near else "nothing was read or written",
            f"write: {_line(argv, option, near)}" if near else todo,
        )
    if (name := _found(_COMMAND, said)) is not None:
        path = f"{command} {name}".removeprefix("drawdown ")
        if path in MOVED:
            return WrongUsage(
                f"`drawdown {path}` is now `drawdown {MOVED[path]}`",
                "commands stand in groups",
                f"write: {_line(argv, path, MOVED[path])}",
            )
        near = _near(name, list(getattr(getattr(context, "command", None), "commands", ())))
        return WrongUsage(
            f'{command} has no command "{name}", and no file is called so'
            if command == "drawdown"
            else f'{command} has no command "{name}"',
            f"did you mean {near}?" if near else "nothing was read or written",
            f"write: {_line(argv, name, near)}" if near else todo,
        )
    if (extra := _found(_EXTRA, said)) is not None:
        return WrongUsage(
            f'"{extra}" is unexpected: {command} cannot tell what it is for',
            "perhaps a space in a file's name lacks quotes, or an option's name was left out",
            f'write names with spaces in quotes ("my photo.jpg"); {todo}',
        )
    if kind == "MissingParameter":
        name = _name(getattr(error, "param", None))
        return WrongUsage(f"{name} was not given", f"{command} needs it", todo)
    if kind == "BadParameter":
        return _bad_value(error, said, todo)
    if kind == "BadOptionUsage":
        option = getattr(error, "option_name", None) or _found(_OPTION, said) or "an option"
        bare = "not take" in said
        return WrongUsage(
            f"{option} takes no value" if bare else f"{option} was given without its value",
            "it is either there or not" if bare else "the value must follow it",
            f"write {option} alone" if bare else todo,
        )
    return WrongUsage(said, "nothing was read or written", todo)


def _line(argv: list[str], wrong: str, right: str) -> str:
    """The whole command with one thing put right, as it is to be typed."""
    words = ["drawdown", *argv]
    old = wrong.split()
    at = next((k for k in range(len(words)) if words[k : k + len(old)] == old), None)
    if at is None:  # --option=value
        return shlex.join(
            right + word.removeprefix(wrong) if word.startswith(f"{wrong}=") else word
            for word in words
        )
    return shlex.join([*words[:at], *right.split(), *words[at + len(old) :]])


def _bad_value(error: Any, said: str, todo: str) -> WrongUsage:
    message = str(getattr(error, "message", said))
    parameter = getattr(error, "param", None)
    name = _name(parameter)
    if getattr(getattr(parameter, "type", None), "name", "") == "read_number":
        return WrongUsage(
            f'{name} is "{message}", which is not a number',
            "nothing was read or written",
            f"write it with a decimal point or comma, as in {name} 12.5",
        )
    wanted = next((words for key, words in _KINDS if key in message.lower()), None)
    value = _found(_VALUE, message)
    cause = getattr(error, "__cause__", None)
    if value is None and callable(getattr(cause, "errors", None)):
        value = str(cause.errors()[0].get("input", ""))
    given = f' is "{value}"' if value is not None else "'s value cannot be used"
    if wanted is None:
        return WrongUsage(name + given, "that is not what it can be", todo)
    return WrongUsage(
        f"{name}{given}, which is not {wanted}",
        "nothing was read or written",
        f"write digits alone, with a point for decimals if there are any; {todo}"
        if wanted == "a number"
        else f"write digits alone; {todo}",
    )


def _found(pattern: re.Pattern[str], text: str) -> str | None:
    match = pattern.search(text)
    return match[1] if match else None


def _name(parameter: Any) -> str:
    """What the person writes: --tolerance, or PHOTO."""
    options = [o for o in getattr(parameter, "opts", ()) if o.startswith("--")]
    if options:
        return options[0]
    name = getattr(parameter, "metavar", None)
    return str(name or str(getattr(parameter, "name", None) or "a name").upper()).rstrip(".")


def _options(context: Any) -> list[str]:
    parameters = getattr(getattr(context, "command", None), "params", ())
    return [o for p in parameters for o in p.opts if o.startswith("--")] + ["--help"]


def _near(word: str, known: list[str]) -> str | None:
    return next(iter(difflib.get_close_matches(word, known, n=1, cutoff=0.7)), None)
