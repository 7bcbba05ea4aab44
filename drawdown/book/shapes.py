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


def text(most: int, least: int = 0) -> Check:
    """One line of text as the book keeps it."""

    def check(value: Any, where: str) -> str:
        if not isinstance(value, str):
            raise Wrong(where, f"{_shown(value)}, not a text")
        plain = all(c.isprintable() for c in value) and value == " ".join(value.split())
        if not least <= len(value) <= most or not plain:
            raise Wrong(where, f"{_shown(value)}, which is not plain text of {least} to {most} "
                        "letters")  # fmt: skip
        return value

    return check


def loose(most: int) -> Check:
    """Text that the program wrote itself: any spaces, but no line ends or hidden signs."""

    def check(value: Any, where: str) -> str:
        good = isinstance(value, str) and len(value) <= most
        if not good or not all(c.isprintable() or unicodedata.category(c) == "Zs" for c in value):
            raise Wrong(where, f"{_shown(value)}, which is not plain text of up to {most} letters")
        return value

    return check


def choice(*allowed: Any) -> Check:
    def check(value: Any, where: str) -> Any:
        if not any(value is one or (isinstance(value, str) and value == one) for one in allowed):
            raise Wrong(where, f"{_shown(value)}, which is unknown there")
        return value

    return check


def number(low: float, high: float) -> Check:
    def check(value: Any, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Wrong(where, f"{_shown(value)}, not a number")
        if not low <= value <= high:
            raise Wrong(where, f"is {value:g}, and can only be from {low:g} to {high:g}")
        return float(value)

    return check


def whole(low: int, high: int) -> Check:
    def check(value: Any, where: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Wrong(where, f"{_shown(value)}, not a whole number from {low} to {high}")
        return value

    return check


def boolean(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise Wrong(where, f"{_shown(value)}, neither true nor false")
    return value


def day(value: Any, where: str) -> str:
    try:
        if isinstance(value, str) and len(value) == 10 and value.isascii():
            return Day.fromisoformat(value).isoformat()
    except ValueError:
        pass
    raise Wrong(where, f"{_shown(value)}, not a day such as 2030-12-31")


def moment(value: Any, where: str) -> str:
    try:
        if isinstance(value, str) and value.isascii():
            datetime.strptime(value, "%Y-%m-%dT%H:%M:%SZ")
            return value
    except ValueError:
        pass
    raise Wrong(where, f"{_shown(value)}, not a time such as 2030-12-31T12:00:00Z")


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
    def check(value: Any, where: str) -> list:
        if not isinstance(value, list) or len(value) != 2:
            raise Wrong(where, f"{_shown(value)}, not a pair")
        return [first(value[0], f"{where}[0]"), second(value[1], f"{where}[1]")]

    return check


def record(fields: dict[str, Check], newer: Collection[str] = ()) -> Check:
    """An object with exactly these keys: a key that nobody knows would be lost in silence.
    Only a file of today has the ``newer`` ones; an older file's are null."""

    def check(value: Any, where: str) -> Data:
        if not isinstance(value, dict):
            raise Wrong(where, f"{_shown(value)}, not a group of entries")
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


def fitting(pattern: str, what: str) -> Check:
    def check(value: Any, where: str) -> str:
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            raise Wrong(where, f"{_shown(value)}, not {what}")
        return value

    return check


sha256 = fitting("[0-9a-f]{64}", "a SHA-256")
ending = fitting(r"(\.[a-z0-9]{1,5})?", "the ending of a file")
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
