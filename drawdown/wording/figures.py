"""Words and numbers that the terminal and the picture share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.errors import sentence as sentence  # for the reports
from calibration.flags import Flag
from drawdown.wording.weights import grams  # for the reports

if TYPE_CHECKING:
    from drawdown.matching.advise import Advice
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading


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
        "=", ("MATCH",), "The batch matches the kept original.", "1;97;42", (22, 105, 70)
    ),
    "no match": Headline(
        "≠", ("NO MATCH",), "The batch does not match the kept original.", "1;97;41", (158, 42, 32)
    ),
    "too close to call": Headline(
        "?",
        ("TOO CLOSE", "TO CALL"),
        "This photo cannot settle whether the batch matches.",
        "1;97;44",
        (38, 70, 130),
    ),
    None: Headline("×", ("NO VERDICT",), "This photo cannot be judged.", "1;97;100", (70, 70, 70)),
}

UNCERTAINTY = (
    "± is half the width of the interval that holds the strip's own colour with 95 % "
    "probability: card, correction, light, noise and evenness together. What both strips "
    "share cancels in Delta E, so it is known better than either colour."
)


def headline(judgement: Judgement) -> Headline:
    """The headline of a judgement; no comparison means no verdict."""
    return HEADLINES[judgement.comparison.verdict if judgement.comparison else None]


def number(value: float | None, decimals: int = 1) -> str:
    """A number for people; unknown and not-a-number are said so."""
    if value is None or value != value or value in (float("inf"), float("-inf")):
        return "unknown"
    text = f"{float(value):.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def munsell(strip: StripReading) -> str:
    """Munsell value with its 95 % half width."""
    from drawdown.reading.budget import munsell_u95

    half = munsell_u95(float(strip.lab_d50[0]), float(strip.lab_u95[0]))
    return f"{number(strip.munsell_value)} ± {number(half)}"


def evenness(strip: StripReading) -> str:
    """Evenness with its 95 % half width, where it is known."""
    half = getattr(strip, "evenness_u95", None)
    if half is None:  # a number that nobody can weigh says nothing
        return "not known"
    return f"{number(strip.evenness_de00, 2)} ± {number(half, 2)}"


def percent(share: float) -> str:
    """A probability for people: never a flat 0 or 100 %."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def count(number: int, thing: str) -> str:
    """ "1 strip", "2 strips"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def parts(value: float) -> str:
    """Parts of ink per 100 parts, as far as they can be weighed."""
    return number(value, 0 if value >= 10 else 1 if value >= 1 else 2)


def first_step(advice: Advice) -> str:
    """What to stir in before looking again."""
    weights = dict(advice.grams_first or ())
    steps = [
        f"{parts(amount)} parts of {ink}"
        + (f" ({weight(advice, ink, weights[ink])})" if ink in weights else "")
        for ink, amount in advice.add_first
    ]
    of_it = "" if weights else " per 100 of the batch"
    return f"stir in {' and '.join(steps)}{of_it}{expected(advice)}."


def weight(advice: Advice, ink: str, value: float) -> str:
    """Grams of an ink as the scale shows them, or that it shows too little."""
    # What is below a gram is rounded to the scale's step already.
    shown = grams(value) if value >= 1 else f"{value:g} g"
    return f"a knife tip, {shown}" if ink in advice.knife_tips else shown


def expected(advice: Advice) -> str:
    """The interval for the distance after the first part."""
    if advice.first_de00_95 is None:
        return ""
    low, high = (number(v) for v in advice.first_de00_95)
    return f"; Delta E should then lie between {low} and {high} (95 %)"


LOOK_AGAIN = "Then pull a strip, let it dry and take a new photo: nothing can be taken out again."


def take_out(advice: Advice) -> str:
    """That only a portion is to be corrected; the same words as in the note."""
    stays = round(100 * advice.portion)
    return (
        f"Take out {100 - stays} % of the batch and put it by; add only to the {stays} % that "
        "stay, or the whole would grow beyond use."
    )


def general_flags(judgement: Judgement) -> list[Flag]:
    """Remarks about the photo, the card and the comparison, hard ones first, each once."""
    found: list[Flag] = [
        *judgement.flags,
        *judgement.photo.flags,
        *judgement.view.flags,
        *judgement.correction.flags,
        *(judgement.comparison.flags if judgement.comparison else ()),
        *(judgement.advice.flags if judgement.advice else ()),
    ]
    on_strips = {flag for strip in judgement.strips for flag in strip_flags(strip)}
    return once(flag for flag in found if flag not in on_strips)


def compared(judgement: Judgement) -> tuple[tuple[str, StripReading], ...]:
    """The original and the batch, with their role and place in words."""
    c = judgement.comparison
    if c is None:
        return ()
    earlier = getattr(judgement, "earlier", None)
    pair = []
    for role, number, where in (
        ("original", c.original, earlier or judgement),
        ("batch", c.batch, judgement),
    ):
        kept = getattr(judgement, "kept", None)
        if role == "original" and kept is not None and kept.apart:
            pair.append((f'original ("{kept.name}" in the book)', kept.colour))
            continue
        name = f"{role} (strip {number})"
        if where is not judgement:
            name = f"{role} (strip {number} of {where.photo.path.rpartition('/')[2]})"
        pair += [(name, strip) for strip in where.strips if strip.strip.number == number]
    return tuple(pair)


def concerned(judgement: Judgement) -> tuple[StripReading, ...]:
    """The strips that the answer rests on: the two compared, or all."""
    if judgement.comparison is None:
        return judgement.strips
    return tuple(strip for _, strip in compared(judgement))


def remarks_on(
    judgement: Judgement, flags_of: Callable[[StripReading], Iterable[Flag]] | None = None
) -> list[tuple[Flag, str]]:
    """Each flag, and in words which strip it is of ("" for the whole photo)."""
    found = [(flag, "") for flag in general_flags(judgement)]
    for strip in judgement.strips:
        flags = (flags_of or strip_flags)(strip)
        found += [(flag, f"Strip {strip.number}: ") for flag in flags]
    return found


def strip_flags(strip: StripReading) -> list[Flag]:
    """Remarks about one strip: how it lies and how it reads."""
    return once((*strip.strip.flags, *strip.flags))


def once(flags: Iterable[Flag]) -> list[Flag]:
    """Each remark once, hard ones first."""
    return sorted(dict.fromkeys(flags), key=lambda flag: not flag.hard)


def wait_for(judgement: Judgement) -> str:
    """What must be seen before the advice is followed; empty when it may be at once."""
    from drawdown.wording.film import film_first  # heavy, and lists of the book read this module

    c = judgement.comparison
    if c is None:
        return ""
    if film_first(c):
        return WAIT_FOR_FILM
    return WAIT if c.verdict == "too close to call" else ""


NOT_TO_BE_USED = "The numbers rest on what cannot be judged: do not use them."
WAIT = "Only if the next photo says no match:"
WAIT_FOR_FILM = "Only if the difference stays when both strips are pulled equally thick:"
GLOVES = "Gloves, fresh air, care with rags and solvents; the ink's safety data sheet comes first."
