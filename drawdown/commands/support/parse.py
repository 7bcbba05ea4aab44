"""What is typed, as values: amounts, ranges, choices, corners. All raise ``WrongUsage``."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from calibration.errors import WrongUsage
from drawdown.ink.mix_notation import Amounts, number_of, read_amounts
from drawdown.pipeline.options import (
    CORNERS_EXAMPLE,
    CORNERS_WHY,
    RIGHTMOST,
    Corners,
    check_corners,
    check_strip_numbers,
    check_strips,
)

if TYPE_CHECKING:
    from drawdown.printing.quantity import Range

MOST_PRINTS = 100_000
_MOST_AMOUNT = 10_000  # of grams, per cent or g/m2
_NUMBER = r"[-+]?\d{1,7}(?:\.\d*)?"
_SIDES = {"left": 1, "right": RIGHTMOST}
_POINT = re.compile(rf"({_NUMBER})\s*,\s*({_NUMBER})")


def read_corners(text: str) -> Corners:
    """``"x,y x,y x,y x,y"`` as points; raises ``WrongUsage``."""
    points = tuple((float(x), float(y)) for x, y in _POINT.findall(text))
    if _POINT.sub("", text).strip(" ;\t\n") or not points:
        raise WrongUsage(
            f'`card_corners` "{text}" is not four points x,y', CORNERS_WHY, CORNERS_EXAMPLE
        )
    check_corners(points)
    return points


def read_all_corners(texts: list[str], photos: int = 1) -> tuple[Corners, ...]:
    """The corners of the card in each photo, in the photos' order."""
    if len(texts) > photos:
        raise WrongUsage(
            f"--card-corners is given {len(texts)} times",
            "each time it places the card in one photo, in their order",
            "give all four corners in one pair of quotes",
        )
    return tuple(read_corners(text) for text in texts)


def read_mix(texts: list[str] | None, parameter: str = "mix") -> Amounts | None:
    """``["white 97, PB15:3 3"]`` as amounts; None when nothing was said."""
    return read_amounts(", ".join(texts), parameter) if texts else None


def read_parts(texts: list[str] | None) -> dict[str, float] | None:
    """The amounts alone, where only their shares count."""
    mix = read_mix(texts)
    return None if mix is None else mix.amounts


def read_number(text: str | float) -> float:
    """``12,5 g`` as a number; a default is one already. Raises ``ValueError``: the parser says for
    which option."""
    return number_of(text) if isinstance(text, str) else text


def read_strips(texts: list[str] | None) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """How strips are named, as their numbers (``RIGHTMOST`` for "right") and their places by
    hand: 1, 2, ... in order when places are given."""
    numbers: list[int] = []
    places: list[str] = []
    for text in texts or []:
        word = text.strip().lower()
        if word in _SIDES or re.fullmatch(r"[-+]?\d{1,9}", word):
            numbers.append(_SIDES.get(word) or int(word))
            check_strip_numbers(strips=numbers[-1] if word in _SIDES else max(numbers[-1], 0))
        elif "," in word:
            places.append(text)
        else:
            raise WrongUsage(
                f'--strip "{text}" names no strip',
                "strips are counted from left to right with the card upright",
                "write a number as in --strip 2, or --strip left, or --strip right",
            )
    if numbers and places:
        raise WrongUsage(
            f"--strip is given as {texts[0] if texts else ''} and as {(texts or [''])[-1]}",
            "when a strip is placed by hand, no others are looked for and counted",
            "name all of them by number, or place all of them",
        )
    checked = check_strips(places)
    return tuple(numbers) or tuple(range(1, len(checked) + 1)), checked


def read_choice(option: str, value: str, allowed: tuple[str, ...]) -> str:
    """The option's value in small letters; ``WrongUsage`` unless it is one of its own."""
    if value.lower() not in allowed:
        raise WrongUsage(
            f'{option} is "{value}", which is unknown',
            "it can only be one of: " + ", ".join(allowed),
            f"write, for instance: {option} {allowed[0]}",
        )
    return value.lower()


def read_range(option: str, text: str | None) -> Range | None:
    """``6`` or ``4-9`` as a range; None when not given."""
    if text is None:
        return None
    from drawdown.printing.quantity import OWN_FIGURE, Range, about, between

    try:
        numbers = [float(part.replace(",", ".")) for part in text.removesuffix("%").split("-")]
    except ValueError:
        numbers = [math.nan]
    zero_is_fine = option != "--film-weight"
    if zero_is_fine and numbers == [0.0]:
        return Range(0.0, 0.0, 0.0)
    ends = numbers[0], numbers[-1]
    if len(numbers) > 2 or not (0 < ends[0] <= ends[1] < _MOST_AMOUNT):
        raise WrongUsage(
            f'{option} "{text}" is not an amount or a range of two',
            f"it goes into the weight of ink as a number above 0 and below {_MOST_AMOUNT:g}"
            + (", or 0 for none" if zero_is_fine else ""),
            f"write for example {option} 6 or {option} 4-9",
        )
    return about(numbers[0], OWN_FIGURE) if len(numbers) == 1 else between(*ends)


def read_used(text: str | None) -> tuple[float, int] | None:
    """``18/20`` as (grams, prints); None when not given."""
    if text is None:
        return None
    grams, _, count = text.partition("/")
    try:
        pair = float(grams.replace(",", ".")), int(count)
    except ValueError:
        pair = (math.nan, 0)
    if not (0 < pair[0] < 1e6 and 1 <= pair[1] <= MOST_PRINTS):
        raise WrongUsage(
            f'--used "{text}" is not grams and prints',
            "it says how much ink went for how many prints",
            "weigh the ink before and after, and write for example --used 18/20",
        )
    return pair
