"""The Guide: its pages, and the card to print."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from markdown_it import MarkdownIt
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from drawdown.guide.pages import page_names, page_text, pages, title
from drawdown.page.rooms import attachment, page

NAV = ("/guide", "Guide")
PAPERS = ("a4", "letter")


async def contents(request: Request) -> Response:
    return page(request, "guide.html", name="", rows=[(name, title(name)) for name in pages()])


async def topic(request: Request) -> Response:
    """A page of the guide, by its name or that of a remark it explains."""
    name = request.path_params["topic"]
    own = page_names().get(name)
    if own is None:
        raise HTTPException(404)
    return page(request, "guide.html", name=title(own), text=_html(name))


@cache
def _html(name: str) -> str:
    """The page as HTML, its links and pictures as they are served here; no HTML of its own."""
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(page_text(name))
    for token in (one for outer in tokens for one in (outer, *(outer.children or ()))):
        if token.type == "link_open":
            target = str(token.attrs["href"])
            if not target.startswith("http"):
                token.attrs["href"] = f"/guide/{target.partition('.md')[0]}"
        elif token.type == "table_open":
            token.attrs["tabindex"] = "0"  # keys scroll it where it is too wide
        elif token.type == "image":
            token.attrs["src"] = f"/guide/{token.attrs['src']}"
    return str(reader.renderer.render(tokens, reader.options, {}))


async def plot(request: Request) -> Response:
    """A picture that a page of the guide shows."""
    wanted = f"{request.path_params['plot']}.svg"
    for file in files("drawdown.guide").iterdir():
        if file.name == wanted:
            return Response(file.read_bytes(), media_type="image/svg+xml")
    raise HTTPException(404)


async def card(request: Request) -> Response:
    """The reference card to print, as PDF."""
    paper = request.path_params["paper"]
    if paper not in PAPERS:
        raise HTTPException(404)
    content = await run_in_threadpool(_card, paper)
    return attachment(content, f"card-{paper}.pdf", "application/pdf")


@cache
def _card(paper: str) -> bytes:
    from calibration.card.artwork import card_page
    from calibration.card.render import render
    from calibration.card.toml import builtin_cards

    slip = next(one for one in builtin_cards() if one.name == "slip")
    return render(card_page(slip, paper), ".pdf", 600)


ROUTES = [
    Route("/guide", contents),
    Route("/guide/{plot:str}.svg", plot),
    Route("/guide/{topic:str}", topic),
    Route("/card-{paper:str}.pdf", card),
]
