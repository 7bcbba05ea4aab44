"""``drawdown book``: the studio book, a group of commands (one file for each few of them)."""

from __future__ import annotations

import typer

from drawdown.commands.late import late_group

HERE = "drawdown.commands"
COMMANDS = {
    "keep": f"{HERE}.book_keep:keep",
    "list": f"{HERE}.book_lists:list_",
    "show": f"{HERE}.book_lists:show",
    "find": f"{HERE}.book_find:find",
    "remake": f"{HERE}.book_remake:remake",
    "amend": f"{HERE}.book_amend:amend",
    "correct": f"{HERE}.book_remake:correct",
    "batches": f"{HERE}.book_lists:batches",
    "added": f"{HERE}.book_story:added",
    "story": f"{HERE}.book_story:story",
    "put-by": f"{HERE}.book_packets:put_by",
    "packets": f"{HERE}.book_lists:packets",
    "take": f"{HERE}.book_packets:take",
    "pull": f"{HERE}.book_pull:pull",
    "drift": f"{HERE}.book_pull:drift",
    "labels": f"{HERE}.book_print:labels",
    "recipe-sheet": f"{HERE}.book_print:recipe_sheet",
    "export": f"{HERE}.book_share:export",
    "import": f"{HERE}.book_share:import_",
    "remove": f"{HERE}.book_undo:remove",
    "log": f"{HERE}.book_lists:log",
    "undo": f"{HERE}.book_undo:undo",
    "redo": f"{HERE}.book_undo:redo",
    "check": f"{HERE}.book_undo:check",
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
        from drawdown.report import terminal

        terminal.write_result(context.get_help())
