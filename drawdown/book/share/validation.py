"""Hold the records of a shared book file to account, field by field, before any of them comes
near a book. Every complaint names the place in the manifest and what stands there.

What comes back is made of plain values of the right types alone, in the shape that
``bookfile.gather`` makes.
"""

from __future__ import annotations

import base64
import binascii
import re
import struct
import unicodedata
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

from drawdown.book.photos import MOST_BYTES
from drawdown.book.records import MOST_LETTERS, name_key
from drawdown.book.share.archive import AGAIN, Archive, bad
from drawdown.book.share.manifest import FORMAT, FORMAT_NAME, FORMAT_VERSION, BookFile, Data

Check = Callable[[Any, str], Any]
MOST_RECORDS = 1_000_000
MOST_SAMPLES = 4096
READINGS = ("reading", "original_reading", "beside")
_DEEPEST, _MOST_ADVISED = 12, 5000


class Wrong(Exception):
    """A value that does not belong where it stands."""

    def __init__(self, where: str, seen: str) -> None:
        super().__init__(f"{where} {seen}")


def check_manifest(archive: Archive, data: Any) -> BookFile:
    """The records, seen to be whole and to agree with each other. Raises ``BadFile``."""
    path = archive.path
    _check_format(path, data)
    try:
        file = _manifest(data)
        _check_references(file)
        _check_places(file)
        _check_photos(file, archive)
    except Wrong as wrong:
        raise bad(path, f"in its manifest {wrong}") from None
    return file


def _check_format(path: Path, data: Any) -> None:
    said = data.get("format") if isinstance(data, dict) else None
    match = re.fullmatch(rf"{re.escape(FORMAT_NAME)}/(\d{{1,6}})", said or "", re.ASCII) if (
        isinstance(said, str)) else None  # fmt: skip
    if match is None:
        raise bad(path, f"its manifest does not say that it is a {FORMAT_NAME}",
                  "give the file that drawdown book export wrote")  # fmt: skip
    if int(match[1]) > FORMAT_VERSION:
        raise bad(path, f"it is of version {int(match[1])} of the format, and this program knows "
                  f"versions up to {FORMAT_VERSION}", "use a newer drawdown")  # fmt: skip
    if said != FORMAT:
        raise bad(path, f"its version of the format, {match[1]}, never was", AGAIN)


def _manifest(data: Any) -> BookFile:
    whole = record(
        format=text(100), made_at=moment, readings=many(_READING), originals=many(_ORIGINAL),
        batches=many(_BATCH), packets=many(_PACKET), pulls=many(_PULL), photos=many(_PHOTO),
    )(data, "the whole")  # fmt: skip
    photos: dict[str, tuple[str, int]] = {}
    for i, photo in enumerate(whole["photos"]):
        if photo["sha256"] in photos:
            raise Wrong(f"photos[{i}]", "stands there twice")
        photos[photo["sha256"]] = (photo["ending"], photo["size_bytes"])
    return BookFile(
        whole["made_at"], whole["readings"], whole["originals"], whole["batches"],
        whole["packets"], whole["pulls"], photos,
    )  # fmt: skip


def _check_references(file: BookFile) -> None:
    ids: dict[str, set[int]] = {}
    for kind in ("originals", "batches", "packets"):
        taken: dict[str, int] = {}
        ids[kind] = set()
        for i, data in enumerate(getattr(file, kind)):
            key = name_key(data["name"])
            if data["removed"] is None:
                if key in taken:
                    raise Wrong(f"{kind}[{i}].name", f'"{data["name"]}" is there twice')
                taken[key] = i
            if "id" in data:
                if data["id"] in ids[kind]:
                    raise Wrong(f"{kind}[{i}].id", f"{data['id']} is there twice")
                ids[kind].add(data["id"])
    for kind in ("batches", "packets"):
        for i, data in enumerate(getattr(file, kind)):
            for name, target in (("original", "originals"), ("batch", "batches")):
                if data.get(name) is not None and data[name] not in ids[target]:
                    raise Wrong(f"{kind}[{i}].{name}", f"is {data[name]}, which is not in the file")
    numbers: set[tuple] = set()
    good: set[tuple] = set()
    for i, pull in enumerate(file.pulls):
        if pull["removed"] is not None:
            continue
        spot = (name_key(pull["edition"]), pull["spot"])
        if (*spot, pull["number"]) in numbers:
            raise Wrong(f"pulls[{i}].number", f"{pull['number']} is there twice in its edition")
        numbers.add((*spot, pull["number"]))
        if pull["good"] and spot in good:
            raise Wrong(f"pulls[{i}].good", "marks a second first good pull")
        if pull["good"]:
            good.add(spot)


def _check_places(file: BookFile) -> None:
    """Every reading that is named is in the file."""

    def check(data: Data, where: str) -> None:
        for name in READINGS:
            if data.get(name) is not None and data[name] >= len(file.readings):
                raise Wrong(f"{where}.{name}", f"is {data[name]}, which is not in the file")

    for kind in ("originals", "batches", "packets", "pulls"):
        for i, data in enumerate(getattr(file, kind)):
            check(data, f"{kind}[{i}]")
            for k, entry in enumerate(data.get("entries", ())):
                check(entry, f"{kind}[{i}].entries[{k}]")


def _check_photos(file: BookFile, archive: Archive) -> None:
    """Every photo that is named is there and listed, and the other way round."""
    for i, reading in enumerate(file.readings):
        for name in ("photo", "crop"):
            if reading[name] is not None and reading[name] not in file.photos:
                raise Wrong(f"readings[{i}].{name}", "is a photo that is not in the file")
    for sha, (ending, size) in file.photos.items():
        if sha not in archive.photos:
            raise Wrong(f"the photo {sha[:12]}...", "is listed and is not in the file")
        there, info = archive.photos[sha]
        if there != ending or info.file_size != size:
            raise Wrong(f"the photo {sha[:12]}...", "is listed with another size or ending")
    stray = archive.photos.keys() - file.photos.keys()
    if stray:
        raise Wrong(f"the photo {min(stray)[:12]}...", "is not listed, though it is in the file")


# Single values -----------------------------------------------------------------------------


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
            raise Wrong(where, f"{_shown(value)}, which is no plain text of {least} to {most} "
                        "letters")  # fmt: skip
        return value

    return check


def loose(most: int) -> Check:
    """Text that the program wrote itself: any spaces, but no line ends or hidden signs."""

    def check(value: Any, where: str) -> str:
        good = isinstance(value, str) and len(value) <= most
        if not good or not all(c.isprintable() or unicodedata.category(c) == "Zs" for c in value):
            raise Wrong(where, f"{_shown(value)}, which is no plain text of up to {most} letters")
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
            return date.fromisoformat(value).isoformat()
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
        name = "" if where == "the whole" else where
        return [check(one, f"{name}[{i}]") for i, one in enumerate(value)]

    return check_list


def pair(first: Check, second: Check) -> Check:
    def check(value: Any, where: str) -> list:
        if not isinstance(value, list) or len(value) != 2:
            raise Wrong(where, f"{_shown(value)}, not a pair")
        return [first(value[0], f"{where}[0]"), second(value[1], f"{where}[1]")]

    return check


def record(**fields: Check) -> Check:
    """An object with exactly these keys: a key that nobody knows would be lost in silence."""

    def check(value: Any, where: str) -> Data:
        if not isinstance(value, dict):
            raise Wrong(where, f"{_shown(value)}, not a group of entries")
        missing = [name for name in fields if name not in value]
        if missing:
            raise Wrong(where, f"lacks {missing[0]}")
        strange = [name for name in value if name not in fields]
        if strange:
            raise Wrong(where, f"holds {strange[0][:40]!r}, which this version of the format does "
                        "not have")  # fmt: skip
        start = "" if where == "the whole" else f"{where}."
        return {name: one(value[name], start + name) for name, one in fields.items()}

    return check


def samples(value: Any, where: str) -> str:
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


def sha256(value: Any, where: str) -> str:
    if not isinstance(value, str) or not re.fullmatch("[0-9a-f]{64}", value):
        raise Wrong(where, f"{_shown(value)}, not a SHA-256")
    return value


def ending(value: Any, where: str) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"(\.[a-z0-9]{1,5})?", value):
        raise Wrong(where, f"{_shown(value)}, not the ending of a file")
    return value


def advised(value: Any, where: str) -> Data:
    """The advice as ``match`` gave it: JSON of modest size whose first step can be told."""
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


# Records -----------------------------------------------------------------------------------

_NAME, _REMARK = text(MOST_LETTERS, 1), text(10 * MOST_LETTERS)
_ID = whole(1, 2**53)
_PARTS = many(record(ink=_NAME, parts=number(0, 1e12), ink_batch=text(MOST_LETTERS)), 200)


def _mix(value: Any, where: str) -> list:
    """A trace of an ink may have been rounded to nought; a whole mix may not."""
    parts = _PARTS(value, where)
    if parts and not sum(part["parts"] for part in parts):
        raise Wrong(where, "adds up to nothing")
    return parts


_PLACE = whole(0, MOST_RECORDS)
_GRAMS = maybe(number(0, 1e12))
_READING = record(
    lab_d50=many(number(-1000, 1000), 3, 3),
    lab_u95=many(maybe(number(0, 1000)), 3, 3),
    samples=maybe(samples),
    card=choice("nominal", "measured", None),
    shaded=boolean,
    evenness_de00=maybe(number(0, 1000)),
    light_sd=maybe(number(0, 1000)),
    munsell_value=maybe(number(-10, 20)),
    strip_number=maybe(whole(0, 10_000)),
    captured=maybe(loose(100)),
    read_at=moment,
    flags=many(pair(text(100), loose(4000)), 500),
    corners_px=many(many(number(-1e7, 1e7), 2, 2), 64),
    paper_lab_d50=maybe(many(number(-1000, 1000), 3, 3)),
    photo=maybe(sha256),
    crop=maybe(sha256),
)
_RECIPE = record(made_at=moment, mix=_mix, grams=_GRAMS, reason=_REMARK)
_ORIGINAL = record(
    id=_ID, name=_NAME, date=day, paper=_REMARK, state=choice("wet", "dry"), edition=_REMARK,
    note=_REMARK, removed=maybe(moment), reading=maybe(_PLACE), recipes=many(_RECIPE, 10_000),
)  # fmt: skip
_ENTRY = record(
    at=moment,
    kind=choice("read", "added"),
    de00=maybe(number(0, 1000)),
    de00_low95=maybe(number(0, 1000)),
    de00_high95=maybe(number(0, 1000)),
    tolerance=maybe(number(0, 1000)),
    p_within=maybe(number(0, 1)),
    verdict=maybe(choice("match", "no match", "too close to call")),
    words=maybe(loose(4000)),
    added_unit=choice("grams", "parts per 100", None),
    note=_REMARK,
    across_photos=maybe(boolean),
    advised=maybe(advised),
    added=maybe(many(pair(_NAME, number(-1e12, 1e12)), 200)),
    reading=maybe(_PLACE),
    original_reading=maybe(_PLACE),
)
_BATCH = record(
    id=_ID, name=_NAME, original=maybe(_ID), date=day, grams=_GRAMS, note=_REMARK,
    removed=maybe(moment), mix=_mix, entries=many(_ENTRY, 100_000),
)  # fmt: skip
_PACKET = record(
    name=_NAME, original=maybe(_ID), batch=maybe(_ID), grams=number(0, 1e12), date=day,
    place=_REMARK, note=_REMARK, removed=maybe(moment), mix=_mix, reading=maybe(_PLACE),
)  # fmt: skip
_PULL = record(
    edition=_NAME, number=whole(0, 10**9), date=day, spot=text(MOST_LETTERS), note=_REMARK,
    removed=maybe(moment), good=boolean, reading=_PLACE, beside=maybe(_PLACE),
)  # fmt: skip
_PHOTO = record(sha256=sha256, ending=ending, size_bytes=whole(1, MOST_BYTES))
