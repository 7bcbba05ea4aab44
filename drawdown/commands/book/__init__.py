"""``drawdown book``: the studio book, a group of commands (one file for each few of them)."""

from drawdown.commands.support.groups import group

HERE = "drawdown.commands.book"

COMMANDS = {
    "keep": f"{HERE}.keep:keep",
    "list": f"{HERE}.lists:list_",
    "show": f"{HERE}.lists:show",
    "find": f"{HERE}.find:find",
    "remake": f"{HERE}.remake:remake",
    "amend": f"{HERE}.keep:amend",
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

book = group(
    "book",
    "The studio book: kept originals, recipes, batches and packets of ink.",
    COMMANDS,
)
