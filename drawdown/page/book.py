"""The Book: kept originals as a wall of swatches, recipes in grams, packets, editions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from calibration.card.artwork import PAPERS_MM
from calibration.errors import DrawdownError, WrongUsage
from drawdown.book import Book, open_book
from drawdown.book.batches import begin_again, find_batch, left_of, list_batches, weigh_again
from drawdown.book.batches import log_taken as take_out
from drawdown.book.columns import Original
from drawdown.book.edition import drift_of, editions, find_edition
from drawdown.book.opening import is_there
from drawdown.book.originals import SORTS, Wanted, list_originals, original_by_id, recipes_of
from drawdown.book.packets import list_packets, packet_by_id, put_by, take_from
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text
from drawdown.book.store import list_changes
from drawdown.defaults import HOLD_BACK_PERCENT, TOLERANCE_DE00
from drawdown.ink.mix_notation import number_of
from drawdown.page import keeping
from drawdown.page.answer import hex_rgb
from drawdown.page.rooms import house_of, page, refuse_read_only, work
from drawdown.page.studio import Studio
from drawdown.report.html.book import edition_report, originals_report, run_svgs
from drawdown.report.paper.labels import label_pages, stock
from drawdown.report.paper.of_book import label_of, pdf, sheet_of
from drawdown.report.paper.recipe_sheet import recipe_pages
from drawdown.report.text import edition as running
from drawdown.report.text.book import UNCERTAIN, facts, recipe_words
from drawdown.studio.scale import scale_step
from drawdown.studio.shelf_file import shelf_in_use
from drawdown.wording.book import NO_RECIPE, again_rows, again_words, mix_words
from drawdown.wording.cautions import brief
from drawdown.wording.figures import count, noted_grams

NAV = ("/book", "Book")
ORDERS = ("name", "date", "hue", "lightness", "chroma", "edition", "paper")
ON_THE_WALL = 400
_SAID = {
    "kept": "Kept in the book.",
    "mix": "The batch is begun in the book with what is weighed first.",
    "store": "Stored.",
    "use": "Noted.",
    "pull": "Noted.",
    "undo": "Taken back.",
}
Form = Mapping[str, Any]


class NotThere(DrawdownError):
    """What was asked for is not in the book."""

    def __init__(self) -> None:
        super().__init__(
            "this is not in the book, or no longer",
            "it may have been removed, or its adding taken back",
            "look for it in the list",
        )


def in_book(studio: Studio, what: Callable[[Book], Any], *, write: bool = False) -> Any:
    """What a function makes of the book; None where there is none yet."""
    if not is_there(studio.book):
        return None
    with open_book(studio.book, write=write) as book:
        return what(book)


async def asked(request: Request, what: Callable[[Book], Any], *, write: bool = False) -> Any:
    return await run_in_threadpool(in_book, house_of(request).studio, what, write=write)


def original_of(book: Book, number: int) -> Original:
    """Raises ``NotThere``."""
    found = original_by_id(book, number)
    if found is None or found.removed:
        raise NotThere
    return found


def _done(request: Request) -> dict[str, str]:
    """What was just done, and the number of the change that can be undone."""
    said, change = (request.query_params.get(name, "") for name in ("said", "change"))
    may = change.isdecimal() and said != "undo"
    return {"said": _SAID.get(said, ""), "change": change if may else ""}


# Looking ---------------------------------------------------------------------------------


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
        **_done(request), **shown,
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
        batches = [b.name for b in list_batches(book, Wanted(original=o.id), reverse=True)]
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
        **_done(request), **shown,
    )  # fmt: skip


def _again(o: Original, grams: str, studio: Studio) -> dict[str, Any]:
    again = _weighed(o, grams, studio)
    assert o.recipe is not None
    head, rows = again_rows(again)
    return {"head": head, "rows": rows, "words": again_words(o, o.recipe, again)}


def _weighed(o: Original, grams: str, studio: Studio) -> Any:
    if o.recipe is None:
        raise WrongUsage(*(text.format(name=o.name) for text in NO_RECIPE))
    shelf = shelf_in_use(studio.shelf).shelf
    step = scale_step()
    return weigh_again(o.recipe, _grams(grams), shelf, HOLD_BACK_PERCENT / 100, step)


def _grams(text: str) -> float:
    try:
        found = clean_grams(number_of(text))
    except ValueError:
        found = None
    if found is None:
        raise WrongUsage(
            f"“{text[:30]}” is no weight", "ink is weighed out against it", "type 60, or 12,5"
        )
    return found


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
    return page(request, "packets.html", packets=found, title=title, **_done(request))


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
    return page(request, "run.html", edition=runs[0]["edition"], runs=runs, **_done(request))


# Files to send or print ------------------------------------------------------------------


def _file(content: bytes, name: str, kind: str) -> Response:
    """To be saved, or looked at in its own window; ``name`` is ours."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def _html(text: str, name: str) -> Response:
    return _file(text.encode(), name, "text/html; charset=utf-8")


async def report(request: Request) -> Response:
    """The whole wall, as it is asked for."""
    text = request.query_params.get("text", "")[:200]

    def made(book: Book) -> str:
        found = list_originals(book, Wanted(text=text), "name", False)
        return originals_report(found).html()

    return _html(await asked(request, made) or originals_report([]).html(), "kept-originals.html")


async def kept_report(request: Request) -> Response:
    number = request.path_params["id"]
    await asked(request, lambda book: original_of(book, number))
    job = work(request, f"kept {number}", keeping.original_report, number)
    return _html(await job.outcome(), "kept-original.html")


async def run_report(request: Request) -> Response:
    name = request.query_params.get("edition", "")

    def made(book: Book) -> str:
        runs = drift_of(book, find_edition(book, name), tolerance=TOLERANCE_DE00)
        return edition_report(runs).html()

    return _html(await asked(request, made) or "", "edition.html")


async def label(request: Request) -> Response:
    """A label for an original or a packet."""
    number, kind = request.path_params["id"], request.path_params["kind"]
    shelf = house_of(request).studio.shelf

    def made(book: Book) -> bytes:
        one = original_of(book, number) if kind == "kept" else packet_by_id(book, number)
        if one is None or kind not in ("kept", "packet"):
            raise NotThere
        sheet = stock(None, None, None, None, False, None)
        pages = label_pages([label_of(one, shelf_in_use(shelf).shelf)], sheet)
        return pdf(pages, sheet.paper_mm, one.name)

    return _file(await asked(request, made), "label.pdf", "application/pdf")


async def recipe(request: Request) -> Response:
    """The recipe sheet of an original."""
    number, shelf = request.path_params["id"], house_of(request).studio.shelf

    def made(book: Book) -> bytes:
        o = original_of(book, number)
        size = PAPERS_MM["a4"]
        return pdf(recipe_pages(sheet_of(book, o, shelf_in_use(shelf).shelf), size), size, o.name)

    return _file(await asked(request, made), "recipe.pdf", "application/pdf")


# Changing --------------------------------------------------------------------------------


async def _changed(
    request: Request, what: Callable[[Book, Form], Any], place: str, said: str
) -> Response:
    """What a form asks for, by the book's own changes; then the page again."""
    refuse_read_only(request)
    async with request.form(max_files=0, max_fields=20) as form:
        given = dict(form)

    def change(book: Book) -> int:
        what(book, given)
        return list_changes(book, limit=1)[0].id

    number = await asked(request, change, write=True)
    if number is None:
        raise NotThere
    return RedirectResponse(f"{place}?said={said}&change={number}", 303)


def _text(form: Form, name: str) -> str:
    return clean_text(str(form.get(name, "")), f"`{name}`")


async def mix(request: Request) -> Response:
    """Mix again: a batch begins with what is weighed first."""
    number, studio = request.path_params["id"], house_of(request).studio

    def begin(book: Book, form: Form) -> None:
        o = original_of(book, number)
        name = clean_name(str(form.get("name", "")))
        again = _weighed(o, str(form.get("grams", "")), studio)
        with book.change(f'began "{name}"') as change:
            begin_again(book, change, name, o, again)

    return await _changed(request, begin, f"/book/kept/{number}", "mix")


async def store(request: Request) -> Response:
    """Leftover ink of an original, perhaps of one of its batches, as a packet."""
    number = request.path_params["id"]

    def put(book: Book, form: Form) -> None:
        o = original_of(book, number)
        name, grams = clean_name(str(form.get("name", ""))), _grams(str(form.get("grams", "")))
        source = find_batch(book, str(form["batch"])) if form.get("batch") else None
        inside, reading = left_of(book, source)
        of_original = o.recipe.mix if o.recipe else ()
        with book.change(f'stored "{name}"') as change:
            if source is not None:
                take_out(book, change, source, grams, f'stored as "{name}"')
            put_by(
                book, change, name=name, grams=grams, date=clean_date(None),
                place=_text(form, "where"), mix=inside or of_original, original=o.id,
                batch=source.id if source else None, reading=reading,
            )  # fmt: skip

    return await _changed(request, put, f"/book/kept/{number}", "store")


async def use(request: Request) -> Response:
    """Ink is taken out of a packet; all of it where no weight is given."""
    number = request.path_params["id"]

    def take(book: Book, form: Form) -> None:
        said = str(form.get("grams", "")).strip()
        packet = packet_by_id(book, number)
        if packet is None or packet.removed:
            raise NotThere
        with book.change(f'took ink from "{packet.name}"') as change:
            take_from(change, packet_by_id(book, number) or packet, _grams(said) if said else None)

    return await _changed(request, take, "/book/packets", "use")


async def undo(request: Request) -> Response:
    """The change that was just made; not another one that came after it."""

    def back(book: Book, form: Form) -> None:
        last = next((c for c in list_changes(book, limit=50) if c.state == "done"), None)
        if last is None or str(last.id) != str(form.get("change", "")):
            raise WrongUsage(
                "something else was changed in the book since",
                "undo takes back the last change alone, and that one may be someone else's",
                "look at what there is now",
            )
        book.undo()

    return await _changed(request, back, "/book", "undo")


# A strip of a photo ----------------------------------------------------------------------


async def strips(request: Request) -> Response:
    """The strips of a photo: to keep one, or to look for what is like it."""
    look = house_of(request).looks.find(request.path_params["name"])
    found = await work(request, look.name, keeping.strips, look.folder).outcome()
    known = await asked(request, editions) or []
    return page(
        request, "strips.html", name=look.name, strips=found, mix=look.asked.mix,
        editions=[edition for edition, _ in known],
    )  # fmt: skip


async def near(request: Request) -> Response:
    """What in the book is nearest to a strip."""
    look = house_of(request).looks.find(request.path_params["name"])
    number = _number(request.query_params.get("strip", ""))
    found = await work(request, look.name, keeping.nearest_to, look.folder, number).outcome()
    return page(request, "near.html", name=look.name, number=number, **found)


async def keep(request: Request) -> Response:
    """A strip becomes a kept original."""
    refuse_read_only(request)
    look = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=0, max_fields=20) as form:
        given = {name: str(value) for name, value in form.items()}
    number = _number(given.get("strip", ""))
    noted = keeping.Noted(
        name=clean_name(given.get("name", "")),
        mix=given.get("mix", "")[:500],
        paper=_text(given, "paper"),
        edition=_text(given, "edition"),
        note=_text(given, "note"),
        wet=bool(given.get("wet")),
    )
    job = work(request, look.name, keeping.keep, look.folder, number, noted)
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
        request, look.name, keeping.pull, look.folder, _number(given.get("strip", "")), edition,
        bool(given.get("good")),
    )  # fmt: skip
    edition, change = await job.outcome()
    return RedirectResponse(f"/book/run?edition={quote(edition)}&said=pull&change={change}", 303)


async def look_report(request: Request) -> Response:
    """The answer of a photo, to send or print."""
    look = house_of(request).looks.find(request.path_params["name"])
    job = work(request, look.name, keeping.look_report, look.folder)
    return _html(await job.outcome(), "answer.html")


def _number(text: str) -> int:
    if not text.isdecimal() or len(text) > 3:
        raise WrongUsage(
            "no strip was chosen", "a photo may show several", "choose one by its number"
        )
    return int(text)


_KEPT, _LOOK = "/book/kept/{id:int}", "/look/{name:str}"
ROUTES = [
    Route("/book", wall),
    Route("/book/report", report),
    Route("/book/packets", packets),
    Route("/book/packets/{id:int}/use", use, methods=["POST"]),
    Route("/book/undo", undo, methods=["POST"]),
    Route(_KEPT, kept),
    Route(f"{_KEPT}/mix", mix, methods=["POST"]),
    Route(f"{_KEPT}/store", store, methods=["POST"]),
    Route(f"{_KEPT}/report", kept_report),
    Route(f"{_KEPT}/recipe.pdf", recipe),
    Route("/book/{kind:str}/{id:int}/label.pdf", label),
    Route("/book/run", run),
    Route("/book/run/report", run_report),
    Route(f"{_LOOK}/strips", strips),
    Route(f"{_LOOK}/near", near),
    Route(f"{_LOOK}/keep", keep, methods=["POST"]),
    Route(f"{_LOOK}/pull", pull, methods=["POST"]),
    Route(f"{_LOOK}/report", look_report),
]
assert set(ORDERS) <= set(SORTS)
