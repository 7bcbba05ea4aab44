"""``drawdown book mix``: a kept original's recipe as grams to weigh out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import WrongUsage
from drawdown.book.columns import Original, Recipe
from drawdown.book.originals import check_free, find_original
from drawdown.book.shapes import clean_name
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import HOLD_BACK_PERCENT
from drawdown.ink.recipe import Remake
from drawdown.report.json.book import recipe_data
from drawdown.report.text.book import UNDO, paragraph, table
from drawdown.report.text.terminal import Screen, paint
from drawdown.wording.book import NO_RECIPE, again_rows, again_words
from drawdown.wording.cautions import brief
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.book.batches import Again


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
        raise WrongUsage(*(text.format(name=original.name) for text in NO_RECIPE))
    from drawdown.book.batches import begin_again, weigh_again
    from drawdown.studio.scale import scale_step
    from drawdown.studio.shelf_file import shelf_in_use

    again = weigh_again(
        recipe, grams, shelf_in_use(shelf).shelf, hold_back / 100, scale_step(scale)
    )
    if batch is not None:
        with (
            frame.opened(book, write=True) as opened,
            opened.change(f'began "{batch}"') as change,
        ):
            begin_again(opened, change, batch, original, again)
    result, paler = again.weighed, again.first_de00
    data = {"name": original.name, **_data(recipe, result, paler, hold_back, batch)}
    return frame.tell(
        json, "remake", data,
        lambda screen: remake_screen(original, recipe, again, screen),
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


def remake_screen(original: Original, recipe: Recipe, again: Again, screen: Screen) -> str:
    """What to weigh, why it is light, and what comes next."""
    title = f" {original.name}: {noted_grams(again.weighed.whole_g)}"
    lines = [paint(title, "1", screen.colour), "", *table(*again_rows(again), screen), ""]
    for text in again_words(original, recipe, again):
        lines += paragraph(text, screen)
    return "\n".join([*lines, "", *paragraph(brief(()), screen)])
