"""A shelf as the TOML file that a printmaker edits."""

from __future__ import annotations

import os
from typing import Any

from calibration.files import write_atomically
from drawdown.ink.shelf import FORMAT, TEXTS, Shelf


def shelf_to_dict(shelf: Shelf) -> dict[str, Any]:
    """The shelf as plain data, ready for TOML; starter inks stay short."""
    rows = []
    for ink in shelf:
        row: dict[str, Any] = {key: getattr(ink, key) for key in TEXTS[:-1]}
        if ink.starter:
            row["starter"] = ink.starter
            if ink.strength != 1:
                row["strength"] = ink.strength
        else:
            # Six figures are far more than any ink is known to.
            row["k"] = [float(f"{v:.6g}") for v in ink.k]
            row["s"] = [float(f"{v:.6g}") for v in ink.s]
        row |= {"k_sd": ink.k_sd, "s_sd": ink.s_sd, "source": ink.source}
        if ink.doubt is not None:
            row["doubt"] = [[float(f"{v:.3g}") for v in line] for line in ink.doubt]
        if ink.caution:
            row["caution"] = ink.caution
        rows.append(row)
    return {"format": FORMAT, "title": shelf.title, "inks": rows}


_HEAD = """\
# The inks you own. Delete what you do not have; rename as you like; the order is yours.
# starter = "..." takes a stand-in from the program; strength = 1.2 says yours is stronger.
# An ink of your own: k = [...] and s = [...], 31 numbers each for 400, 410 .. 700 nm (film 1
# is an ordinary strip), or file = "inks.csv" with lines ink,k|s,numbers.
# doubt = [[...], ...], of a fitted ink: what its strips left open, 62 numbers a row.
# kind: colour, white, base or black. k_sd, s_sd: how uncertain the strength is (0.25 = 25 %).

"""


def write_shelf(shelf: Shelf, path: str | os.PathLike[str]) -> None:
    """Write a shelf as TOML, whole or not at all; raise ``BadFile`` when that fails."""
    import tomli_w

    write_atomically(path, (_HEAD + tomli_w.dumps(shelf_to_dict(shelf))).encode())
