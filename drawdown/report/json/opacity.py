"""How each strip covers as JSON "drawdown.opacity/1"."""

from __future__ import annotations

from typing import Any

from calibration.flags import codes
from drawdown.pipeline.opacity import StripOpacity
from drawdown.pipeline.read import Judgement
from drawdown.printing.opacity import GRADES, WHITE_Y
from drawdown.report.json.document import document, fields, numbers, rounded
from drawdown.report.json.match import read_data
from drawdown.wording.opacity import MEANING, grade, remarks_on


def opacity_json(seen: Judgement, rows: tuple[StripOpacity, ...]) -> str:
    """JSON text of ``drawdown plan covers``."""
    read = read_data(seen)
    data = {
        "photo": read["photo"],
        "card": read["card"],
        "definition": {
            "black_y": 0.0,
            "white_y": WHITE_Y,
            "grades": {word: limit for limit, word in GRADES},
        },
        "strips": [
            strip | {"opacity": _opacity(row)}
            for strip, row in zip(read["strips"], rows, strict=True)
        ],
        "notes": [*(where + flag.text for flag, where in remarks_on(seen, rows)), MEANING],
    }
    return document("opacity", data)


def _opacity(row: StripOpacity) -> dict[str, Any] | None:
    o, pair = row.opacity, row.pair
    if o is None or pair is None:
        return None
    places = ("over_paper", "over_bar", "paper", "bar")
    return {
        "grade": o.grade if grade(o) == o.grade else None,
        "said": grade(o),
        "grade_probabilities": {word: rounded(p, 3) for word, p in o.grade_p.items()},
        **fields(o, 4, contrast_ratio="ratio", contrast_ratio_measured="ratio_measured"),
        **fields(o, 2, "ground_de00", "ground_de00_measured", "lightness_added"),
        "lightness_added_against": "base" if o.against_base else "bare bar",
        **fields(o, 2, "lightness_over_black"),
        **fields(o, 4, "kx", "sx", kx_xyz="kx_bands", sx_xyz="sx_bands"),
        **fields(o, 2, lab_over_black_d50="lab_over_black", lab_over_white_d50="lab_over_white"),
        "seen": {
            place: {"lab_d50": numbers(lab), "lab_u95": numbers(u95)}
            for place, lab, u95 in zip(places, pair.lab_d50, pair.lab_u95, strict=True)
        },
        "flags": codes(row.flags),
    }
