"""``drawdown book mix``: a kept original's recipe as grams to weigh out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import BadFile, WrongUsage
from drawdown.book.batches import begin_batch
from drawdown.book.columns import MixPart, Original, Recipe
from drawdown.book.originals import check_free, find_original
from drawdown.book.shapes import clean_date, clean_name
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import HOLD_BACK_PERCENT, SCALE_STEP_G
from drawdown.ink.recipe import Remake
from drawdown.ink.recipe import remake as weigh_out
from drawdown.report.json.book import recipe_data
from drawdown.report.text.book import UNDO, mix_words, paragraph, table
from drawdown.report.text.terminal import Screen, paint
from drawdown.wording.cautions import brief
from drawdown.wording.figures import grams as weight
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.ink.shelf import Shelf


def mix(
    name: opt.Kept,
    grams: Annotated[float, shared.number("G", "How much ink is wanted.")],
    hold_back: Annotated[
        float,
        shared.number("PERCENT", "Share of the strong inks to hold back at first."),
    ] = HOLD_BACK_PERCENT,
    batch: Annotated[
        str | None,
        shared.option("NAME", "Begin this batch in the book with what is weighed first."),
    ] = None,
    scale: shared.Scale = None,
    shelf: shared.ShelfInUse = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Weigh out a kept original's mix again, beginning a little light."""
    batch = None if batch is None else clean_name(batch, "--batch")
    with frame.opened(book, write=batch is not None) as opened:
        original = find_original(opened, name)
        if batch is not None:
            check_free(opened, "batch", batch)
    recipe = original.recipe
    if recipe is None:
        raise WrongUsage(
            f'no mix was noted for "{original.name}"',
            "without one there is nothing to weigh out",
            f'note it: drawdown book edit "{original.name}" --mix "white 97, PB15:3 3"; or pull a '
            "strip of a guess and let drawdown match --kept advise",
        )
    from drawdown.studio.scale import scale_step
    from drawdown.studio.shelf_file import shelf_in_use

    inks = shelf_in_use(shelf).shelf
    # An ink may have been noted under two of its names: it is weighed once.
    parts: dict[str, float] = {}
    tins: dict[str, str] = {}
    for part in recipe.mix:
        ((ink, amount),) = frame.by_shelf({part.ink: part.parts}, shelf).items()
        parts[ink] = parts.get(ink, 0.0) + amount
        if part.ink_batch:
            tins[ink] = part.ink_batch
    result = weigh_out(
        parts, grams, _ground(parts, inks), hold_back / 100, step := scale_step(scale)
    )
    paler = _predicted(result, inks)
    if batch is not None:
        _begin(book, batch, original, result, tins)
    data = {"name": original.name, **_data(recipe, result, paler, hold_back, batch)}
    return frame.tell(
        json, "remake", data,
        lambda screen: remake_screen(original, recipe, result, paler, tins, step, screen),
        f'Batch "{batch}" is begun in the book with what is weighed first; note what goes in '
        f"later with drawdown book batch --added. {UNDO}" if batch is not None else "",
    )  # fmt: skip


def _data(
    recipe: Recipe, result: Remake, paler: float | None, hold_back: float, batch: str | None
) -> dict[str, Any]:
    return {
        "recipe": recipe_data(recipe),
        "grams": result.whole_g,
        "first_grams": round(result.first_g, 3),
        "hold_back_percent": hold_back,
        "batch": batch,
        "inks": [
            {
                "ink": row.ink,
                "parts_per_100": round(row.parts_per_100, 4),
                "first_grams": round(row.first_g, 3),
                "held_back_grams": round(row.held_g, 3),
            }
            for row in result.inks
        ],
        "first_de00_from_original": None if paler is None else round(paler, 2),
        "too_small_to_weigh": list(result.too_small),
        "least_grams": None if result.least_g is None else round(result.least_g, 1),
    }


def _begin(
    book: Path | None, batch: str, original: Original, result: Remake, tins: dict[str, str]
) -> None:
    """The batch as it is on the slab: what was weighed first, not the whole recipe."""
    mix = tuple(
        MixPart(row.ink, round(row.first_g, 4), tins.get(row.ink, "")) for row in result.inks
    )
    with frame.opened(book, write=True) as opened, opened.change(f'began "{batch}"') as change:
        begin_batch(
            opened, change, name=batch, original=original.id, date=clean_date(None), mix=mix,
            grams=round(result.first_g, 4),
        )  # fmt: skip


def _kinds(mix: dict[str, float], shelf: Shelf) -> dict[str, str]:
    kinds = {}
    for ink in mix:
        try:
            kinds[ink] = shelf.find(ink).kind
        except WrongUsage:  # not on the shelf: by its name, as people name their tins
            plain = ink.casefold()
            words = {"white": "white", "base": "base", "extender": "base", "medium": "base"}
            kinds[ink] = next((kind for word, kind in words.items() if word in plain), "colour")
    return kinds


def _ground(mix: dict[str, float], shelf: Shelf) -> set[str]:
    return {ink for ink, kind in _kinds(mix, shelf).items() if kind in ("white", "base")}


def _predicted(result: Remake, shelf: Shelf) -> float | None:
    """Delta E between the light beginning and the whole recipe, by the ink model; None when
    an ink is not on the shelf or nothing is held back."""
    if not any(row.held_g for row in result.inks):
        return None
    import numpy as np

    from calibration.colour.difference import delta_e_2000
    from drawdown.ink.forward import lab_of_film, paper_ground

    try:
        inks = [shelf.find(row.ink) for row in result.inks]
    except (WrongUsage, BadFile):
        return None
    k, s = np.array([ink.k for ink in inks]), np.array([ink.s for ink in inks])
    first = np.array([row.first_g for row in result.inks]) / result.first_g
    whole = np.array([row.first_g + row.held_g for row in result.inks]) / result.whole_g
    labs = lab_of_film(
        np.array([first, whole]) @ k, np.array([first, whole]) @ s, np.ones((2, 1)),
        paper_ground(None),
    )  # fmt: skip
    return float(delta_e_2000(labs[0], labs[1]))


def remake_screen(
    original: Original, recipe: Recipe, result: Remake, paler: float | None,
    tins: dict[str, str], step: float | None, screen: Screen,
) -> str:  # fmt: skip
    """What to weigh, why it is light, and what comes next."""
    title = f" {original.name}: {noted_grams(result.whole_g)}"
    lines = [paint(title, "1", screen.colour), ""]
    rows = [
        [row.ink, f"{row.parts_per_100:.3g}", weight(row.first_g),
         weight(row.held_g) if row.held_g else "-", tins.get(row.ink, "")]
        for row in result.inks
    ]  # fmt: skip
    held = sum(row.held_g for row in result.inks)
    rows.append(["together", "100", weight(result.first_g), weight(held) if held else "-", ""])
    head = ["ink", " parts per 100", " weigh first", " hold back", "tin then"]
    columns = range(5 if tins else 4)
    lines += table([head[i] for i in columns], [[row[i] for i in columns] for row in rows], screen)
    text = f"Recipe of {recipe.made_at[:10]} ({recipe.reason}): {mix_words(recipe.mix)}."
    lines += ["", *paragraph(text, screen)]
    if held:
        reckoned = f" (Delta E {paler:.1f}, by the ink model)" if paler is not None else ""
        lines += paragraph(
            f"It begins light: {100 * result.held_share:.0f} % of the strong inks is held back"
            f"{reckoned}, because you can't take ink out. Work it in, pull a strip, let it dry, "
            "then drawdown match --kept says how much of the rest goes in.",
            screen,
        )
    else:
        lines += paragraph("Nothing is held back.", screen)
    if result.too_small:
        lines += paragraph(
            f"Less than {step or SCALE_STEP_G:g} g of {', '.join(result.too_small)}: your scale "
            f"does not show it. Make at least {weight(result.least_g or 0)}, or let that ink down "
            "first (1 part in 9 of base or white, taken off theirs) and weigh ten times as much.",
            screen,
        )
    if original.state == "wet":
        lines += paragraph("The original was read wet: a dry strip will look lighter.", screen)
    lines += ["", *paragraph(brief(()), screen)]
    return "\n".join(lines)
