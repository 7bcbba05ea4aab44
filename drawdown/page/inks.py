"""Inks as a person gives them on the page: typed, or chosen from the shelf one by one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from calibration.errors import WrongUsage
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.mix_notation import Amounts, number_of, read_amounts
from drawdown.ink.shelf import Shelf
from drawdown.page.answer import hex_rgb
from drawdown.studio.shelf_file import partner

CHOSEN = "ink "  # before an ink's name, what a field for its amount is called
TINT = 0.1  # of an ink in white: how the second half of its swatch looks
MOST_TYPED, MOST_FIELDS = 500, 250


def amounts_given(form: Mapping[str, Any], name: str, shelf: Shelf) -> Amounts | None:
    """What the field ``name`` and the inks' own fields say, by the shelf's names; what was typed
    goes before. None where nothing was said. Raises ``WrongUsage``."""
    text = str(form.get(name, "")).strip()[:MOST_TYPED]
    typed = read_amounts(text, name) if text else None
    amounts = {} if typed is None else shelf.by_name(typed.amounts)
    chosen = _chosen(form, shelf)
    unit = "" if typed is None or chosen.keys() - amounts.keys() else typed.unit
    amounts = {ink: amounts.get(ink, amount) for ink, amount in (chosen | amounts).items()}
    return Amounts(amounts, unit) if amounts else None


def _chosen(form: Mapping[str, Any], shelf: Shelf) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, said in form.items():
        text = str(said).strip()[:20]
        if not name.startswith(CHOSEN) or not text:
            continue
        ink = shelf.find(name.removeprefix(CHOSEN)[:200]).name
        try:
            amount = number_of(text)
        except ValueError:
            amount = -1.0
        if not 0 <= amount < 1e9:
            raise WrongUsage(
                f"“{text}” is no amount of {ink}",
                "how much of each ink it is counts",
                "type 2.5, or 2,5; leave the field empty for none",
            )
        if amount:
            found[ink] = amount
    return found


def shown(shelf: Shelf) -> list[dict[str, str]]:
    """Every ink of the shelf: its name, and its colour alone and as a tint, by its figures."""
    white = partner(shelf, "white")
    k, s = (TINT * a + (1 - TINT) * b for a, b in ((shelf.k, white.k), (shelf.s, white.s)))
    film, paper = np.ones((len(shelf), 1)), paper_ground(None)
    alone, tints = lab_of_film(shelf.k, shelf.s, film, paper), lab_of_film(k, s, film, paper)
    return [
        {"name": ink.name, "index": ink.colour_index, "alone": hex_rgb(one), "tint": hex_rgb(tint)}
        for ink, one, tint in zip(shelf, alone, tints, strict=True)
    ]


def in_fields(text: str, shelf: Shelf) -> tuple[dict[str, str], str]:
    """A mix as the inks' own fields say it, by the shelf's names; and the rest of it, of inks that
    are not on the shelf, as it may be typed."""
    said = read_amounts(text, "mix") if text else Amounts({}, "")
    fields = {ink: f"{v:.6g}" for ink, v in said.amounts.items() if ink in shelf.names}
    strange = {ink: v for ink, v in said.amounts.items() if ink not in shelf.names}
    return fields, as_text(Amounts(strange, said.unit))


def as_text(said: Amounts | None) -> str:
    """The amounts as they may be typed."""
    if said is None:
        return ""
    unit = f" {said.unit}".rstrip()
    return ", ".join(f"{ink} {amount:.6g}{unit}" for ink, amount in said.amounts.items())
