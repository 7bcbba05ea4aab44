"""``drawdown.value/1``: values of strips and one plan, for other programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calibration.flags import codes
from drawdown.pipeline.value import strip_value
from drawdown.printing.value import hex_of
from drawdown.report.json.match import dump, mix_data, read_data, rounded
from drawdown.report.json.opacity import number
from drawdown.report.text.value import MEANING, PLAN_MEANING, sentences
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.value import Plan
    from drawdown.printing.lighten import Lightened


def value_text(seen: Judgement, plan: Plan | None) -> str:
    """JSON text of ``drawdown value``."""
    data = read_data(seen)
    strips = []
    for strip, row in zip(seen.strips, data["strips"], strict=True):
        v = strip_value(strip)
        value = {
            "value": rounded(v.value, 2),
            "low95": rounded(v.low95, 2),
            "high95": rounded(v.high95, 2),
            "grey_l": rounded(v.grey_l, 2),
            "grey_srgb": v.grey_hex,
        }
        strips.append(row | {"munsell": value})
    return dump(
        {
            "schema": "drawdown.value/1",
            "photo": data["photo"],
            "card": data["card"],
            "strips": strips,
            "plan": None if plan is None else _plan(plan),
            "notes": _notes(seen, plan),
            "cautions": [] if plan is None else [*plan.cautions, *CAUTIONS],
        }
    )


def _notes(seen: Judgement, plan: Plan | None) -> list[str]:
    """The remarks, and what the numbers mean: as in the text."""
    notes = [flag.text for flag in words.general_flags(seen)]
    for strip in seen.strips:
        notes += [f"Strip {strip.strip.number}: {f.text}" for f in words.strip_flags(strip)]
    if plan is None:
        return [*notes, MEANING]
    notes += [flag.text for flag in plan.flags]
    return [*notes, *sentences(plan), MEANING, PLAN_MEANING]


def _plan(plan: Plan) -> dict[str, Any]:
    return {
        "strip": plan.number,
        "to": plan.to,
        "layer": plan.layer,
        "layer_lab_d50": _lab(plan.layer_lab),
        "mix": mix_data(plan.mix),
        "mix_guessed": plan.guessed,
        "mix_misfit_de00": rounded(plan.misfit, 2),
        "read_over_bar": plan.across_bar,
        "as_it_is": _way(plan.now) | {"ink": None},
        "ways": [
            _way(way)
            | {"grams": number(plan.grams[way.ink], 2) if way.ink in (plan.grams or ()) else None}
            for way in plan.ways
        ],
        "flags": codes(plan.flags),
    }


def _way(way: Lightened) -> dict[str, Any]:
    out: dict[str, Any] = {"ink": way.ink, "why_not": way.why or None}
    numbers = {
        "parts_per_100": way.parts,
        "contrast_ratio": way.ratio,
        "changes_layer_de00": way.layer_change,
        "short_of_paper_de00": way.short_of_paper,
    }
    for key, n in numbers.items():
        out[key] = None if n is None else number(n, 3)
    for key, lab in (
        ("lab_d50", way.lab_d50),
        ("lab_u95", way.lab_u95),
        ("lab_over_layer_d50", way.lab_over_layer),
        ("lab_over_layer_u95", way.lab_over_layer_u95),
    ):
        out[key] = None if lab is None else _lab(lab)
    out["srgb"] = None if way.lab_d50 is None else hex_of(way.lab_d50)
    return out | {"flooded": way.flooded}


def _lab(lab) -> list[float | None]:  # (3,) floats
    return [rounded(float(v), 2) for v in lab]
