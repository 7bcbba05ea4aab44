"""A layer plan, a grid of overprints and a crossing in a photo as JSON: "drawdown.layers/1",
"drawdown.overprint/1". Layers are called by name."""

from __future__ import annotations

from typing import Any

from calibration.colour.difference import delta_e_2000
from calibration.flags import codes
from drawdown.pipeline.crossing import Order as Predicted
from drawdown.printing.layer_order import Order, Pair, overlaps
from drawdown.printing.overprint import over
from drawdown.reading.colour import StripReading
from drawdown.reading.crossing import Readings
from drawdown.report.json.document import document, mix_data, numbers, rounded
from drawdown.wording.layers import CrossingAnswer, LayersAnswer, faults


def layers_json(answer: LayersAnswer) -> str:
    """JSON text of ``drawdown layers``."""
    plan = answer.plan
    data = {
        "layers": [_layer(answer, place) for place in range(len(answer.specs))],
        "wet": answer.wet,
        "exact": plan.exact,
        "orders_scored": plan.orders_scored,
        "order": _order(answer, plan.shown),
        "proposal": _order(answer, plan.proposal),
        "light_to_dark": _order(answer, plan.practice),
        "worst": None if plan.worst is None else _order(answer, plan.worst),
        "orders": [_order(answer, order) for order in plan.orders],
        "pairs": [_pair(answer, pair) for pair in plan.pairs_of(plan.shown)],
        "overlaps": _overlaps(answer) if plan.exact else None,
        "notes": answer.notes,
        "cautions": answer.cautions,
    }
    return document("layers", data)


def overprint_json(answer: LayersAnswer) -> str:
    """JSON text of ``drawdown overprint`` without a photo."""
    data = {
        "layers": [_layer(answer, place) for place in range(len(answer.specs))],
        "wet": answer.wet,
        "pairs": [_pair(answer, pair) for pair in answer.plan.pairs],
        "photo": None,
        "notes": answer.notes,
        "cautions": answer.cautions,
    }
    return document("overprint", data)


def crossing_json(answer: CrossingAnswer) -> str:
    """JSON text of ``drawdown overprint`` with a photo."""
    read, photo = answer.read, answer.seen.photo
    data = {
        "layers": None,
        "wet": None,
        "pairs": None,
        "photo": {
            "path": photo.path,
            "width_px": photo.width_px,
            "height_px": photo.height_px,
            "flags": codes(tuple(answer.seen.flags)),
            "strips": [_colour(name, c, read) for name, c in read.alone.items()],
            "crossing": _colour("crossing", read.crossing, read),
            "predictions": [_prediction(order) for order in answer.orders],
        },
        "notes": answer.notes,
        "cautions": answer.cautions,
    }
    return document("overprint", data)


def _overlaps(answer: LayersAnswer) -> list[dict[str, Any]]:
    """What shows wherever layers meet, with 95 % half widths; the bare paper too."""
    found = overlaps(answer.films, answer.on, answer.plan.shown.places)
    return [
        {
            "layers": [answer.name(i) for i in places],
            "lab_d50": numbers(colour),
            "lab_u95": numbers(over([answer.films[i] for i in places], answer.on).lab_u95),
        }
        for places, colour in found.items()
    ]


def _layer(answer: LayersAnswer, place: int) -> dict[str, Any]:
    spec, traits = answer.specs[place], answer.plan.traits[place]
    return {
        "name": spec.name,
        "mix": mix_data(spec.mix),
        "film": spec.film,
        "lab_d50": numbers(traits.colour.lab_d50),
        "lab_u95": numbers(traits.colour.lab_u95),
        "contrast_ratio": rounded(traits.opacity, 3),
        "kind": traits.kind,
    }


def _order(answer: LayersAnswer, order: Order) -> dict[str, Any]:
    return {
        "layers": [answer.name(place) for place in order.places],
        "score": rounded(order.score, 4),
        "against_practice": order.breaks,
        "p_as_good": rounded(order.p_good, 3),
    }


def _pair(answer: LayersAnswer, pair: Pair) -> dict[str, Any]:
    lost, shows = faults(pair)
    return {
        "upper": answer.name(pair.upper),
        "lower": answer.name(pair.lower),
        "lab_d50": numbers(pair.colour.lab_d50),
        "lab_u95": numbers(pair.colour.lab_u95),
        "de00_change": rounded(pair.de_change, 2),
        "de00_change_95": numbers(pair.de_change_95),
        "de00_shows": rounded(pair.de_shows, 2),
        "de00_shows_95": numbers(pair.de_shows_95),
        "p_lost": rounded(pair.p_lost, 3),
        "p_shows": rounded(pair.p_shows, 3),
        "remarks": [word for word in (lost, shows) if word],
    }


def _colour(name: str, colour: StripReading, read: Readings) -> dict[str, Any]:
    return {
        "name": name,
        "corners_mm": [numbers(corner, 1) for corner in colour.strip.corners_mm],
        "lab_d50": numbers(colour.lab_d50),
        "lab_u95": numbers(colour.lab_u95),
        "de00_to_crossing": rounded(float(delta_e_2000(colour.lab_d50, read.crossing.lab_d50)), 2),
        "flags": codes(tuple(colour.flags)),
    }


def _prediction(order: Predicted) -> dict[str, Any]:
    return {
        "lower": order.lower,
        "upper": order.upper,
        "lab_d50": numbers(order.predicted.lab_d50),
        "lab_u95": numbers(order.predicted.lab_u95),
        "de00": rounded(order.de00, 2),
        "de00_95": numbers(order.de00_95),
        "agrees": order.agrees,
        "covers": order.covers,
        "upper_as": None
        if order.kinds is None
        else {kind: {"de00": rounded(de, 2)} for kind, (de, _, _) in order.kinds.items()},
        "upper_is": order.kind,
    }
