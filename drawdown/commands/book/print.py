"""``drawdown book print``: labels and recipe sheets, as PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.book.columns import Original, Packet
from drawdown.book.originals import find_original, list_originals
from drawdown.book.packets import find_packet, list_packets
from drawdown.book.store import Book
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.parse import read_choice
from drawdown.report.text.terminal import write_aside
from drawdown.wording import figures as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drawdown.report.paper.labels import Label
    from drawdown.report.paper.pages import Item

PAPERS = ("a4", "letter")
MOST_LABELS = 2000

PaperName = Annotated[str | None, shared.option("SIZE", "a4 or letter.", "--paper")]
ShelfFile = Annotated[
    Path | None, shared.option("FILE", "The shelf that knows the inks.", "--shelf")
]


def _anything(ctx: typer.Context, incomplete: str) -> list[str]:
    return opt.packets(ctx, incomplete) + opt.originals(ctx, incomplete)


def print_(  # long: one parameter a line
    out: Annotated[Path, shared.argument("OUT.pdf", "The file to write.")],
    names: Annotated[
        list[str] | None,
        shared.argument(
            "[NAME]...",
            "Packets or kept originals; else every packet with ink in it (with --recipe: every "
            "kept original).",
            complete=_anything,
        ),
    ] = None,
    recipe: Annotated[
        bool, shared.flag("Recipe sheets of kept originals, not labels.", "--recipe")
    ] = False,
    originals: Annotated[
        bool, shared.flag("Labels for kept originals, not for packets.", "--originals")
    ] = False,
    size: Annotated[
        str | None,
        shared.option(
            "WxH",
            "The stock's label in mm, such as 70x37; else plain paper to cut.",
            complete=lambda: _sizes(),
        ),
    ] = None,
    grid: Annotated[str | None, shared.option("CxR", "Columns and rows on a sheet.")] = None,
    gap: Annotated[str | None, shared.option("X,Y", "Between labels, across and down, mm.")] = None,
    paper: PaperName = None,
    start: Annotated[int, shared.option("K", "The first label still on the sheet.")] = 1,
    copies: Annotated[int, shared.option("N", "How many of each.")] = 1,
    cut_lines: Annotated[bool, shared.flag("Draw lines to cut along.", "--cut-lines")] = False,
    shift: Annotated[
        str | None,
        shared.option("X,Y", "Move everything, mm right and down, if it prints out of place."),
    ] = None,
    shelf: ShelfFile = None,
    replace: shared.Replace = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Print labels (colour, name, mix, weight, cautions) or recipe sheets."""
    shared.check_out(out, (".pdf",), replace)
    if paper is not None:
        read_choice("--paper", paper, PAPERS)
    if recipe:
        return _recipe_sheets(out, names or [], paper, shelf, book, json)
    from drawdown.report.paper.labels import label_pages, stock

    sheet = stock(size, grid, gap, paper, cut_lines, shift)
    if not 1 <= start <= sheet.count:
        raise WrongUsage(
            f"--start is {start}, and a sheet has the labels 1 to {sheet.count}",
            "the first label would be on no sheet",
            "count the labels row by row, from the upper left",
        )
    if not 1 <= copies <= 100:
        raise WrongUsage(f"--copies is {copies}", "from 1 to 100 of each can be printed",
                         "give a smaller number")  # fmt: skip
    made = _labels(book, names or [], originals, shelf, copies)
    pages = label_pages(made, sheet, start)
    _write(out, pages, sheet.paper_mm, "Labels", _texts(made))
    w, h = sheet.label_mm
    data = {
        "file": str(out), "labels": [label.name for label in made], "sheets": len(pages),
        "label_mm": list(sheet.label_mm), "columns": sheet.columns, "rows": sheet.rows,
        "paper_mm": list(sheet.paper_mm), "start": start,
    }  # fmt: skip
    return frame.tell(
        json, "labels", data,
        lambda _: f" {out}: {words.count(len(made), 'label')} of {w:g} x {h:g} mm on "
        f"{words.count(len(pages), 'sheet')}.",
        "Print it at 100 % and cut along the lines." if sheet.cut else
        "Print it at 100 %, first on plain paper, and hold that against the label stock.",
    )  # fmt: skip


def _labels(
    book: Path | None, names: list[str], originals: bool, shelf: Path | None, copies: int
) -> list[Label]:
    from drawdown.report.paper.of_book import label_of
    from drawdown.studio.shelf_file import shelf_in_use

    with frame.opened(book) as opened:
        inks = shelf_in_use(shelf).shelf
        found = _chosen(opened, names, originals)
        made = [label_of(one, inks) for one in found for _ in range(copies)]
    if not made:
        raise WrongUsage("there is nothing to print labels for",
                         "no packet with ink in it is in the book",
                         "store one, or say --originals")  # fmt: skip
    if len(made) > MOST_LABELS:
        raise WrongUsage(f"{len(made)} labels are too many",
                         f"at most {MOST_LABELS} go into one file", "name some")  # fmt: skip
    return made


def _sizes() -> list[str]:
    from drawdown.report.paper.labels import STOCK

    return list(STOCK)


def _chosen(book: Book, names: list[str], originals: bool) -> list[Packet | Original]:
    """What the names mean: packets first, then kept originals; with ``originals`` those."""
    if not names:
        return list(list_originals(book)) if originals else list(list_packets(book))
    found: list[Packet | Original] = []
    for name in names:
        if originals:
            found.append(find_original(book, name))
            continue
        try:
            found.append(find_packet(book, name))
        except WrongUsage as no_packet:
            try:
                found.append(find_original(book, name))
            except WrongUsage:
                raise no_packet from None
    return found


# Recipe sheet ------------------------------------------------------------------------------


def _recipe_sheets(
    out: Path,
    names: list[str],
    paper: str | None,
    shelf: Path | None,
    book: Path | None,
    json: bool,
) -> int:
    """Kept originals' recipes: swatches, grams for several amounts, cautions."""
    from calibration.card.artwork import PAPERS_MM
    from drawdown.report.paper.of_book import sheet_of
    from drawdown.report.paper.recipe_sheet import recipe_pages
    from drawdown.studio.shelf_file import shelf_in_use

    size = PAPERS_MM[paper or "a4"]
    with frame.opened(book) as opened:
        inks = shelf_in_use(shelf).shelf
        found = _chosen(opened, names, originals=True)
        if not found:
            raise WrongUsage("there is no recipe to print", "the book has no kept original yet",
                             "keep one: drawdown book keep PHOTO --name NAME")  # fmt: skip
        sheets = [sheet_of(opened, one, inks) for one in found]
    pages = [page for sheet in sheets for page in recipe_pages(sheet, size)]
    texts = [o.name + o.note + o.paper + o.edition for o in found]
    title = found[0].name if len(found) == 1 else "Recipes"
    _write(out, pages, size, title, "".join(texts))
    data = {"file": str(out), "originals": [o.name for o in found], "pages": len(pages)}
    return frame.tell(json, "recipe-sheet", data,
                      lambda _: f" {out}: {words.count(len(pages), 'page')}.")  # fmt: skip


# Both --------------------------------------------------------------------------------------


def _texts(made: list[Label]) -> str:
    return "".join(label.name + "".join((*label.mix, *label.facts)) for label in made)


def _write(out: Path, pages: Sequence[Sequence[Item]], size, title: str, texts: str) -> None:
    from calibration.files import write_atomically
    from drawdown.report.paper.of_book import pdf
    from drawdown.report.paper.pages import lost_letters

    write_atomically(out, pdf(pages, size, title))
    lost = lost_letters(texts)
    if lost:
        write_aside(f"These letters cannot be printed and stand as ?: {lost[:40]}")
