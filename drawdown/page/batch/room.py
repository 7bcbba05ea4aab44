"""Batches: what is on the slab, followed photo by photo."""

from __future__ import annotations

from starlette.routing import Route

from drawdown.page.batch import changing, looking

NAV = ("/batch", "Batches")
_LOOK, _ONE = "/look/{name:str}", "/batch/{id:int}"
ROUTES = [
    Route("/batch", looking.batches),
    Route(_ONE, looking.batch),
    Route(f"{_ONE}/added", changing.batch_added, methods=["POST"]),
    Route(f"{_ONE}/recipe", changing.recipe, methods=["POST"]),
    Route(f"{_ONE}/undo", changing.batch_undone, methods=["POST"]),
    Route(f"{_LOOK}/added", changing.look_added, methods=["POST"]),
    Route(f"{_LOOK}/undo", changing.look_undone, methods=["POST"]),
]
