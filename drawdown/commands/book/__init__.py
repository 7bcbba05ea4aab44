"""``drawdown book``: the studio book, a group of commands, one file each; two sides of one thing (a
list and a row of it, a packet in and out, the file out and in) share one."""

from drawdown.commands.support.groups import group

HERE = "drawdown.commands.book"

COMMANDS = {
    "keep": f"{HERE}.keep:keep",
    "list": f"{HERE}.lists:list_",
    "show": f"{HERE}.lists:show",
    "find": f"{HERE}.find:find",
    "mix": f"{HERE}.mix:mix",
    "batch": f"{HERE}.batch:batch",
    "store": f"{HERE}.packet:store",
    "use": f"{HERE}.packet:use",
    "print": f"{HERE}.print:print_",
    "share": f"{HERE}.share:share",
    "import": f"{HERE}.share:import_",
    "run": f"{HERE}.run:run",
    "edit": f"{HERE}.edit:edit",
    "remove": f"{HERE}.remove:remove",
    "check": f"{HERE}.check:check",
}

book = group(
    "book",
    "The studio book: originals, recipes, batches, packets, print runs.",
    COMMANDS,
)
