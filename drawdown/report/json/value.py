"""Values of strips, and one plan of lightening, as JSON "drawdown.value/1"."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from calibration.colour.notation import Notation, hue_name
from calibration.flags import codes
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.value import Plan, strip_value
from drawdown.printing.lighten import Lightened
from drawdown.printing.value import grey_hex, hex_of
from drawdown.reading.colour import StripReading
from drawdown.report.json.document import document, fields, mix_data, numbers, plain, rounded
from drawdown.report.json.match import read_data
from drawdown.wording.cautions import CAUTIONS, ink_cautions
from drawdown.wording.value import MEANING, PLAN_MEANING, layer_name, remarks_on, sentences, why_not


def value_json(seen: Judgement, plan: Plan | None, notations: Mapping[int, Notation]) -> str:
    """JSON text of ``drawdown plan lighten``; ``notations`` by the strip's number."""
    read = read_data(seen)
    said = [MEANING] if plan is None else [*sentences(plan), MEANING, PLAN_MEANING]
    data = {
        "photo": read["photo"],
        "card": read["card"],
        "strips": [
            row | {"munsell": _value(strip) | _notation(notations.get(strip.number))}
            for strip, row in zip(seen.strips, read["strips"], strict=True)
        ],
        "plan": None if plan is None else _plan(plan),
        "notes": [*(where + flag.text for flag, where in remarks_on(seen, plan)), *said],
        "cautions": [] if plan is None else [*ink_cautions(plan.inks), *CAUTIONS],
    }
    return document("value", data)


def _value(strip: StripReading) -> dict[str, Any]:
    v = strip_value(strip)
    grey = float(strip.lab_d50[0])
    return {**plain(v, 2), "grey_l": rounded(grey, 2), "grey_srgb": grey_hex(grey)}


def _notation(n: Notation | None) -> dict[str, Any]:
    """The notation, as an extra key where it was asked for."""
    if n is None:
        return {}
    said = {
        "text": n.text,
        "hue": None if n.hue is None else hue_name(n.hue),
        "hue_95": None if n.hue_95 is None else [hue_name(end) for end in n.hue_95],
        **fields(n, 2, "value", "chroma", "chroma_95", why_no_hue="why"),
    }
    return {"notation": said}


def _plan(plan: Plan) -> dict[str, Any]:
    grams = plan.grams or {}
    return {
        "strip": plan.number,
        "to": plan.to,
        "layer": layer_name(plan),
        "layer_lab_d50": numbers(plan.layer_lab),
        "mix": mix_data(plan.mix),
        "mix_guessed": plan.guessed,
        "mix_misfit_de00": rounded(plan.misfit, 2),
        "read_over_bar": plan.across_bar,
        "as_it_is": _way(plan.now) | {"ink": None},
        "ways": [_way(way) | {"grams": plain(grams.get(way.ink), 2)} for way in plan.ways],
        "flags": codes(plan.flags),
    }


def _way(way: Lightened) -> dict[str, Any]:
    return {
        "ink": way.ink,
        "why_not": why_not(way) or None,
        **fields(way, 3, parts_per_100="parts", contrast_ratio="ratio"),
        **fields(way, 3, changes_layer_de00="layer_change", short_of_paper_de00="short_of_paper"),
        **fields(way, 2, "lab_d50", "lab_u95", lab_over_layer_d50="lab_over_layer"),
        **fields(way, 2, "lab_over_layer_u95"),
        "srgb": None if way.lab_d50 is None else hex_of(way.lab_d50),
        "flooded": way.flooded,
    }
