"""How much ink an edition needs as JSON "drawdown.quantity/1"; ranges are [low, middle, high]."""

from __future__ import annotations

from typing import Any

from calibration.flags import codes
from drawdown.printing.quantity import Left, Range
from drawdown.report.json.document import document, numbers, rounded
from drawdown.wording.quantity import QuantityAnswer


def quantity_json(answer: QuantityAnswer) -> str:
    """JSON text of ``drawdown plan amount``."""
    need, area = answer.need, answer.area
    data = {
        "picture": answer.picture,
        "prints": need.prints,
        "printed_share": None if area is None else _range(area.share, 4),
        "clear": None if area is None else area.clear,
        "area_cm2": _range(need.area_cm2),
        "film_g_m2": _range(need.film_g_m2),
        "waste_percent": _range(need.waste_percent),
        "stays_g": _range(need.stays_g),
        "on_paper_g": _range(need.on_paper),
        "ink_g": _range(need.ink),
        "mix_g": rounded(need.mix_g, 2),
        "inks": _inks(answer.mix, answer.weights_g) if answer.mix else None,
        "left": None if answer.left is None else _left(answer.left),
        "flags": codes(answer.flags),
        "notes": [*answer.doubts, *answer.notes],
        "cautions": answer.cautions,
    }
    return document("quantity", data)


def _left(left: Left) -> dict[str, Any]:
    return {
        "grams": left.grams,
        "verdict": left.word,
        "p_enough": rounded(left.p_enough, 4),
        "prints": _range(left.prints, 1),
        "short_g": _range(left.short_g),
    }


def _inks(mix: dict[str, float], grams: dict[str, float]) -> list[dict[str, Any]]:
    return [
        {"ink": name, "parts_per_100": rounded(mix[name], 3), "grams": rounded(g, 2)}
        for name, g in grams.items()
    ]


def _range(r: Range, decimals: int = 2) -> list[float | None] | None:
    return numbers((r.low, r.middle, r.high), decimals)
