"""What the book says of recipes that are weighed out again and of what it found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.defaults import SCALE_STEP_G
from drawdown.wording.figures import grams, noted_grams, number

if TYPE_CHECKING:
    from drawdown.book.batches import Again
    from drawdown.book.columns import Mix, Original, Recipe
    from drawdown.book.readings import Found

NO_RECIPE = (
    'no mix was noted for "{name}"',
    "without one there is nothing to weigh out",
    'note it: `edit_book` "{name}" `mix` "white 97, PB15:3 3"; or pull a strip of a guess and let '
    "`match_kept` advise",
)


def mix_words(mix: Mix, *, tins: bool = False) -> str:
    """ "titanium-white 97, phthalo-blue 3": parts as they were given."""
    return ", ".join(
        f"{part.ink} {parts_text(part.parts)}"
        + (f" (tin {part.ink_batch})" if tins and part.ink_batch else "")
        for part in mix
    )


def parts_text(value: float) -> str:
    """Parts to three figures, without needless zeros."""
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


# Weighed out again -----------------------------------------------------------------------


def again_rows(again: Again) -> tuple[list[str], list[list[str]]]:
    """A table of what to weigh: its head, and a row for each ink and for all."""
    weighed, tins = again.weighed, again.tins
    rows = [
        [row.ink, f"{row.parts_per_100:.3g}", grams(row.first_g),
         grams(row.held_g) if row.held_g else "-", tins.get(row.ink, "")]
        for row in weighed.inks
    ]  # fmt: skip
    held = sum(row.held_g for row in weighed.inks)
    rows.append(["together", "100", grams(weighed.first_g), grams(held) if held else "-", ""])
    head = ["ink", " parts per 100", " weigh first", " hold back", "tin then"]
    columns = range(5 if tins else 4)
    return [head[i] for i in columns], [[row[i] for i in columns] for row in rows]


def again_words(original: Original, recipe: Recipe, again: Again) -> list[str]:
    """Why it begins light, and what comes next."""
    weighed = again.weighed
    said = [f"Recipe of {recipe.made_at[:10]} ({recipe.reason}): {mix_words(recipe.mix)}."]
    if any(row.held_g for row in weighed.inks):
        paler = again.first_de00
        reckoned = f" (Delta E {paler:.1f}, by the ink model)" if paler is not None else ""
        said.append(named(
            f"It begins light: {100 * weighed.held_share:.0f} % of the strong inks is held back"
            f"{reckoned}, because you can't take ink out. Work it in, pull a strip, let it dry, "
            "then `match_kept` says how much of the rest goes in."
        ))  # fmt: skip
    else:
        said.append("Nothing is held back.")
    if weighed.too_small:
        said.append(
            f"Less than {again.step_g or SCALE_STEP_G:g} g of {', '.join(weighed.too_small)}: "
            "your scale does not show it. Make at least "
            f"{grams(weighed.least_g or 0)}, or let that ink down first (1 part in 9 of base or "
            "white, taken off theirs) and weigh ten times as much."
        )
    if original.state == "wet":
        said.append("The original was read wet: a dry strip will look lighter.")
    return said


# Found -----------------------------------------------------------------------------------


def usable(one: Found) -> bool:
    """A packet with ink in it that may do: it reads within twice the tolerance, and the
    photos do not rule it out. Two photos seldom say more than that."""
    c = one.comparison
    return (
        one.packet is not None
        and one.near.de00 <= 2 * c.tolerance
        and c.verdict in ("match", "too close to call")
    )


def name_of(one: Found) -> str:
    what = one.original or one.packet
    assert what is not None
    return what.name


def found_words(one: Found) -> str:
    """How the strip differs from it, and what it is or what is left of it."""
    from drawdown.wording.verdict import differs  # heavy, for lists

    parts = [f"the strip: {differs(one.comparison)}"]
    if one.packet is not None:
        p = one.packet
        place = f", {p.place}" if p.place else ""
        parts.append(f"{noted_grams(p.grams)} of {p.date}{place}")
        parts += [] if p.own_reading else ["colour of its original"]
    elif one.original is not None and one.original.recipe is not None:
        parts.append(mix_words(one.original.recipe.mix))
    return "; ".join(parts)


def found_interval(one: Found) -> str:
    c = one.comparison
    return f"{number(c.de00_low95, 1)} to {number(c.de00_high95, 1)}"


def use_first(first: Found) -> str:
    p, c = first.packet, first.comparison
    assert p is not None
    place = f", {p.place}" if p.place else ""
    chance = "" if c.verdict == "match" else " It is too close to call: try it on paper first."
    return (
        f'Use this up first: packet "{p.name}", {noted_grams(p.grams)} of {p.date}{place}; '
        f"Delta E {number(first.near.de00, 1)} ({found_interval(first)}).{chance}"
    )


def found_meaning(tolerance: float) -> str:
    return (
        "Delta E 2000 as read; the 95 % interval is wide because the two were read from two "
        f"photos. Within {tolerance:g} counts as the same. Lay the two side by side with the card "
        "in one photo when it matters."
    )
