"""What is typed, as values: amounts, ranges, choices, days, corners. All raise ``WrongUsage``."""

from __future__ import annotations

import datetime
import math
import re
from typing import TYPE_CHECKING

from calibration.errors import WrongUsage
from drawdown.pipeline.options import CORNERS_EXAMPLE, CORNERS_WHY, Corners, check_corners

if TYPE_CHECKING:
    from drawdown.printing.quantity import Range

MOST_PRINTS = 100_000
_MOST_AMOUNT = 10_000  # of grams, per cent or g/m2
_NUMBER = r"[-+]?\d{1,7}(?:\.\d*)?"
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


def read_all_corners(texts: list[str], apart: bool = False) -> tuple[Corners, ...]:
    """The corners for the photo and, if the strips are in two, for the original's photo."""
    most = 2 if apart else 1
    if len(texts) > most:
        raise WrongUsage(
            f"--card-corners is given {len(texts)} times",
            "each time it places the card in one photo: first in PHOTO"
            + (", then in the one of --original-photo" if apart else ""),
            "give all four corners in one pair of quotes",
        )
    return tuple(read_corners(text) for text in texts)


def read_mix(pairs: list[str]) -> dict[str, float] | None:
    """``["PB15:3=2", "white=10"]`` -> parts by ink; None when none are given."""
    parts = read_amounts(
        "--mix",
        pairs,
        "an ink, an equals sign and its parts",
        "the parts say what the batch was mixed from",
        "write for example: --mix PB15:3=2 --mix PW6=10",
    )
    return parts or None


def read_amounts(option: str, pairs: list[str], what: str, why: str, todo: str) -> dict[str, float]:
    """INK=NUMBER pairs; raises ``WrongUsage``."""
    parts: dict[str, float] = {}
    for pair in pairs:
        ink, sign, amount = pair.rpartition("=")
        ink = ink.strip()
        try:
            number = float(amount)
        except ValueError:
            number = math.nan
        if not sign or not ink or not 1e-9 <= number <= 1e9:  # beyond that sums would overflow
            raise WrongUsage(f"{option} {pair} is not {what}", why, todo)
        if ink in parts:
            raise WrongUsage(
                f"{option} names {ink} twice",
                "it is not clear which of the two amounts is meant",
                "give each ink once, with all of it",
            )
        parts[ink] = number
    return parts


def read_choice(option: str, value: str, allowed: tuple[str, ...]) -> str:
    """The option's value in small letters; ``WrongUsage`` unless it is one of its own."""
    if value.lower() not in allowed:
        raise WrongUsage(
            f'{option} is "{value}", which is unknown',
            "only these can be drawn: " + ", ".join(allowed),
            f"write, for instance: {option} {allowed[0]}",
        )
    return value.lower()


def read_day(date: str | None) -> str:
    """A day as it is written in files; without one, today."""
    if date is None:
        return datetime.date.today().isoformat()
    try:
        return datetime.date.fromisoformat(date).isoformat()
    except ValueError as error:
        raise WrongUsage(f'--date is "{date}", which is no day', "the definition says when its "
                         "card was read", "write it as 2030-12-31") from error  # fmt: skip


def read_range(option: str, text: str | None) -> Range | None:
    """``6`` or ``4-9`` as a range; None when not given."""
    if text is None:
        return None
    from drawdown.printing.quantity import OWN_FIGURE, Range, about, between

    try:
        numbers = [float(part) for part in text.split("-")]
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
            f"write for example {option} 6 or {option} 4-9, with a point for decimals",
        )
    return about(numbers[0], OWN_FIGURE) if len(numbers) == 1 else between(*ends)


def read_used(text: str | None) -> tuple[float, int] | None:
    """``18/20`` as (grams, prints); None when not given."""
    if text is None:
        return None
    grams, _, count = text.partition("/")
    try:
        pair = float(grams), int(count)
    except ValueError:
        pair = (math.nan, 0)
    if not (0 < pair[0] < 1e6 and 1 <= pair[1] <= MOST_PRINTS):
        raise WrongUsage(
            f'--used "{text}" is not grams and prints',
            "it says how much ink went for how many prints",
            "weigh the ink before and after, and write for example --used 18/20",
        )
    return pair
