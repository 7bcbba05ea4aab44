"""``drawdown plan``: an edition before it is printed. One file for each of its commands."""

from drawdown.commands.support.groups import group

HERE = "drawdown.commands.plan"

plan = group(
    "plan",
    "Plan an edition: layers, amount of ink, what lightens, what covers.",
    {
        "layers": f"{HERE}.layers:layers",
        "amount": f"{HERE}.amount:amount",
        "lighten": f"{HERE}.lighten:lighten",
        "covers": f"{HERE}.covers:covers",
    },
)
