"""``drawdown.opacity/1``: how each strip covers, for other programs. Unknown is null."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calibration.flags import codes
from drawdown.printing.opacity import GRADES, WHITE_Y
from drawdown.report.json.match import dump, read_data, rounded
from drawdown.report.text.opacity import LIMITS, MEANING, remarks_on

if TYPE_CHECKING:
    from drawdown.pipeline.opacity import StripOpacity
    from drawdown.pipeline.read import Judgement
    from drawdown.printing.opacity import Number


def opacity_text(seen: Judgement, rows: tuple[StripOpacity, ...]) -> str:
    """JSON text of ``drawdown opacity``."""
    data = read_data(seen)
    return dump(
        {
            "schema": "drawdown.opacity/1",
            "photo": data["photo"],
            "card": data["card"],
            "definition": {
                "black_y": 0.0,
                "white_y": WHITE_Y,
                "grades": {word: limit for limit, word in GRADES},
            },
            "strips": [
                strip | {"opacity": _opacity(row)}
                for strip, row in zip(data["strips"], rows, strict=True)
            ],
            "notes": [
                *(where + flag.text for flag, where in remarks_on(seen, rows)),
                f"{MEANING} {LIMITS}",
            ],
        }
    )


def number(n: Number, decimals: int = 4) -> dict[str, float | None]:
    """A value and the ends of its interval; ``high95`` null where nothing bounds it."""
    return {
        "value": rounded(n.value, decimals),
        "low95": rounded(n.low95, decimals),
        "high95": None if n.high95 is None else rounded(n.high95, decimals),
    }


def _opacity(row: StripOpacity) -> dict[str, Any] | None:
    o, pair = row.opacity, row.pair
    if o is None or pair is None:
        return None
    places = ("over_paper", "over_bar", "paper", "bar")
    return {
        "grade": o.grade if o.said == o.grade else None,
        "said": o.said,
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
        "kx_xyz": [rounded(float(v), 4) for v in o.kx_bands],
        "sx_xyz": [rounded(float(v), 4) for v in o.sx_bands],
        "lab_over_black_d50": [rounded(float(v), 2) for v in o.lab_over_black],
        "lab_over_white_d50": [rounded(float(v), 2) for v in o.lab_over_white],
        "seen": {
            place: {
                "lab_d50": [rounded(float(v), 2) for v in lab],
                "lab_u95": [rounded(float(v), 2) for v in u95],
            }
            for place, lab, u95 in zip(places, pair.lab_d50, pair.lab_u95, strict=True)
        },
        "flags": codes(row.flags),
    }
