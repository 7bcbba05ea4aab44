"""The answer as JSON, for other programs. What is not known is null, never left out.

Schemas "drawdown.match/1" and "drawdown.read/1" are described in DEVELOPERS.md.
"""

from __future__ import annotations

from typing import Any

from calibration.flags import codes
from drawdown.matching.advise import Advice
from drawdown.matching.compare import Comparison
from drawdown.matching.film_or_ink import FilmApart
from drawdown.pipeline.read import Judgement
from drawdown.reading.colour import Colour, StripReading
from drawdown.report.json.document import amounts, dump, numbers, rounded
from drawdown.wording.advice import note, wait_for
from drawdown.wording.cautions import cautions
from drawdown.wording.figures import UNCERTAINTY
from drawdown.wording.film import film_sentences
from drawdown.wording.flags import general_flags, remarks_on, strip_flags
from drawdown.wording.verdict import differs, to_settle


def match_json(judgement: Judgement) -> str:
    """JSON text of ``drawdown match``."""
    return dump(match_data(judgement))


def read_json(judgement: Judgement) -> str:
    """JSON text of ``drawdown read``."""
    return dump(read_data(judgement))


def read_data(judgement: Judgement) -> dict[str, Any]:
    """``drawdown.read/1`` as plain data."""
    return {
        "schema": "drawdown.read/1",
        "photo": _photo(judgement),
        "card": _card(judgement),
        "strips": [_strip(strip, judgement) for strip in judgement.strips],
        "notes": _notes(judgement),
    }


def match_data(judgement: Judgement) -> dict[str, Any]:
    """``drawdown.match/1`` as plain data."""
    return {
        "schema": "drawdown.match/1",
        "photo": _photo(judgement),
        "card": _card(judgement),
        "strips": [_strip(strip, judgement) for strip in judgement.strips],
        "comparison": _comparison(judgement.comparison),
        "advice": _advice(judgement.advice, wait_for(judgement)),
        "notes": _notes(judgement),
        "original_photo": _earlier(judgement),
        "kept": _kept(judgement),
    }


def _kept(judgement: Judgement) -> dict[str, Any] | None:
    """The kept original that was named, and which reading of it was compared."""
    kept = judgement.kept
    if kept is None:
        return None
    return {
        "name": kept.name,
        "compared": "book" if kept.apart else "photo",
        "lab_d50": numbers(kept.colour.lab_d50, 2),
        "lab_u95": _u95(kept.colour),
    }


def _earlier(judgement: Judgement) -> dict[str, Any] | None:
    """The other photo that shows the kept original, read like this one; None without one."""
    return None if judgement.earlier is None else read_data(judgement.earlier)


def _photo(judgement: Judgement) -> dict[str, Any]:
    photo = judgement.photo
    return {
        "path": photo.path,
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "profile": photo.profile.name,
        "flags": codes(tuple(general_flags(judgement))),
        "metadata": dict(photo.metadata),
    }


def _card(judgement: Judgement) -> dict[str, Any]:
    view, correction = judgement.view, judgement.correction
    return {
        "name": view.card.name,
        "markers_found": [int(marker) for marker in view.markers_found],
        "pixels_per_mm": rounded(view.pixels_per_mm, 2),
        "held_out_de00": {
            "median": rounded(correction.held_out_median, 3),
            "max": rounded(correction.held_out_max, 3),
        },
    }


def _strip(strip: StripReading, judgement: Judgement) -> dict[str, Any]:
    corners_px = judgement.view.to_px(strip.corners_mm)
    return {
        "number": strip.number,
        "corners_px": [numbers(corner, 1) for corner in corners_px],
        "lab_d50": numbers(strip.lab_d50, 2),
        "lab_u95": _u95(strip),
        "munsell_value": rounded(strip.munsell_value, 2),
        "munsell_u95": rounded(strip.munsell_u95, 2),
        "evenness_de00": rounded(strip.evenness_de00, 3),
        "evenness_u95": rounded(strip.evenness_u95, 3),
        "state": strip.state,
        "flags": codes(tuple(strip_flags(strip))),
    }


def _u95(colour: Colour) -> list[float | None]:
    return [None] * 3 if colour.lab_u95 is None else numbers(colour.lab_u95, 2)


def _comparison(c: Comparison | None) -> dict[str, Any] | None:
    if c is None:
        return None
    names, u95 = ("dL", "dC", "dH"), c.lch_u95
    return {
        "original": c.original,
        "batch": c.batch,
        "de00": rounded(c.de00, 3),
        "de00_low95": rounded(c.de00_low95, 3),
        "de00_high95": rounded(c.de00_high95, 3),
        **{name: rounded(value, 2) for name, value in zip(names, c.lch, strict=True)},
        **{f"{name}_u95": rounded(getattr(u95, name), 2) for name in names},
        "words": differs(c),
        "film_ratio": rounded(c.film_ratio, 3),
        "de00_equal_film": rounded(c.de00_equal_film, 3),
        "tolerance": rounded(c.tolerance, 3),
        "p_within": rounded(c.p_within, 4),
        "verdict": c.verdict,
        **_film(c.film),
        "film_words": " ".join(film_sentences(c)) or None,
    }


def _film(film: FilmApart | None) -> dict[str, float | None]:
    """Film and ink told apart: intervals and the probability of the same ink."""
    return {
        key: rounded(getattr(film, name, None), 3)
        for key, name in (
            ("film_ratio_low95", "ratio_low95"),
            ("film_ratio_high95", "ratio_high95"),
            ("de00_equal_film_low95", "de00_equal_film_low95"),
            ("de00_equal_film_high95", "de00_equal_film_high95"),
            ("p_same_ink", "p_same"),
        )
    }


def _advice(advice: Advice | None, wait: str = "") -> dict[str, Any] | None:
    if advice is None:
        return None
    return {
        "additions": amounts(advice.additions, "parts_per_100"),
        "add_first": amounts(advice.add_first, "parts_per_100"),
        "grams": None if advice.grams is None else amounts(advice.grams, "grams"),
        "predicted_lab_d50": numbers(advice.predicted_lab_d50, 2),
        "predicted_de00": rounded(advice.predicted_de00, 3),
        "predicted_de00_high95": rounded(advice.predicted_de00_high95, 3),
        "predicted_u95": numbers(advice.predicted_u95, 2),
        "first_de00_95": None if advice.first_de00_95 is None else numbers(advice.first_de00_95, 3),
        "grams_first": None if advice.grams_first is None else amounts(advice.grams_first, "grams"),
        "portion": rounded(advice.portion, 3),
        "knife_tips": list(advice.knife_tips),
        "mix_used": amounts(advice.mix_used.items(), "parts_per_100"),
        "mix_inferred": advice.mix_inferred,
        "p_within_equal_film": rounded(advice.p_within, 4),
        "look_again": advice.look_again,
        "lamps": [
            {
                "lamp": lamp.lamp,
                "de00": rounded(lamp.de00, 3),
                "de00_high95": rounded(lamp.de00_high95, 3),
            }
            for lamp in advice.lamps
        ],
        "wait": wait.rstrip(":") if wait and advice.additions else None,
        "note": note(advice) or None,
        "cautions": list(cautions(advice)),
    }


def _notes(judgement: Judgement) -> list[str]:
    settle = to_settle(judgement.comparison)
    notes = [where + flag.text for flag, where in remarks_on(judgement)]
    return [*([settle] if settle else ()), *notes, UNCERTAINTY]
