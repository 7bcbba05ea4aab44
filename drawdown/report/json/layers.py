"""A layer plan and a grid of overprints as JSON: "drawdown.layers/1", "drawdown.overprint/1".

What is not known is null, never left out. Layers are called by name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drawdown.report.json.match import dump, mix_data, rounded
from drawdown.report.text.layers import faults
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from drawdown.printing.layer_order import Order, Pair
    from drawdown.report.text.layers import Answer


def layers_json(answer: Answer) -> str:
    """JSON text of ``drawdown layers``."""
    from drawdown.printing.layer_order import overlaps

    plan = answer.plan
    shown = plan.shown
    found = overlaps(answer.films, answer.on, shown.places) if plan.exact else None
    data = {
        "schema": "drawdown.layers/1",
        "layers": [_layer(answer, place) for place in range(len(answer.specs))],
        "wet": answer.wet,
        "exact": plan.exact,
        "orders_scored": plan.orders_scored,
        "order": _order(answer, shown),
        "proposal": _order(answer, plan.proposal),
        "light_to_dark": _order(answer, plan.practice),
        "worst": None if plan.worst is None else _order(answer, plan.worst),
        "orders": [_order(answer, order) for order in plan.orders],
        "pairs": [_pair(answer, pair) for pair in plan.pairs_of(shown)],
        "overlaps": None
        if found is None
        else [
            {
                "layers": [answer.name(i) for i in places],
                "lab_d50": _list(colour),
                "lab_u95": _spread(answer, places),
            }
            for places, colour in found.items()
        ],
        **_words(answer),
    }
    return dump(data)


def overprint_json(answer: Answer) -> str:
    """JSON text of ``drawdown overprint`` without a photo."""
    data = {
        "schema": "drawdown.overprint/1",
        "layers": [_layer(answer, place) for place in range(len(answer.specs))],
        "wet": answer.wet,
        "pairs": [_pair(answer, pair) for pair in answer.plan.pairs],
        "photo": None,
        **_words(answer),
    }
    return dump(data)


def _spread(answer: Answer, places: tuple[int, ...]) -> list[float | None]:
    """95 % half widths of an overlap's Lab; of the bare paper for ()."""
    from drawdown.printing.overprint import over

    return _list(over([answer.films[i] for i in places], answer.on).lab_u95)


def _words(answer: Answer) -> dict[str, Any]:
    return {"notes": answer.notes, "cautions": [*answer.cautions, *CAUTIONS]}


def _layer(answer: Answer, place: int) -> dict[str, Any]:
    spec, traits = answer.specs[place], answer.plan.traits[place]
    return {
        "name": spec.name,
        "mix": mix_data(spec.mix),
        "film": spec.film,
        "lab_d50": _list(traits.colour.lab_d50),
        "lab_u95": _list(traits.colour.lab_u95),
        "contrast_ratio": rounded(traits.opacity, 3),
        "kind": traits.kind,
    }


def _order(answer: Answer, order: Order) -> dict[str, Any]:
    return {
        "layers": [answer.name(place) for place in order.places],
        "score": rounded(order.score, 4),
        "against_practice": order.breaks,
        "p_as_good": rounded(order.p_good, 3),
    }


def _pair(answer: Answer, pair: Pair) -> dict[str, Any]:
    lost, shows = faults(pair)
    return {
        "upper": answer.name(pair.upper),
        "lower": answer.name(pair.lower),
        "lab_d50": _list(pair.colour.lab_d50),
        "lab_u95": _list(pair.colour.lab_u95),
        "de00_change": rounded(pair.de_change, 2),
        "de00_change_95": _list(pair.de_change_95),
        "de00_shows": rounded(pair.de_shows, 2),
        "de00_shows_95": _list(pair.de_shows_95),
        "p_lost": rounded(pair.p_lost, 3),
        "p_shows": rounded(pair.p_shows, 3),
        "remarks": [word for word in (lost, shows) if word],
    }


def _list(values) -> list[float | None]:
    return [rounded(value, 2) for value in values]
