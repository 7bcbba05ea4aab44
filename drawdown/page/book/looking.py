"""The book to look at: the wall of kept originals, one of them, packets, an edition."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from drawdown.book import Book
from drawdown.book.batches import list_batches
from drawdown.book.columns import Original
from drawdown.book.edition import drift_of, editions, find_edition
from drawdown.book.originals import Wanted, list_originals, recipes_of
from drawdown.book.packets import list_packets
from drawdown.defaults import TOLERANCE_DE00
from drawdown.page.answer import hex_rgb
from drawdown.page.book.access import (
    NotThere,
    asked,
    done,
    original_of,
    weighed,
)
from drawdown.page.rooms import house_of, page
from drawdown.page.studio import Studio
from drawdown.report.html.book import run_svgs
from drawdown.report.text import edition as running
from drawdown.report.text.book import UNCERTAIN, facts, recipe_words
from drawdown.wording.book import again_rows, again_words, mix_words
from drawdown.wording.cautions import brief
from drawdown.wording.figures import count, noted_grams

ORDERS = ("name", "date", "hue", "lightness", "chroma", "edition", "paper")
ON_THE_WALL = 400


async def wall(request: Request) -> Response:
    """Every kept original that is wanted."""
    text = request.query_params.get("text", "")[:200]
    order = request.query_params.get("sort", "name")
    order = order if order in ORDERS else "name"
    back = bool(request.query_params.get("reverse"))

    def look(book: Book) -> dict[str, Any]:
        found = list_originals(book, Wanted(text=text), order, back)
        return {
            "found": len(found),
            "kept": [_brief(o) for o in found[:ON_THE_WALL]],
            "runs": editions(book),
            "packets": len(list_packets(book)),
        }

    shown = await asked(request, look) or {"found": 0, "kept": [], "runs": [], "packets": 0}
    return page(
        request, "book.html", text=text, order=order, back=back, orders=ORDERS,
        **done(request), **shown,
    )  # fmt: skip


def _brief(o: Original) -> dict[str, Any]:
    return {
        "id": o.id,
        "name": o.name,
        "rgb": None if o.reading is None else hex_rgb(o.reading.lab_d50),
        "facts": ", ".join(filter(None, (o.edition, o.paper, o.date))),
        "mix": mix_words(o.recipe.mix) if o.recipe else "",
    }


async def kept(request: Request) -> Response:
    """One original, with its recipe in grams for any amount."""
    grams = request.query_params.get("grams", "").strip()[:20]
    studio = house_of(request).studio

    def look(book: Book) -> dict[str, Any]:
        o = original_of(book, request.path_params["id"])
        batches = list_batches(book, Wanted(original=o.id), reverse=True)
        packets = list_packets(book, Wanted(original=o.id))
        return {
            **_brief(o),
            "facts": facts(o),
            "recipes": [recipe_words(r) for r in reversed(recipes_of(book, o.id))],
            "again": _again(o, grams, studio) if grams else None,
            "batches": batches,
            "packets": [_packet(p) for p in packets],
            "run": next((e for e, _ in editions(book) if e == o.edition), None),
        }

    shown = await asked(request, look)
    if shown is None:
        raise NotThere
    return page(
        request, "kept.html", grams=grams, uncertain=UNCERTAIN, caution=brief(()),
        **done(request), **shown,
    )  # fmt: skip


def _again(o: Original, grams: str, studio: Studio) -> dict[str, Any]:
    again = weighed(o, grams, studio)
    assert o.recipe is not None
    head, rows = again_rows(again)
    return {"head": head, "rows": rows, "words": again_words(o, o.recipe, again)}


def _packet(p: Any) -> dict[str, Any]:
    return {
        "id": p.id,
        "name": p.name,
        "rgb": None if p.reading is None else hex_rgb(p.reading.lab_d50),
        "facts": ", ".join(filter(None, (noted_grams(p.grams), p.place, p.date))),
        "mix": mix_words(p.mix),
    }


async def packets(request: Request) -> Response:
    found = await asked(request, lambda book: [_packet(p) for p in list_packets(book)]) or []
    title = count(len(found), "packet")
    return page(request, "packets.html", packets=found, title=title, **done(request))


async def run(request: Request) -> Response:
    """An edition's pulls and their charts."""
    name = request.query_params.get("edition", "")

    def look(book: Book) -> list[dict[str, Any]]:
        found = find_edition(book, name)
        return [
            {
                "edition": one.edition,
                "spot": one.spot,
                "told": [*running.told(one, one.points[-1]), running.look_again(one)],
                "charts": run_svgs(one),
                "head": running.HEAD,
                "rows": [running.row(p) for p in one.points],
                "notes": [running.SIGN_WORDS, *running.notes(one)],
            }
            for one in drift_of(book, found, tolerance=TOLERANCE_DE00)
        ]

    runs = await asked(request, look)
    if not runs:
        raise NotThere
    return page(request, "run.html", edition=runs[0]["edition"], runs=runs, **done(request))
