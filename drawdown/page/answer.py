"""A look's answer as plain data for the page: every sentence from ``wording``, every number from
the judgement. It is kept as JSON and shown as it is."""

from __future__ import annotations

from typing import Any

import numpy as np

from calibration.errors import DrawdownError, sentence
from calibration.naming import named
from calibration.photo.open import Photo
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.reading.by_paper import Box
from drawdown.reading.colour import Colour
from drawdown.report.json.match import match_data, rough_data
from drawdown.report.text.terminal import swatch_rgb
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import CAUTIONS, brief, pigment_cautions
from drawdown.wording.difference import film_sentences
from drawdown.wording.doubts import doubt, how_known, well_known
from drawdown.wording.figures import UNCERTAINTY, evenness, lab_parts, munsell
from drawdown.wording.flags import compared, concerned, remarks


def of_judgement(seen: Judgement) -> dict[str, Any]:
    """What the page shows of a judgement."""
    c, advice = seen.comparison, seen.advice
    judged = c is not None and c.verdict is not None
    pairs = compared(seen)
    known = all(well_known(seen, colour) for _, colour in pairs)
    adds = advice is not None and bool(advice.additions)
    told = {
        **_headline(wording.headline(seen)),
        "verdict": c.verdict if c else None,
        "sentence": wording.in_a_sentence(seen),
        "facts": list(wording.distance(c)) if judged else [],
        "swatches": [_swatch(name, colour) for name, colour in pairs],
        "why": remarks(seen, hard=True),
        "action": advising.action(seen),
        "doubt": doubt(seen) if judged else "",
        "caution": brief(pigment_cautions(advice)) if adds else "",
        "details": _details(seen),
        "readings": [_reading(name, colour) for name, colour in pairs],
        "readings_known": "" if known else how_known(seen),
        "worth": remarks(seen, hard=False),
        "cautions": [*pigment_cautions(advice), *CAUTIONS] if adds else [],
        "uncertainty": UNCERTAINTY,
        "problem": [],
        "before": "",
    }
    return {**_spoken(told), **_places(seen, seen.photo), "document": match_data(seen)}


def of_rough(look: RoughLook) -> dict[str, Any]:
    """What it shows of a rough look without a card."""
    c = look.comparison
    judged = c.verdict is not None
    pairs = list(zip(("original", "batch"), look.strips, strict=True))
    hard = [flag.text for flag in look.flags if flag.hard]
    told = {
        **_headline(wording.headline(look)),
        **dict.fromkeys(("doubt", "caution", "readings_known", "uncertainty"), ""),
        **{name: [] for name in ("readings", "cautions", "problem")},
        "before": wording.ROUGH,
        "verdict": c.verdict,
        "sentence": wording.in_a_sentence(look),
        "facts": list(wording.distance(c)) if judged else [],
        "swatches": [_swatch(name, colour) for name, colour in pairs],
        "why": hard,
        "action": [wording.rough_action(look)] if judged else [],
        "details": [wording.ROUGH_LIMITS, *([wording.along_lch(c)] if judged else ())],
        "worth": [flag.text for flag in look.flags if not flag.hard],
    }
    strips = [
        {"number": n, "role": role, "corners_px": _corners(colour.place_px)}
        for n, (role, colour) in enumerate(pairs, 1)
    ]
    size = [look.photo.width_px, look.photo.height_px]
    return {
        **_spoken(told), "size_px": size, "card_px": [], "strips": strips,
        "document": rough_data(look),
    }  # fmt: skip


def _corners(box: Box) -> list[list[float]]:
    x0, y0, x1, y1 = map(float, box)
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]


def _spoken(told: Any) -> Any:
    """Every sentence with its parameters as the page calls them."""
    if isinstance(told, dict):
        return {key: _spoken(value) for key, value in told.items()}
    if isinstance(told, list):
        return [_spoken(value) for value in told]
    return named(told) if isinstance(told, str) else told


def of_problem(
    problem: DrawdownError, seen: Judgement | None, photo: Photo | None
) -> dict[str, Any]:
    """What it shows where nothing could be judged."""
    return {
        **_headline(wording.HEADLINES[None]),
        **dict.fromkeys(("verdict", "document")),
        **{name: [] for name in ("swatches", "strips", "card_px")},
        "before": "",
        "problem": [sentence(text) for text in (problem.seen, problem.why, problem.todo) if text],
        **_places(seen, photo),
    }


def _headline(head: wording.Headline) -> dict[str, Any]:
    ground = "#{:02x}{:02x}{:02x}".format(*head.ground_rgb)
    return {"symbol": head.symbol, "words": list(head.lines), "ground": ground}


def hex_rgb(lab_d50: np.ndarray) -> str:
    return "#{:02x}{:02x}{:02x}".format(*swatch_rgb(lab_d50))


def _swatch(name: str, colour: Colour) -> dict[str, Any]:
    return {
        "name": name,
        "rgb": hex_rgb(colour.lab_d50),
        "ink": "#000" if colour.lab_d50[0] > 55 else "#fff",
    }


def _reading(name: str, colour: Colour) -> list[str]:
    rows = [f"{axis}* {value}" for axis, value in zip("Lab", lab_parts(colour), strict=True)]
    return [name, *rows, f"value {munsell(colour)}", f"evenness {evenness(colour)}"]


def _details(seen: Judgement) -> list[str]:
    """What the short answer leaves out, in the order of the full screen."""
    c, advice = seen.comparison, seen.advice
    if c is None or c.verdict is None:
        return [wording.NOT_TO_BE_USED]
    said = [wording.chance(c), wording.along_lch(c), *film_sentences(c)[int(c.film_first) :]]
    if advice is not None:
        if advice.additions:
            said.append(advising.all_of_it(advice))
        said.append(advising.note(advice))
        if advice.additions and advice.mix_inferred:
            said.append(sentence(advising.guessed_mix(advice)))
    return [text for text in said if text]


def _places(seen: Judgement | None, photo: Photo | None) -> dict[str, Any]:
    """Where things lie in the photo, in its pixels: for fingers."""
    size = None if photo is None else [photo.width_px, photo.height_px]
    if seen is None:
        return {"size_px": size, "strips": [], "card_px": []}
    c, wide, high = seen.comparison, *seen.view.card.size_mm
    roles = {} if c is None or seen.earlier is not None else {c.original: "original"}
    roles |= {} if c is None else {c.batch: "batch"}
    chosen = {id(getattr(colour, "strip", None)) for colour in concerned(seen)}
    card = seen.view.to_px(np.array([(0, 0), (wide, 0), (wide, high), (0, high)], dtype=float))
    return {
        "size_px": size,
        "card_px": np.round(card, 1).tolist(),
        "strips": [
            {
                "number": strip.number,
                "role": roles.get(strip.number, "") if id(strip.strip) in chosen else "",
                "corners_px": np.round(seen.view.to_px(strip.corners_mm), 1).tolist(),
            }
            for strip in seen.strips
        ],
    }
