"""What a single value of the book may be: as people type it, and as a shared file brings it.

A check takes a value and the place where it stands, and gives the value back as plain data of
the right type or raises ``Wrong``, which names the place and what stands there.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
import struct
import unicodedata
from collections.abc import Callable, Collection
from datetime import date as Day
from datetime import datetime
from typing import Any

from calibration.errors import WrongUsage

Check = Callable[[Any, str], Any]
Data = dict[str, Any]
MOST_LETTERS = 200
MOST_RECORDS = 1_000_000
MOST_SAMPLES = 4096
WHOLE = "the whole"  # the place of the manifest itself
_DEEPEST, _MOST_ADVISED = 12, 5000

# What people type ------------------------------------------------------------------------


def name_key(name: str) -> str:
    """A name as compared: capitals and runs of spaces do not count."""
    return " ".join(name.casefold().split())


def clean_name(text: str, what: str = "`name`") -> str:
    """A name as kept: one line, no needless spaces. Raises ``WrongUsage`` for none."""
    name = " ".join(text.split())
    if not name or not all(c.isprintable() for c in name) or len(name) > MOST_LETTERS:
        raise WrongUsage(
            f"{what} {text[:40]!r} is not a name",
            f"a name has between 1 and {MOST_LETTERS} letters, signs or spaces, on one line",
            "give a name by which anyone in the studio will know it",
        )
    return name


def clean_text(text: str | None, what: str) -> str:
    """A remark as kept; may be empty. Raises ``WrongUsage`` for one that is too long or that
    holds signs which are no text."""
    kept = " ".join((text or "").split())
    if len(kept) > 10 * MOST_LETTERS or not all(c.isprintable() for c in kept):
        raise WrongUsage(
            f"{what} is too long or holds signs that are no text",
            f"a remark has at most {10 * MOST_LETTERS} letters",
            "write it shorter, in plain text",
        )
    return kept


def clean_date(text: str | None, what: str = "`date`") -> str:
    """A day as YYYY-MM-DD; today when none is given. Raises ``WrongUsage``."""
    if text is None:
        return Day.today().isoformat()
    try:
        day = Day.fromisoformat(text.strip())
        if len(text.strip()) != 10:
            raise ValueError
    except ValueError:
        raise WrongUsage(
            f"{what} {text} is not a day of the calendar",
            "the book puts things in order by their day",
            "write year, month and day, as in 2030-12-31",
        ) from None
    return day.isoformat()


def clean_grams(grams: float | None, what: str = "`grams`") -> float | None:
    """A weight above 0, or None. Raises ``WrongUsage``."""
    if grams is not None and not (0 < grams < 1e7 and math.isfinite(grams)):
        raise WrongUsage(
            f"{what} is {grams:g}, and must be a weight above 0",
            "the book adds up what is there in grams",
            "weigh the ink minus its tin or paper, and give the grams",
        )
    return grams


# What a shared file brings ---------------------------------------------------------------


class Wrong(Exception):
    """A value that does not belong where it stands."""

    def __init__(self, where: str, seen: str) -> None:
        super().__init__(f"{where} {seen}")


def _shown(value: Any) -> str:
    if isinstance(value, (dict, list)):
        return "is a list" if isinstance(value, list) else "is a group of entries"
    if value is None or isinstance(value, bool):
        return f"is {str(value).lower().replace('none', 'null')}"
    return f"is {str(value)[:60]!r}"


def _that(holds: Callable[[Any], Any], otherwise: str) -> Check:
    """A check of one thing; the value stays as it is."""

    def check(value: Any, where: str) -> Any:
        try:
            if holds(value):
                return value
        except (ValueError, TypeError, AttributeError):  # of another kind altogether
            pass
        raise Wrong(where, f"{_shown(value)}, {otherwise}")

    return check


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def text(most: int, least: int = 0) -> Check:
    """One line of text as the book keeps it."""
    any_text = _that(lambda value: isinstance(value, str), "not a text")
    plain = _that(
        lambda value: least <= len(value) <= most and all(c.isprintable() for c in value)
        and value == " ".join(value.split()),
        f"which is not plain text of {least} to {most} letters",
    )  # fmt: skip
    return lambda value, where: plain(any_text(value, where), where)


def loose(most: int) -> Check:
    """Text that the program wrote itself: any spaces, but no line ends or hidden signs."""
    return _that(
        lambda value: isinstance(value, str) and len(value) <= most
        and all(c.isprintable() or unicodedata.category(c) == "Zs" for c in value),
        f"which is not plain text of up to {most} letters",
    )  # fmt: skip


def choice(*allowed: Any) -> Check:
    return _that(
        lambda value: any(value is one or (isinstance(value, str) and value == one)
                          for one in allowed),
        "which is unknown there",
    )  # fmt: skip


def number(low: float, high: float) -> Check:
    a_number = _that(lambda v: isinstance(v, float) or _is_whole(v), "not a number")

    def check(value: Any, where: str) -> float:
        if not low <= a_number(value, where) <= high:
            raise Wrong(where, f"is {value:g}, and can only be from {low:g} to {high:g}")
        return float(value)

    return check


def whole(low: int, high: int) -> Check:
    return _that(
        lambda v: _is_whole(v) and low <= v <= high, f"not a whole number from {low} to {high}"
    )


def fitting(pattern: str, what: str) -> Check:
    return _that(lambda value: re.fullmatch(pattern, value), f"not {what}")


boolean = _that(lambda value: isinstance(value, bool), "neither true nor false")
day = _that(
    lambda value: value.isascii() and Day.fromisoformat(value).isoformat() == value,
    "not a day such as 2030-12-31",
)
moment = _that(
    lambda value: value.isascii() and datetime.strptime(value, "%Y-%m-%dT%H:%M:%SZ"),
    "not a time such as 2030-12-31T12:00:00Z",
)
sha256 = fitting("[0-9a-f]{64}", "a SHA-256")
ending = fitting(r"(\.[a-z0-9]{1,5})?", "the ending of a file")


def maybe(check: Check) -> Check:
    return lambda value, where: None if value is None else check(value, where)


def many(check: Check, most: int = MOST_RECORDS, least: int = 0) -> Check:
    def check_list(value: Any, where: str) -> list:
        if not isinstance(value, list) or not least <= len(value) <= most:
            seen = f"holds {len(value)} entries" if isinstance(value, list) else _shown(value)
            raise Wrong(where, f"{seen}, not a list of {least} to {most}")
        return [check(one, f"{where}[{i}]") for i, one in enumerate(value)]

    return check_list


def pair(first: Check, second: Check) -> Check:
    two = _that(lambda value: isinstance(value, list) and len(value) == 2, "not a pair")

    def check(value: Any, where: str) -> list:
        one, other = two(value, where)
        return [first(one, f"{where}[0]"), second(other, f"{where}[1]")]

    return check


_group = _that(lambda value: isinstance(value, dict), "not a group of entries")


def record(fields: dict[str, Check], newer: Collection[str] = ()) -> Check:
    """An object with exactly these keys: a key that nobody knows would be lost in silence.
    Only a file of today has the ``newer`` ones; an older file's are null."""

    def check(value: Any, where: str) -> Data:
        _group(value, where)
        missing = [name for name in fields if name not in value and name not in newer]
        if missing:
            raise Wrong(where, f"lacks {missing[0]}")
        strange = [name for name in value if name not in fields]
        if strange:
            raise Wrong(where, f"holds {strange[0][:40]!r}, which this version of the format does "
                        "not have")  # fmt: skip
        start = "" if where == WHOLE else f"{where}."
        return {
            name: one(value[name], start + name) if name in value else None
            for name, one in fields.items()
        }

    return check


def spread(value: Any, where: str) -> str:
    """Base64 of little-endian float32 (m, 3), every one within bounds."""
    try:
        data = base64.b64decode(value, validate=True) if isinstance(value, str) else b""
    except (binascii.Error, ValueError):
        data = b""
    if not data or len(data) % 12 or len(data) > 12 * MOST_SAMPLES:
        raise Wrong(where, f"{_shown(value)[:40]}, not the spread of a colour (base64)")
    numbers = struct.unpack(f"<{len(data) // 4}f", data)
    if not all(abs(v) < 1000 for v in numbers):  # false for NaN, too
        raise Wrong(where, "holds a number that no colour can have")
    return value


_PARTS = many(
    record({
        "ink": text(MOST_LETTERS, 1), "parts": number(0, 1e12), "ink_batch": text(MOST_LETTERS)
    }), 200,
)  # fmt: skip


def mix(value: Any, where: str) -> list:
    """A trace of an ink may have been rounded to nought; a whole mix may not."""
    parts = _PARTS(value, where)
    if parts and not sum(part["parts"] for part in parts):
        raise Wrong(where, "adds up to nothing")
    return parts


def advised(value: Any, where: str) -> Data:
    """The advice as ``match`` gave it: JSON of modest size whose first step can be shown."""
    if not isinstance(value, dict):
        raise Wrong(where, f"{_shown(value)}, not an advice")
    _modest(value, where, [0], 0)
    first = value.get("add_first")
    if first is not None:
        many(_step, 100)(first, f"{where}.add_first")
    return value


def _step(value: Any, where: str) -> Any:
    if not isinstance(value, dict):
        raise Wrong(where, f"{_shown(value)}, not an ink and its parts")
    text(MOST_LETTERS, 1)(value.get("ink"), f"{where}.ink")
    number(0, 1e6)(value.get("parts_per_100"), f"{where}.parts_per_100")
    return value


def _modest(value: Any, where: str, count: list[int], depth: int) -> None:
    count[0] += 1
    if depth > _DEEPEST or count[0] > _MOST_ADVISED:
        raise Wrong(where, "is larger or deeper than any advice")
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for one in inside:
        _modest(one, where, count, depth + 1)
    if isinstance(value, str) and len(value) > 4000:
        raise Wrong(where, "holds a text longer than any advice")
