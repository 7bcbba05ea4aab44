"""``drawdown ink``: the studio's own inks. One file for each of its commands."""

from drawdown.commands.support.groups import group

HERE = "drawdown.commands.ink"

ink = group(
    "ink",
    "The inks you own: list, add, fit from a photo, remove; how they dry.",
    {
        "list": f"{HERE}.list:list_inks",
        "show": f"{HERE}.show:show",
        "add": f"{HERE}.add:add",
        "fit": f"{HERE}.fit:fit",
        "dry": f"{HERE}.dry:dry",
        "remove": f"{HERE}.remove:remove",
    },
)
