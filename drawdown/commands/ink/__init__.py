"""``drawdown ink``: the studio's own inks. One file for each of its commands."""

from __future__ import annotations

import typer

from drawdown.commands.ink.add import add
from drawdown.commands.ink.fit import fit
from drawdown.commands.ink.learnt import learnt
from drawdown.commands.ink.list import list_inks
from drawdown.commands.ink.remove import remove, undo
from drawdown.commands.ink.show import show
from drawdown.commands.support.groups import FullGroup

app = typer.Typer(
    cls=FullGroup,
    help="The inks you own: add, list, show, remove; fit one from a photo of its strips.",
    rich_markup_mode=None,
)
app.command("list")(list_inks)
app.command("show")(show)
app.command("add")(add)
app.command("fit")(fit)
app.command("learnt")(learnt)
app.command("remove")(remove)
app.command("undo")(undo)


@app.callback(invoke_without_command=True)
def _start(context: typer.Context) -> None:
    if context.invoked_subcommand is None:
        from drawdown.report.text import terminal

        terminal.write_result(context.get_help())
