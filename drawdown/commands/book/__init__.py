"""``drawdown book``: the studio book, a group of commands (one file for each few of them)."""

from __future__ import annotations

import typer

from drawdown.commands.support.groups import late_group

HERE = "drawdown.commands.book"
COMMANDS = {
    "keep": f"{HERE}.keep:keep",
    "list": f"{HERE}.lists:list_",
    "show": f"{HERE}.lists:show",
    "find": f"{HERE}.find:find",
    "remake": f"{HERE}.remake:remake",
    "amend": f"{HERE}.amend:amend",
    "correct": f"{HERE}.remake:correct",
    "batches": f"{HERE}.lists:batches",
    "added": f"{HERE}.story:added",
    "story": f"{HERE}.story:story",
    "put-by": f"{HERE}.packets:put_by",
    "packets": f"{HERE}.lists:packets",
    "take": f"{HERE}.packets:take",
    "pull": f"{HERE}.pull:pull",
    "drift": f"{HERE}.pull:drift",
    "labels": f"{HERE}.print:labels",
    "recipe-sheet": f"{HERE}.print:recipe_sheet",
    "export": f"{HERE}.share:export",
    "import": f"{HERE}.share:import_",
    "remove": f"{HERE}.undo:remove",
    "log": f"{HERE}.lists:log",
    "undo": f"{HERE}.undo:undo",
    "redo": f"{HERE}.undo:redo",
    "check": f"{HERE}.undo:check",
}

book = typer.Typer(
    name="book",
    help="The studio book: kept originals, recipes, batches and packets of ink.",
    cls=late_group(COMMANDS),
    rich_markup_mode=None,
    add_completion=False,
)


@book.callback(invoke_without_command=True)
def _start(context: typer.Context) -> None:
    if context.invoked_subcommand is None:
        from drawdown.report.text import terminal

        terminal.write_result(context.get_help())
