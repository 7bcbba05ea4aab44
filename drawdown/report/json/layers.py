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
from drawdown.report.json.document import document, fields, mix_data, numbers, rounded
from drawdown.wording.layers import CrossingAnswer, LayersAnswer, faults, how_found


def layers_json(answer: LayersAnswer) -> str:
    """JSON text of ``drawdown plan layers``."""
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
        "why": how_found(answer),
        "pairs": [_pair(answer, pair) for pair in plan.pairs_of(plan.shown)],
        "overlaps": _overlaps(answer) if plan.exact else None,
        "notes": [*answer.doubts, *answer.notes],
        "cautions": answer.cautions,
    }
    return document("layers", data)


def overprint_json(answer: LayersAnswer) -> str:
    """JSON text of ``drawdown plan layers --pairs``."""
    data = {
        "layers": [_layer(answer, place) for place in range(len(answer.specs))],
        "wet": answer.wet,
        "pairs": [_pair(answer, pair) for pair in answer.plan.pairs],
        "photo": None,
        "notes": [*answer.doubts, *answer.notes],
        "cautions": answer.cautions,
    }
    return document("overprint", data)


def crossing_json(answer: CrossingAnswer) -> str:
    """JSON text of ``drawdown plan layers PHOTO``."""
    read, photo = answer.read, answer.seen.photo
    data = {
        "layers": None,
        "wet": None,
        "pairs": None,
        "photo": {
            **fields(photo, 0, "path", "width_px", "height_px"),
            "flags": codes(tuple(answer.seen.flags)),
            "strips": [_colour(name, c, read) for name, c in read.alone.items()],
            "crossing": _colour("crossing", read.crossing, read),
            "predictions": [_prediction(order) for order in answer.orders],
        },
        "notes": [*answer.doubts, *answer.notes],
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
        **fields(traits.colour, 2, "lab_d50", "lab_u95"),
        "contrast_ratio": rounded(traits.opacity.value, 3),
        "contrast_ratio_95": numbers((traits.opacity.low95, traits.opacity.high95), 3),
        "kind": traits.kind,
    }


def _order(answer: LayersAnswer, order: Order) -> dict[str, Any]:
    return {
        "layers": [answer.name(place) for place in order.places],
        "score": rounded(order.score, 4),
        **fields(order, 3, against_practice="breaks", p_as_good="p_good"),
    }


def _pair(answer: LayersAnswer, pair: Pair) -> dict[str, Any]:
    return {
        "upper": answer.name(pair.upper),
        "lower": answer.name(pair.lower),
        **fields(pair.colour, 2, "lab_d50", "lab_u95"),
        **fields(pair, 2, de00_change="de_change", de00_change_95="de_change_95"),
        **fields(pair, 2, de00_shows="de_shows", de00_shows_95="de_shows_95"),
        **fields(pair, 3, "p_lost", "p_shows"),
        "remarks": [word for word in faults(pair) if word],
    }


def _colour(name: str, colour: StripReading, read: Readings) -> dict[str, Any]:
    return {
        "name": name,
        "corners_mm": [numbers(corner, 1) for corner in colour.strip.corners_mm],
        **fields(colour, 2, "lab_d50", "lab_u95"),
        "de00_to_crossing": rounded(float(delta_e_2000(colour.lab_d50, read.crossing.lab_d50)), 2),
        "flags": codes(tuple(colour.flags)),
    }


def _prediction(order: Predicted) -> dict[str, Any]:
    kinds = None if order.kinds is None else order.kinds.items()
    return {
        **fields(order, 2, "lower", "upper"),
        **fields(order.predicted, 2, "lab_d50", "lab_u95"),
        **fields(order, 2, "de00", "de00_95", "agrees", "covers"),
        "upper_as": kinds and {kind: {"de00": rounded(de, 2)} for kind, (de, _, _) in kinds},
        "upper_is": order.kind,
    }
