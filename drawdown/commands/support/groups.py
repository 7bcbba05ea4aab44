"""Groups whose commands are read in when they are wanted, so that start-up stays short however
many there are, and whose help gives each command's line whole, on two lines where one is short.
"""

from __future__ import annotations

import importlib
from typing import Any

import typer
from typer.core import TyperGroup

_WHOLE = 1000  # letters: more than any command's line has


def late_group(places: dict[str, str]) -> type[TyperGroup]:
    """A group's class; ``places`` says where each command's function is: name ->
    "module:function", in the order of the help."""

    class LateGroup(TyperGroup):
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

        def format_commands(self, ctx: Any, formatter: Any) -> None:
            rows = [(name, self._command(name).get_short_help_str(_WHOLE)) for name in places]
            with formatter.section("Commands"):
                formatter.write_dl(rows)

        def _command(self, name: str) -> Any:
            if name not in self._ready:
                module, _, function = places[name].partition(":")
                found = getattr(importlib.import_module(module), function)
                if not isinstance(found, typer.Typer):  # a group is ready as it is
                    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
                    alone.command(name)(found)
                    found = alone
                self._ready[name] = typer.main.get_command(found)
            return self._ready[name]

    return LateGroup


def group(name: str, help_text: str, places: dict[str, str]) -> typer.Typer:
    """A group that shows its help when no command is named; ``places`` as in ``late_group``."""
    app = typer.Typer(
        name=name,
        help=help_text,
        cls=late_group(places),
        rich_markup_mode=None,
        add_completion=False,
    )

    @app.callback(invoke_without_command=True)
    def _start(context: typer.Context) -> None:
        if context.invoked_subcommand is None:
            from drawdown.report.text import terminal

            terminal.write_result(context.get_help())

    return app
