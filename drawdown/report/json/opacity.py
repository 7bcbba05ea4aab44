"""How each strip covers as JSON "drawdown.opacity/1"."""

from __future__ import annotations

from typing import Any

from calibration.flags import codes
from drawdown.pipeline.opacity import StripOpacity
from drawdown.pipeline.read import Judgement
from drawdown.printing.opacity import GRADES, WHITE_Y
from drawdown.report.json.document import document, number, numbers, rounded
from drawdown.report.json.match import read_data
from drawdown.wording.opacity import MEANING, grade, remarks_on


def opacity_json(seen: Judgement, rows: tuple[StripOpacity, ...]) -> str:
    """JSON text of ``drawdown opacity``."""
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
        "contrast_ratio": number(o.ratio),
        "contrast_ratio_measured": number(o.ratio_measured),
        "ground_de00": number(o.ground_de00, 2),
        "ground_de00_measured": number(o.ground_de00_measured, 2),
        "lightness_added": number(o.lightness_added, 2),
        "lightness_added_against": "base" if o.against_base else "bare bar",
        "lightness_over_black": number(o.lightness_over_black, 2),
        "kx": number(o.kx),
        "sx": number(o.sx),
        "kx_xyz": numbers(o.kx_bands, 4),
        "sx_xyz": numbers(o.sx_bands, 4),
        "lab_over_black_d50": numbers(o.lab_over_black),
        "lab_over_white_d50": numbers(o.lab_over_white),
        "seen": {
            place: {"lab_d50": numbers(lab), "lab_u95": numbers(u95)}
            for place, lab, u95 in zip(places, pair.lab_d50, pair.lab_u95, strict=True)
        },
        "flags": codes(row.flags),
    }
