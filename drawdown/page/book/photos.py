"""Strips of a photo: kept, noted as pulls, looked for in the book; and the answer as a report."""

from __future__ import annotations

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calibration.errors import WrongUsage
from drawdown.book.edition import editions
from drawdown.book.shapes import clean_name
from drawdown.page.batch.looking import mixes_of
from drawdown.page.book import work as working
from drawdown.page.book.access import (
    asked,
    text_of,
)
from drawdown.page.book.files import html_file
from drawdown.page.rooms import house_of, page, refuse_read_only, work


async def strips(request: Request) -> Response:
    """The strips of a photo: to keep one, or to look for what is like it."""
    look = house_of(request).looks.find(request.path_params["name"])
    found = await work(request, look.name, working.strips, look.folder).outcome()
    known = await asked(request, editions) or []
    mixes = await run_in_threadpool(mixes_of, house_of(request).studio, look)
    return page(
        request, "strips.html", name=look.name, strips=found, mixes=mixes,
        editions=[edition for edition, _ in known],
    )  # fmt: skip


async def near(request: Request) -> Response:
    """What in the book is nearest to a strip."""
    look = house_of(request).looks.find(request.path_params["name"])
    number = _number(request.query_params.get("strip", ""))
    found = await work(request, look.name, working.nearest_to, look.folder, number).outcome()
    return page(request, "near.html", name=look.name, number=number, **found)


async def keep(request: Request) -> Response:
    """A strip becomes a kept original."""
    refuse_read_only(request)
    look = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=0, max_fields=20) as form:
        given = {name: str(value) for name, value in form.items()}
    number = _number(given.get("strip", ""))
    noted = working.Noted(
        name=clean_name(given.get("name", "")),
        mix=given.get("mix", "")[:500],
        paper=text_of(given, "paper"),
        edition=text_of(given, "edition"),
        note=text_of(given, "note"),
        wet=bool(given.get("wet")),
    )
    job = work(request, look.name, working.keep, look.folder, number, noted)
    number, change = await job.outcome()
    return RedirectResponse(f"/book/kept/{number}?said=kept&change={change}", 303)


async def pull(request: Request) -> Response:
    """A strip is the next pull of an edition."""
    refuse_read_only(request)
    look = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=0, max_fields=20) as form:
        given = {name: str(value) for name, value in form.items()}
    edition = clean_name(given.get("edition", ""), "`edition`")
    job = work(
        request, look.name, working.pull, look.folder, _number(given.get("strip", "")), edition,
        bool(given.get("good")),
    )  # fmt: skip
    edition, change = await job.outcome()
    return RedirectResponse(f"/book/run?edition={quote(edition)}&said=pull&change={change}", 303)


async def look_report(request: Request) -> Response:
    """The answer of a photo, to send or print."""
    look = house_of(request).looks.find(request.path_params["name"])
    job = work(request, look.name, working.look_report, look.folder)
    return html_file(await job.outcome(), "answer.html")


def _number(text: str) -> int:
    if not text.isdecimal() or len(text) > 3:
        raise WrongUsage(
            "no strip was chosen", "a photo may show several", "choose one by its number"
        )
    return int(text)
