"""The recipe sheet: one page of paper for each kept original, to hang at the slab or to give
away. Pure: records in, drawing items out."""

from __future__ import annotations

from dataclasses import dataclass

from drawdown.book.columns import Original, Recipe
from drawdown.defaults import SCALE_STEP_G
from drawdown.report.paper.pages import (
    ASCENT,
    BLACK,
    GREY,
    LEADING,
    LIGHT,
    Field,
    Item,
    Photo,
    Rgb,
    Stroke,
    Words,
    broken,
    set_lines,
    shortened,
    width_mm,
)
from drawdown.report.text.book import lab_words
from drawdown.studio.scale import on_scale
from drawdown.wording.book import mix_words
from drawdown.wording.cautions import CAUTIONS
from drawdown.wording.figures import noted_grams

SHEET_MARGIN_MM = 15.0
AMOUNTS_G = (25.0, 50.0, 100.0, 250.0)


@dataclass(frozen=True)
class InkSwatch:
    """``rgb`` None: the ink is not on the shelf; ``caution`` may be empty."""

    title: str
    rgb: Rgb | None
    caution: str = ""


@dataclass(frozen=True)
class Sheet:
    """What one page shows. ``inks`` by their names in the recipe; ``crop`` the strip as it was
    photographed (a picture file's bytes), or None."""

    original: Original
    recipes: tuple[Recipe, ...]
    rgb: Rgb | None
    inks: dict[str, InkSwatch]
    crop: bytes | None
    scale_step_g: float = SCALE_STEP_G


def recipe_pages(sheet: Sheet, paper_mm: tuple[float, float]) -> list[list[Item]]:
    """One page, or more where there is much to say."""
    return _Setter(sheet, paper_mm).pages()


class _Setter:
    def __init__(self, sheet: Sheet, paper_mm: tuple[float, float]) -> None:
        self.sheet, self.paper = sheet, paper_mm
        self.room = paper_mm[0] - 2 * SHEET_MARGIN_MM
        self.done: list[list[Item]] = [[]]
        self.y = SHEET_MARGIN_MM

    def pages(self) -> list[list[Item]]:
        self.head()
        self.swatches()
        self.recipe()
        self.older()
        self.cautions()
        name = shortened(self.sheet.original.name, 3.0, self.room - 30)
        for number, page in enumerate(self.done, 1):
            y = self.paper[1] - 0.6 * SHEET_MARGIN_MM
            of = f", page {number} of {len(self.done)}" if len(self.done) > 1 else ""
            page.append(Words((SHEET_MARGIN_MM, y), 3.0, name + of, rgb=GREY))
        return self.done

    # Setting -------------------------------------------------------------------------------

    def need(self, height: float) -> None:
        """A new page where so much does not go on this one any more."""
        if self.y + height > self.paper[1] - SHEET_MARGIN_MM - 3 and self.y > SHEET_MARGIN_MM:
            self.done.append([])
            self.y = SHEET_MARGIN_MM

    def put(self, *items: Item) -> None:
        self.done[-1] += items

    def text(self, text: str, em: float = 3.6, *, bold: bool = False, rgb: Rgb = BLACK) -> None:
        for line in broken(text, em, self.room, bold):
            self.need(LEADING * em)
            self.put(Words((SHEET_MARGIN_MM, self.y + ASCENT * em), em, line, bold, rgb))
            self.y += LEADING * em

    def title(self, text: str) -> None:
        self.need(20)
        self.y += 4
        self.text(text, 4.6, bold=True)
        self.y += 1

    # Parts ---------------------------------------------------------------------------------

    def head(self) -> None:
        o = self.sheet.original
        em = 9.0
        while em > 5 and len(broken(o.name, em, self.room, True)) > 1:
            em -= 0.5
        self.text(o.name, em, bold=True)
        facts = [f"kept {o.date}, {o.state}", o.paper and f"on {o.paper}",
                 o.edition and f"edition {o.edition}"]  # fmt: skip
        self.text(", ".join(f for f in facts if f), 4.0)
        if o.note:
            self.text(o.note, 3.8)
        self.y += 3

    def swatches(self) -> None:
        """The colour, the strip as photographed, and room to stick a strip of the ink itself."""
        high, gap = 48.0, 5.0
        wide = (self.room - 2 * gap) / 3
        o = self.sheet.original
        boxes = [(SHEET_MARGIN_MM + i * (wide + gap), self.y, wide, high) for i in range(3)]
        self.put(Field(boxes[0], self.sheet.rgb, crossed=self.sheet.rgb is None))
        if self.sheet.crop:
            self.put(Photo(boxes[1], self.sheet.crop))
        else:
            self.put(Field(boxes[1], None, LIGHT, crossed=True))
        self.put(Field(boxes[2], None, GREY, 0.3, dashed=True))
        said = broken("Stick a strip of the ink itself here.", 3.6, wide - 6)
        lines = [(line, 3.6, False, GREY) for line in said]
        self.put(*set_lines(lines, boxes[2][0] + 3, self.y + high / 2 - 4))
        self.y += high + 1.5
        captions = (
            "the colour as it was read" if self.sheet.rgb else "the colour is not known",
            "the strip as photographed" if self.sheet.crop else "no photo in the book",
            "the only true sample",
        )
        for box, caption in zip(boxes, captions, strict=True):
            self.put(Words((box[0], self.y + ASCENT * 3.2), 3.2, caption, rgb=GREY))
        self.y += 6
        self.text(lab_words(o.reading) + (" (CIELAB, D50; ± is the 95 % interval)"
                                          if o.reading else ""))  # fmt: skip
        self.text(
            "A printer and a screen only remind of a colour: compare ink with the kept strip, "
            "by drawdown match or side by side in good light.", 3.2, rgb=GREY,
        )  # fmt: skip

    def recipe(self) -> None:
        recipe = self.sheet.recipes[-1] if self.sheet.recipes else None
        if recipe is None or not recipe.mix:
            self.title("Recipe")
            self.text("No mix was noted with it.")
            return
        self.title(f"Recipe (parts by weight; of {recipe.made_at[:10]}, {recipe.reason})")
        whole = sum(part.parts for part in recipe.mix)
        tins = any(part.ink_batch for part in recipe.mix)
        columns = [SHEET_MARGIN_MM + self.room - 21.0 * (len(AMOUNTS_G) - i) for i in
                   range(len(AMOUNTS_G))]  # fmt: skip
        parts_at = columns[0] - 24.0
        em, row = 3.6, 9.0
        self.need(2 * row)
        amounts = [(f"{g:g} g", x) for g, x in zip(AMOUNTS_G, columns, strict=True)]
        for head, x in [("of 100", parts_at), *amounts]:
            self.right(head, x + 20, em, bold=True)
        self.put(Words((SHEET_MARGIN_MM + 14, self.y + ASCENT * em), em, "ink", True))
        self.y += 6
        for part in recipe.mix:
            ink = self.sheet.inks.get(part.ink, InkSwatch(part.ink, None))
            said = ink.title + (f", tin {part.ink_batch}" if tins and part.ink_batch else "")
            lines = broken(said, em, parts_at - SHEET_MARGIN_MM - 14)
            high = max(row, LEADING * em * len(lines) + 2.5)
            self.need(high)
            self.put(Stroke((SHEET_MARGIN_MM, self.y), (SHEET_MARGIN_MM + self.room, self.y)))
            self.put(
                Field((SHEET_MARGIN_MM, self.y + 1, 11, row - 2), ink.rgb, crossed=ink.rgb is None)
            )
            share = 100 * part.parts / whole
            self.y += 1.6
            top = self.y
            for k, line in enumerate(lines):
                y = top + ASCENT * em + k * LEADING * em
                self.put(Words((SHEET_MARGIN_MM + 14, y), em, line))
            self.right(f"{share:.3g}", parts_at + 20, em)
            for whole_g, x in zip(AMOUNTS_G, columns, strict=True):
                self.right(_weight(share * whole_g / 100, self.sheet.scale_step_g), x + 20, em)
            self.y = top - 1.6 + high
        self.put(Stroke((SHEET_MARGIN_MM, self.y), (SHEET_MARGIN_MM + self.room, self.y)))
        self.y += 1.5
        self.text(
            "Swatches: each ink alone as an ordinary film on white paper, by the ink model; a "
            "crossed one is not on the shelf. In brackets: less than a scale with steps of "
            f"{self.sheet.scale_step_g:g} g shows. Begin light: hold a tenth of the strong inks "
            "back, pull a strip, let it dry, compare.",
            3.2, rgb=GREY,
        )  # fmt: skip

    def right(self, text: str, x: float, em: float, bold: bool = False) -> None:
        """Figures that end at x."""
        at = (x - width_mm(text, em, bold), self.y + ASCENT * em)
        self.put(Words(at, em, text, bold))

    def older(self) -> None:
        older = self.sheet.recipes[:-1]
        if not older:
            return
        self.title("Earlier recipes, replaced by the one above")
        for recipe in reversed(older):
            weight = f", {noted_grams(recipe.grams)} in all" if recipe.grams else ""
            mix = mix_words(recipe.mix, tins=True)
            self.text(f"{recipe.made_at[:10]}: {mix}{weight} ({recipe.reason})")

    def cautions(self) -> None:
        self.title("Caution")
        for ink in self.sheet.inks.values():
            if ink.caution:
                self.text(f"{ink.title}: {ink.caution}.", bold=True)
        for text in CAUTIONS:
            self.text(text, 3.2)


def _weight(grams: float, step: float) -> str:
    """Grams as the scale shows them; what it cannot show in brackets."""
    return f"{on_scale(grams, step):g}" if grams >= step else f"({grams:.2g})"
