"""``drawdown ink``: the studio's own inks. One file for each of its commands."""

from drawdown.commands.support.groups import group

HERE = "drawdown.commands.ink"

ink = group(
    "ink",
    "The inks you own: add, list, show, remove; fit one from a photo of its strips.",
    {
        "list": f"{HERE}.list:list_inks",
        "show": f"{HERE}.show:show",
        "add": f"{HERE}.add:add",
        "fit": f"{HERE}.fit:fit",
        "learnt": f"{HERE}.learnt:learnt",
        "remove": f"{HERE}.remove:remove",
        "undo": f"{HERE}.remove:undo",
    },
)
