"""Groups of commands: with whole lines in their help, and one whose commands are read in when
they are wanted, so that start-up stays short however many there are."""

from __future__ import annotations

import importlib
from typing import Any

import typer
from typer.core import TyperGroup

_WHOLE = 1000  # letters: more than any command's line has


class FullGroup(TyperGroup):
    """A group whose help gives each command's line whole, on two lines where one is short."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        rows = [
            (name, command.get_short_help_str(_WHOLE))
            for name, command in commands
            if command is not None and not command.hidden
        ]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)


def late_group(places: dict[str, str]) -> type[TyperGroup]:
    """A group's class; ``places`` says where each command's function is: name ->
    "module:function", in the order of the help."""

    class LateGroup(FullGroup):
        def __init__(self, **settings: Any) -> None:
            self._ready: dict[str, Any] = {}
            super().__init__(**settings)

        @property
        def commands(self) -> dict[str, Any]:
            return {name: self._command(name) for name in places}

        @commands.setter
        def commands(self, given: Any) -> None:
            """Nothing is given: the commands come from ``places``."""

        def list_commands(self, ctx: Any) -> list[str]:
            return list(places)

        def get_command(self, ctx: Any, cmd_name: str) -> Any:
            return self._command(cmd_name) if cmd_name in places else None

        def _command(self, name: str) -> Any:
            if name not in self._ready:
                module, _, function = places[name].partition(":")
                alone = typer.Typer(add_completion=False, rich_markup_mode=None)
                alone.command(name)(getattr(importlib.import_module(module), function))
                self._ready[name] = typer.main.get_command(alone)
            return self._ready[name]

    return LateGroup
