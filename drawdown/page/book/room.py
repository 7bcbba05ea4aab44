"""The Book: kept originals as a wall of swatches, recipes in grams, packets, editions."""

from __future__ import annotations

from starlette.routing import Route

from drawdown.page.book import changing, files, looking, photos

NAV = ("/book", "Book")
_KEPT, _LOOK = "/book/kept/{id:int}", "/look/{name:str}"
ROUTES = [
    Route("/book", looking.wall),
    Route("/book/packets", looking.packets),
    Route("/book/run", looking.run),
    Route(_KEPT, looking.kept),
    Route("/book/report", files.report),
    Route("/book/run/report", files.run_report),
    Route(f"{_KEPT}/report", files.kept_report),
    Route(f"{_KEPT}/recipe.pdf", files.recipe),
    Route("/book/{kind:str}/{id:int}/label.pdf", files.label),
    Route(f"{_KEPT}/mix", changing.mix, methods=["POST"]),
    Route(f"{_KEPT}/store", changing.store, methods=["POST"]),
    Route("/book/packets/{id:int}/use", changing.use, methods=["POST"]),
    Route("/book/undo", changing.undo, methods=["POST"]),
    Route(f"{_LOOK}/strips", photos.strips),
    Route(f"{_LOOK}/near", photos.near),
    Route(f"{_LOOK}/keep", photos.keep, methods=["POST"]),
    Route(f"{_LOOK}/pull", photos.pull, methods=["POST"]),
    Route(f"{_LOOK}/report", photos.look_report),
]
