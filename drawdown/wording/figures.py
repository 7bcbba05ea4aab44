"""Numbers as every report writes them. Light to import: lists of the book read this."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from calibration.errors import sentence as sentence  # for the reports

if TYPE_CHECKING:
    from drawdown.reading.colour import Colour

LEAST_SHOWN_G = 0.005  # less would be written as 0.00
# Half widths of a single colour (L*, a* or b*, 95 %) beyond which it is no reading: of a card as
# drawn, and of any card. Ours: a printmaker sees a step of 5 at once.
KNOWN_U95_NOMINAL, KNOWN_U95 = 5.0, 15.0
NOT_KNOWN = "not known well enough {}: drawdown guide own-card"
UNCERTAINTY = (
    "± is half the width of the interval that holds the strip's own colour with 95 % "
    "probability: card, correction, light, noise and evenness together. What both strips "
    "share cancels in Delta E, so it is known better than either colour."
)

UNCERTAINTY_READ = (
    "± is half the width of the interval that holds the strip's own colour with 95 % "
    "probability: instrument, placing and evenness together. What is alike in both readings "
    "cancels in Delta E, so it is known better than either colour."
)
# What is said of photos -> the same of an instrument's readings.
_READ = (
    (r"\b([Tt])his photo can't\b", r"\1hese readings can't"), (r"\bphotograph\b", "read"),
    (r"\bshoot\b", "read"), (r"\b(a|the next|one|second) photo\b", r"\1 reading"),
    (r"\b([Tt])his photo\b", r"\1hese readings"), (r"\bearlier photos\b", "earlier readings"),
    (r"\bfrom thick to thin and add [^\s.,]+", "as thick as the original"),
)  # fmt: skip


def of_readings(text: str) -> str:
    """A sentence about photos as it is said of readings."""
    for photo, reading in _READ:
        text = re.sub(photo, reading, text)
    return text


def number(value: float | None, decimals: int = 1) -> str:
    """A number for people; unknown and not-a-number are said so."""
    if value is None or value != value or value in (float("inf"), float("-inf")):
        return "unknown"
    text = f"{float(value):.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def lab_parts(colour: Colour) -> list[str]:
    """L*, a*, b* with their 95 % half widths."""
    u95 = (None,) * 3 if colour.lab_u95 is None else colour.lab_u95
    pairs = zip(colour.lab_d50, u95, strict=True)
    return [f"{number(value)} ± {number(half_width)}" for value, half_width in pairs]


def lab_text(
    lab_d50: Iterable[float], u95: Iterable[float] | None = None, decimals: int = 1
) -> str:
    """A colour in one line, with its half widths where they are given."""
    halves = [""] * 3 if u95 is None else [f" ± {number(u, decimals)}" for u in u95]
    return ", ".join(
        f"{a}* {number(v, decimals)}{h}" for a, v, h in zip("Lab", lab_d50, halves, strict=True)
    )


def well_known(u95: Iterable[float] | None, nominal: bool) -> bool:
    """Whether a single colour may be shown as a reading."""
    return u95 is not None and max(u95) <= (KNOWN_U95_NOMINAL if nominal else KNOWN_U95)


def not_known(nominal: bool) -> str:
    """What stands in the place of one that may not."""
    return NOT_KNOWN.format("with an unmeasured card" if nominal else "from this photo")


def munsell(colour: Colour) -> str:
    """Value (ASTM D1535) with its 95 % half width."""
    half = None if colour.lab_u95 is None else colour.munsell_u95
    return f"{number(colour.munsell_value)} ± {number(half)}"


def evenness(colour: Colour) -> str:
    """Evenness with its 95 % half width, where it is known."""
    if colour.evenness_u95 is None:  # a number that nobody can weigh says nothing
        return "not known"
    return f"{number(colour.evenness_de00, 2)} ± {number(colour.evenness_u95, 2)}"


def percent(share: float) -> str:
    """A probability for people: never a flat 0 or 100 %."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def signed(value: float) -> str:
    """A difference with its sign."""
    text = number(value)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def count(number: int, thing: str, many: str = "") -> str:
    """ "1 strip", "2 strips"."""
    return f"{number} {thing if number == 1 else many or thing + 's'}"


def parts(value: float) -> str:
    """Parts of ink per 100 parts, as far as they can be weighed."""
    return number(value, 0 if value >= 10 else 1 if value >= 1 else 2)


def grams(value: float | None) -> str:
    """A weight as a scale shows it: 0.1 g steps, finer below 1 g, coarser from 1 kg up."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if value >= 100_000:
        return f"{value / 1000:,.0f} kg"
    if value >= 10_000:
        return f"{value / 1000:.1f} kg"
    if 0 < value < LEAST_SHOWN_G:
        return "under 0.01 g"
    return f"{value:.{0 if value >= 1000 else 1 if value >= 1 else 2}f} g"


def noted_grams(value: float | None) -> str:
    """A weight that somebody noted: the same without needless zeros; nothing where none is."""
    if value is None:
        return ""
    number, space, unit = grams(value).partition(" ")
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return number + space + unit
