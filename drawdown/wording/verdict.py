"""The verdict, how far apart the two are, and what would settle it, in sentences."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calibration.errors import sentence
from drawdown.wording.figures import number, of_readings, percent, signed

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.rough import RoughLook


@dataclass(frozen=True)
class Headline:
    """How a verdict is shown: never by colour alone."""

    symbol: str
    lines: tuple[str, ...]  # the words in capitals, broken where they may break
    sentence: str
    ansi: str  # style of the terminal's banner
    ground_rgb: tuple[int, int, int]  # of the picture's bar, under white letters


HEADLINES: dict[str | None, Headline] = {
    "match": Headline(
        "=", ("MATCH",), "The batch matches the kept original", "1;97;42", (22, 105, 70)
    ),
    "no match": Headline(
        "≠", ("NO MATCH",), "The batch does not match the kept original", "1;97;41", (158, 42, 32)
    ),
    "too close to call": Headline(
        "?",
        ("TOO CLOSE", "TO CALL"),
        "This photo can't settle whether the batch matches",
        "1;97;44",
        (38, 70, 130),
    ),
    None: Headline("×", ("NO VERDICT",), "This photo can't be judged", "1;97;100", (70, 70, 70)),
}

_SETTLE = {
    "let-dry": "let the wet strip dry, then photograph both again",
    "one-photo": "photograph the kept original and the batch together, in one picture",
    "by-eye": "the inks differ from the original's, so judge by eye in the light it will hang in",
    "pull-evenly": "pull {strip} again, more evenly, and shoot once more",
    "even-light": "turn sheet and card half round, or swap the strips; take a second photo and "
    "give both",
    "at-the-tolerance": "the difference is right at the tolerance: take a second photo with the "
    "sheet turned and give both, or decide by eye",
    "no-glare": "turn the sheet until nothing mirrors in the strips, take a second photo and give "
    "both",
    "no-shadow": "step out of the shadow, take a second photo and give both",
    "nearer": "take a second photo from nearer, in even light, and give both",
    "read-again": "read each strip at three places or more, and put every reading in the table "
    "under the strip's name",
    "measure-card": "have your printed card measured: here it leaves more open than a second photo "
    "would settle",
    "use-card": "put the printed card in the shot (drawdown card card.pdf)",
}

ROUGH = "A rough look, by bare paper alone: no card in the photo."
ROUGH_LIMITS = (
    "Only a card shows how a phone bends light and colour: this can't say match, what the colours "
    "are, or what to add. It takes the paper for white; other paper beside one strip, a shadow or "
    "a shine would pass for ink."
)
NOT_TO_BE_USED = "Don't use these numbers: the photo behind them can't be judged."


def headline(judgement: Judgement | RoughLook) -> Headline:
    """The headline of a judgement; no comparison means no verdict."""
    found = HEADLINES[judgement.comparison.verdict if judgement.comparison else None]
    if getattr(judgement, "table", None) is None:  # a rough look has none
        return found
    return replace(found, sentence=of_readings(found.sentence))


def in_a_sentence(judgement: Judgement | RoughLook) -> str:
    """The verdict, and how the batch differs where that may be said."""
    c, said = judgement.comparison, headline(judgement).sentence
    if c is None or c.verdict is None:
        return f"{said}."
    return f"{said}: {differs(c)}."


def to_settle(c: Comparison | None) -> str:
    """What would settle a verdict that is too close to call; empty where nothing is open."""
    if c is None or c.settle is None:
        return ""
    role = c.settle.role
    strip = c.batch if role == "batch" else c.original
    which = f"the {role}'s strip" if strip is None else f"strip {strip}"
    return f"To settle it: {sentence(_SETTLE[c.settle.code].format(strip=which))}"


def rough_action(look: RoughLook) -> str:
    """What to do after a rough look: the card, always; of a difference that is sure, why it is."""
    c = look.comparison
    if c.verdict != "no match":
        return to_settle(c)
    return (
        "No tone curve or saturation of a phone explains it: at least Delta E "
        f"{number(look.least_de00)} is left. To hear what to add, {_SETTLE['use-card']}."
    )


def other_lamps(judgement: Judgement, *, full: bool) -> str:
    """How the two look under other lamps, by the spectra that were measured of both: lamps under
    which a match here is none, or (``full``) every lamp."""
    c = judgement.comparison
    if c is None or not judgement.lamps:
        return ""
    from calibration.colour.illuminants import HERE, LAMPS  # heavy, for lists

    worse = [lamp for lamp in judgement.lamps if c.de00 <= c.tolerance < lamp.de00]
    asked = [lamp for lamp in judgement.lamps if lamp.lamp not in LAMPS]
    shown = [lamp for lamp in judgement.lamps if full or lamp in worse or lamp in asked]
    told = [
        f"{lamp.lamp} {number(lamp.de00)} (95 % below {number(lamp.de00_high95)})"
        for lamp in shown
        if lamp.lamp != HERE
    ]
    if not told:
        return ""
    start = "It matches here, and not under another lamp: " if worse else ""
    return f"{start}Delta E by the measured spectra under {', '.join(told)}."


def interval(c: Comparison) -> str:
    return f"{number(c.de00_low95, 2)} to {number(c.de00_high95, 2)}"


def distance(c: Comparison) -> tuple[str, str, str]:
    """How far apart the two are, how sure that is, and how far they may be."""
    return (
        f"Delta E 2000  {number(c.de00, 2)}",
        f"95 % interval {interval(c)}",
        f"tolerance {number(c.tolerance)}",
    )


def chance(c: Comparison) -> str:
    return f"Chance that it is within tolerance: {percent(c.p_within)}."


def differs(c: Comparison) -> str:
    """How the batch differs: "a little lighter, clearly greener"."""
    from drawdown.wording.difference import difference_words

    return difference_words(c.lab_original_d50, c.lab_batch_d50, c.d_lab_cov)


def along_lch(c: Comparison) -> str:
    """Lightness, chroma and hue of the difference, each with its 95 % half width."""
    u95 = c.lch_u95
    parts = zip(("Lightness", "chroma", "hue"), c.lch, (u95.dL, u95.dC, u95.dH), strict=True)
    said = [f"{name} {signed(value)} ± {number(half)}" for name, value, half in parts]
    return f"{', '.join(said)} (batch minus original)."
