"""A mix as it is typed, in one way everywhere: ``"white 97, PB15:3 3"``.

Each item is an ink and its amount, in grams, parts or per cent, with a decimal point or comma;
items are parted by commas, semicolons or plus signs.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from calibration.errors import WrongUsage

# A comma between two digits is a decimal comma: 97,5.
_PARTING = re.compile(r"[;+\n]|,(?!\d)|(?<!\d),")
NUMBER = r"\d{1,9}(?:[.,]\d+)?(?:e[-+]?\d+)?|[.,]\d+"
_UNIT = r"g|grams?|parts?|%|per ?cent"
_ITEM = re.compile(
    rf"(?P<ink>[^=]*?[^=\s])(?:\s*=\s*|\s+)(?P<amount>{NUMBER})\s*(?P<unit>{_UNIT})?", re.I
)
_AMOUNT_FIRST = re.compile(
    rf"(?P<amount>{NUMBER})\s*(?P<unit>{_UNIT})?\s+(?P<ink>[^=\d][^=]*)", re.I
)
_NUMBER_ALONE = re.compile(rf"([-+]?(?:{NUMBER}))\s*(?:g|grams?|mm|cm2|cm²|%)?", re.IGNORECASE)
EXAMPLE = '"white 97, PB15:3 3"'


INKS_EXAMPLE = '"white, PB15:3"'


@dataclass(frozen=True)
class Amounts:
    """Amounts by ink as they were said; ``unit`` is "g", "parts", "%", or "" when none was."""

    amounts: dict[str, float]
    unit: str

    @property
    def grams(self) -> float | None:
        """What it all weighs, if grams were said."""
        return sum(self.amounts.values()) if self.unit == "g" else None


def number_of(text: str) -> float:
    """``12.5``, ``12,5`` or ``12,5 g`` as a number. Raises ``ValueError``."""
    found = _NUMBER_ALONE.fullmatch(text.strip())
    if found is None:
        raise ValueError(text)
    return float(found[1].replace(",", "."))


def read_inks(text: str, parameter: str = "inks") -> tuple[str, ...]:
    """``"white, PB15:3"``: the inks of a mix of which nobody knows how much, as they were typed.
    Raises ``WrongUsage``."""
    names = [" ".join(piece.split()) for piece in _PARTING.split(text) if piece.strip()]
    with_amount = next((name for name in names if _ITEM.fullmatch(name)), None)
    if names and with_amount is None:
        return tuple(dict.fromkeys(names))
    raise WrongUsage(
        f'in `{parameter}` "{text}", "{with_amount}" has an amount'
        if with_amount
        else f"`{parameter}` names no ink",
        f"`{parameter}` is for inks whose amounts you don't know; for a whole mix there is `mix`",
        f"write for example: `{parameter}` {INKS_EXAMPLE}, or `mix` {EXAMPLE}",
    )


def read_amounts(text: str, parameter: str, example: str = EXAMPLE) -> Amounts:
    """Raises ``WrongUsage`` for what is no mix; ``parameter`` is what it was given with."""
    amounts: dict[str, float] = {}
    units: dict[str, None] = {}
    todo = f"write for example: `{parameter}` {example}"
    for item in filter(None, (piece.strip() for piece in _PARTING.split(text))):
        found = _ITEM.fullmatch(item) or _AMOUNT_FIRST.fullmatch(item)
        number = 0.0 if found is None else float(found["amount"].replace(",", "."))
        if found is None or not 1e-9 <= number <= 1e9:  # beyond that sums would overflow
            raise WrongUsage(
                f'in `{parameter}` "{text}", "{item}" is not an ink and its amount',
                "each ink needs a name and how much of it: grams, parts or per cent",
                todo,
            )
        ink = " ".join(found["ink"].split())
        if ink in amounts:
            raise WrongUsage(
                f"`{parameter}` names {ink} twice",
                "it is not clear which of the two amounts is meant",
                "give each ink once, with all of it",
            )
        amounts[ink] = number
        said = (found["unit"] or "").lower()
        units["%" if said[:3] in ("%", "per") else {"g": "g", "p": "parts"}.get(said[:1], "")] = (
            None
        )
    if len(units) > 1:
        raise WrongUsage(
            f'`{parameter}` "{text}" has more than one unit',
            "amounts in different units cannot be added up",
            "give all of them in grams, or all in parts, or all in per cent",
        )
    if not amounts:
        raise WrongUsage(f"`{parameter}` names no ink", "a mix needs at least one", todo)
    unit = next(iter(units))
    whole = sum(amounts.values())
    if unit == "%" and parameter != "added" and abs(whole - 100) > 1:
        raise WrongUsage(
            f"`{parameter}` comes to {whole:g} %",
            "the inks of a whole mix come to 100 %",
            f'give the rest too, or parts: `{parameter}` "'
            + ", ".join(f"{ink} {amount:g}" for ink, amount in amounts.items())
            + '"',
        )
    return Amounts(amounts, unit)
