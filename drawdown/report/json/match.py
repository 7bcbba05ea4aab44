"""A photo that was read or matched, or a folder of them, as JSON "drawdown.match/1",
"drawdown.read/1" and "drawdown.folder/1"."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from calibration.flags import Flag, codes
from calibration.photo.open import Photo
from drawdown.matching.advise import Advice
from drawdown.matching.amounts import WayOut
from drawdown.matching.compare import Comparison
from drawdown.matching.film_or_ink import FilmApart
from drawdown.pipeline.folder import FolderReading
from drawdown.pipeline.read import Judgement, PhotoUsed
from drawdown.pipeline.rough import RoughLook
from drawdown.reading.by_paper import ByPaper
from drawdown.reading.colour import Colour, StripReading
from drawdown.reading.instrument import InstrumentReading
from drawdown.report.json.document import amounts, document, dump, fields, numbers, rounded
from drawdown.wording.advice import note, wait_for
from drawdown.wording.cautions import cautions
from drawdown.wording.difference import film_sentences
from drawdown.wording.figures import of_readings
from drawdown.wording.flags import general_flags, meaning, remarks_on, strip_flags
from drawdown.wording.verdict import ROUGH, ROUGH_LIMITS, differs, rough_action, to_settle


def match_json(judgement: Judgement | RoughLook) -> str:
    """JSON text of ``drawdown match``."""
    rough = isinstance(judgement, RoughLook)
    return dump(rough_data(judgement) if rough else match_data(judgement))


def read_json(judgement: Judgement) -> str:
    """JSON text of ``drawdown read``."""
    return dump(read_data(judgement))


def folder_json(folder: Path, readings: Sequence[FolderReading]) -> str:
    """JSON text of ``drawdown read`` with a folder: for each photo its drawdown.read/1, or why
    it has none."""
    photos = [
        {
            "path": str(r.path),
            "reading": None if r.seen is None else read_data(r.seen),
            "error": None if r.problem is None else r.problem.paragraph(),
            "exit_code": r.exit_code,
        }
        for r in readings
    ]
    return document("folder", {"folder": str(folder), "photos": photos})


def read_data(judgement: Judgement) -> dict[str, Any]:
    """``drawdown.read/1`` as plain data."""
    return {
        "schema": "drawdown.read/1",
        "photo": judgement.photo and _photo(judgement.photo, general_flags(judgement)),
        "card": None if judgement.view is None else _card(judgement),
        **_readings(judgement),
        "strips": [_strip(strip, judgement) for strip in judgement.strips],
        "notes": _notes(judgement),
    }


def match_data(judgement: Judgement) -> dict[str, Any]:
    """``drawdown.match/1`` as plain data."""
    read = read_data(judgement)
    notes = read.pop("notes")
    whole = read | {
        "schema": "drawdown.match/1",
        "comparison": judgement.comparison and _comparison(judgement.comparison),
        "advice": _advice(judgement.advice, wait_for(judgement)),
        "notes": notes,
        # The other photo that shows the kept original, read like this one.
        "original_photo": None if judgement.earlier is None else read_data(judgement.earlier),
        "kept": _kept(judgement),
        # Where several photos of the pair are one reading; none for one photo.
        "photos": [_used(used) for used in judgement.photos],
    }
    if judgement.table is not None:
        whole["notes"] = list(map(of_readings, whole["notes"]))
        if whole["advice"] is not None:
            said = {key: whole["advice"][key] for key in ("note", "wait")}
            whole["advice"] |= {key: text and of_readings(text) for key, text in said.items()}
    return whole


def rough_data(look: RoughLook) -> dict[str, Any]:
    """``drawdown.match/1`` of a rough look, which has no card and no advice, as plain data."""
    hard = [flag.text for flag in look.flags if flag.hard]
    return {
        "schema": "drawdown.match/1",
        "photo": _photo(look.photo, look.flags),
        "card": None,
        "strips": [_by_paper(strip) for strip in look.strips],
        "comparison": _comparison(look.comparison) | fields(look, 3, "least_de00"),
        "advice": None,
        "notes": [ROUGH, *(hard or (rough_action(look),)), ROUGH_LIMITS],
        "original_photo": None,
        "kept": None,
        "photos": [],
    }


def _by_paper(strip: ByPaper) -> dict[str, Any]:
    x0, y0, x1, y1 = strip.place_px
    return {
        "number": strip.number,
        "corners_px": [[x0, y0], [x1, y0], [x1, y1], [x0, y1]],
        **_colour(strip),
        "flags": codes(strip.flags),
    }


def _used(photo: PhotoUsed) -> dict[str, Any]:
    return {
        "path": photo.path,
        "original": photo.original,
        "batch": photo.batch,
        "left_out": photo.left_out or None,
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


def _readings(judgement: Judgement) -> dict[str, Any]:
    """The instrument's table, as an extra key where there is one."""
    table = judgement.table
    if table is None:
        return {}
    grounds = {"paper": table.paper, "black": table.black}
    return {
        "readings": {
            **fields(table, 3, "path", "illuminant", "observer", "u95_de00"),
            **{f"{name}_lab_d50": numbers(c and c.lab_d50) for name, c in grounds.items()},
            "flags": codes(tuple(general_flags(judgement))),
            "lamps": [fields(lamp, 3, "lamp", "de00", "de00_high95") for lamp in judgement.lamps],
        }
    }


def _photo(photo: Photo, flags: Iterable[Flag]) -> dict[str, Any]:
    return {
        **fields(photo, 0, "path", "width_px", "height_px"),
        "profile": photo.profile.name,
        "flags": codes(tuple(flags)),
        "metadata": dict(photo.metadata),
    }


def _card(judgement: Judgement) -> dict[str, Any]:
    view, correction = judgement.view, judgement.correction
    return {
        "name": view.card.name,
        "markers_found": [int(marker) for marker in view.markers_found],
        "pixels_per_mm": rounded(view.pixels_per_mm, 2),
        "held_out_de00": fields(correction, 3, median="held_out_median", max="held_out_max"),
    }


def _strip(strip: StripReading | InstrumentReading, judgement: Judgement) -> dict[str, Any]:
    if isinstance(strip, InstrumentReading):
        place = {"corners_px": None, "name": strip.name}
    else:
        corners = judgement.view.to_px(strip.corners_mm)
        place = {"corners_px": [numbers(corner, 1) for corner in corners]}
    return {
        "number": strip.number,
        **place,
        **_colour(strip),
        "flags": codes(tuple(strip_flags(strip))),
    }


def _colour(colour: Colour) -> dict[str, Any]:
    return {
        "lab_d50": numbers(colour.lab_d50, 2),
        "lab_u95": _u95(colour),
        **fields(colour, 2, "munsell_value", "munsell_u95"),
        **fields(colour, 3, "evenness_de00", "evenness_u95", "state"),
    }


def _u95(colour: Colour) -> list[float | None]:
    return [None] * 3 if colour.lab_u95 is None else numbers(colour.lab_u95, 2)


def _comparison(c: Comparison) -> dict[str, Any]:
    return {
        **fields(c, 3, "original", "batch", "de00", "de00_low95", "de00_high95"),
        **dict(zip(("dL", "dC", "dH"), numbers(c.lch), strict=True)),
        **fields(c.lch_u95, 2, dL_u95="dL", dC_u95="dC", dH_u95="dH"),
        "words": differs(c),
        **fields(c, 3, "film_ratio", "de00_equal_film", "tolerance"),
        **fields(c, 4, "p_within", "verdict"),
        **_film(c.film),
        "film_words": " ".join(film_sentences(c)) or None,
    }


def _film(film: FilmApart | None) -> dict[str, float | None]:
    """Film and ink told apart: intervals and the probability of the same ink."""
    told = film or FilmApart("short")
    ends = fields(told, 3, film_ratio_low95="ratio_low95", film_ratio_high95="ratio_high95")
    ends |= fields(told, 3, "de00_equal_film_low95", "de00_equal_film_high95", p_same_ink="p_same")
    return ends


def _advice(advice: Advice | None, wait: str = "") -> dict[str, Any] | None:
    if advice is None:
        return None
    return {
        "additions": amounts(advice.additions, "parts_per_100"),
        "add_first": amounts(advice.add_first, "parts_per_100"),
        "grams": None if advice.grams is None else amounts(advice.grams, "grams"),
        **fields(advice, 2, "predicted_lab_d50"),
        **fields(advice, 3, "predicted_de00", "predicted_de00_high95"),
        **fields(advice, 2, "predicted_u95"),
        **fields(advice, 3, "first_de00_95"),
        "grams_first": None if advice.grams_first is None else amounts(advice.grams_first, "grams"),
        "portion": rounded(advice.portion, 3),
        "knife_tips": list(advice.knife_tips),
        "mix_used": amounts(advice.mix_used.items(), "parts_per_100"),
        "mix_inferred": advice.mix_inferred,
        "p_within_equal_film": rounded(advice.p_within, 4),
        "look_again": advice.look_again,
        "went_in_by_mistake": advice.basis.by_mistake[0],
        "way_out": _way_out(advice.basis.way_out),
        "lamps": [fields(lamp, 3, "lamp", "de00", "de00_high95") for lamp in advice.lamps],
        "wait": wait.rstrip(":") if wait and advice.additions else None,
        "note": note(advice) or None,
        "cautions": list(cautions(advice)),
    }


def _way_out(out: WayOut | None) -> dict[str, Any] | None:
    if out is None:
        return None
    return {
        "fresh": amounts(out.fresh, "parts_per_100"),
        "fresh_grams": None if out.fresh_grams is None else amounts(out.fresh_grams, "grams"),
        "small_part": rounded(out.small_part, 3),
    }


def _notes(judgement: Judgement) -> list[str]:
    settle = to_settle(judgement.comparison)
    notes = [where + flag.text for flag, where in remarks_on(judgement)]
    return [*([settle] if settle else ()), *notes, meaning(judgement)]
