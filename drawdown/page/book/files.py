"""Reports, labels and recipe sheets, as files to send or print."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from calibration.card.artwork import PAPERS_MM
from drawdown.book import Book
from drawdown.book.edition import drift_of, find_edition
from drawdown.book.originals import Wanted, list_originals
from drawdown.defaults import TOLERANCE_DE00
from drawdown.page.book import work as working
from drawdown.page.book.access import (
    NotThere,
    asked,
    original_of,
    packet_of,
)
from drawdown.page.rooms import attachment, house_of, work
from drawdown.report.html.book import edition_report, originals_report
from drawdown.report.paper.labels import label_pages, stock
from drawdown.report.paper.of_book import label_of, pdf, sheet_of
from drawdown.report.paper.recipe_sheet import recipe_pages
from drawdown.studio.shelf_file import shelf_in_use


def html_file(text: str, name: str) -> Response:
    return attachment(text.encode(), name, "text/html; charset=utf-8")


async def report(request: Request) -> Response:
    """The whole wall, as it is asked for."""
    text = request.query_params.get("text", "")[:200]

    def made(book: Book) -> str:
        found = list_originals(book, Wanted(text=text), "name", False)
        return originals_report(found).html()

    return html_file(
        await asked(request, made) or originals_report([]).html(), "kept-originals.html"
    )


async def kept_report(request: Request) -> Response:
    number = request.path_params["id"]
    await asked(request, lambda book: original_of(book, number))
    job = work(request, f"kept {number}", working.original_report, number)
    return html_file(await job.outcome(), "kept-original.html")


async def run_report(request: Request) -> Response:
    name = request.query_params.get("edition", "")

    def made(book: Book) -> str:
        runs = drift_of(book, find_edition(book, name), tolerance=TOLERANCE_DE00)
        return edition_report(runs).html()

    return html_file(await asked(request, made) or "", "edition.html")


async def label(request: Request) -> Response:
    """A label for an original or a packet."""
    number, kind = request.path_params["id"], request.path_params["kind"]
    shelf = house_of(request).studio.shelf

    def made(book: Book) -> bytes:
        if kind not in ("kept", "packet"):
            raise NotThere
        one = (original_of if kind == "kept" else packet_of)(book, number)
        sheet = stock(None, None, None, None, False, None)
        pages = label_pages([label_of(one, shelf_in_use(shelf).shelf)], sheet)
        return pdf(pages, sheet.paper_mm, one.name)

    return attachment(await asked(request, made), "label.pdf", "application/pdf")


async def recipe(request: Request) -> Response:
    """The recipe sheet of an original."""
    number, shelf = request.path_params["id"], house_of(request).studio.shelf

    def made(book: Book) -> bytes:
        o = original_of(book, number)
        size = PAPERS_MM["a4"]
        return pdf(recipe_pages(sheet_of(book, o, shelf_in_use(shelf).shelf), size), size, o.name)

    return attachment(await asked(request, made), "recipe.pdf", "application/pdf")
