"""The frame of every JSON answer, for other programs: its schema, numbers as they may stand
there, and what is known of a photo that could not be judged. Unknown is null, never left out."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from calibration.errors import PhotoUnfit
from calibration.signs import escaped

# An innermost list of numbers. Inside a string a line break is always escaped, so no text
# can look like this.
_NUMBERS = re.compile(r"\[\n\s+(?:-?\d[\d.e+-]*|null)(?:,\n\s+(?:-?\d[\d.e+-]*|null))*\n\s+\]")
# What else each answer holds, as far as it is known of a photo that could not be judged.
_UNKNOWN: dict[str, dict[str, Any]] = {
    "match": {
        "comparison": None,
        "advice": None,
        "notes": [],
        "original_photo": None,
        "kept": None,
        "photos": [],
    },
    "opacity": {"definition": None},
    "value": {"plan": None, "notes": [], "cautions": []},
    "overprint": {"layers": None, "wet": None, "pairs": None, "cautions": []},
}


def document(schema: str, data: Mapping[str, Any]) -> str:
    """JSON text of ``drawdown.SCHEMA/1``."""
    return dump({"schema": f"drawdown.{schema}/1", **data})


def dump(data: Mapping[str, Any]) -> str:
    """JSON text: no NaN, rows of numbers on one line each."""
    text = json.dumps(data, indent=2, ensure_ascii=True, allow_nan=False)
    # Colours and corners on one line each, for the people who read it too.
    return _NUMBERS.sub(
        lambda found: " ".join(found[0].split()).replace("[ ", "[").replace(" ]", "]"), text
    )


def document_as_typed(schema: str, data: Mapping[str, Any]) -> str:
    """The same for what holds names that people gave: their letters are kept as they are."""
    whole = {"schema": f"drawdown.{schema}/1", **data}
    return escaped(json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False))


def rounded(value: float | None, decimals: int) -> float | None:
    """A plain finite float, or None; never -0.0."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals) + 0.0


def numbers(values: Iterable[float] | None, decimals: int = 2) -> list[float | None] | None:
    """A colour, a corner, an interval; None where it is not known."""
    return None if values is None else [rounded(value, decimals) for value in values]


def fields(record: object, decimals: int | None, *names: str, **renamed: str) -> dict[str, Any]:
    """What a record says, by its names and then by others (key="name"): numbers rounded (None: as
    they stand), rows of numbers too, a value with the ends of its interval; what is unknown or
    empty is null."""
    keys = {**dict(zip(names, names, strict=True)), **renamed}
    return {key: plain(getattr(record, name), decimals) for key, name in keys.items()}


def plain(value: Any, decimals: int | None) -> Any:
    """A number, a row of them, a value with its interval or a word, as it may stand here."""
    if value is None or decimals is None or isinstance(value, str | int):
        return None if value == "" else value
    if isinstance(value, float):
        return rounded(value, decimals)
    if hasattr(value, "high95"):
        return fields(value, decimals, "value", "low95", "high95")
    return numbers(value, decimals)


def mix_data(mix: Mapping[str, float]) -> list[dict[str, Any]]:
    """A mix in parts per 100, as every command gives it."""
    return amounts(mix.items(), "parts_per_100")


def amounts(pairs: Iterable[tuple[str, float]], unit: str) -> list[dict[str, Any]]:
    return [{"ink": ink, unit: rounded(amount, 3)} for ink, amount in pairs]


def unfit_json(command: str, path: Path, error: PhotoUnfit) -> str:
    """JSON text for a photo that could not be judged at all: as much as is known."""
    photo: dict[str, Any] = {
        "path": str(path),
        "width_px": None,
        "height_px": None,
        "profile": None,
        "flags": [],
        "metadata": None,
    }
    data: dict[str, Any] = {"photo": photo, "card": None, "strips": []}
    data |= _UNKNOWN.get(command, {})
    if command == "overprint":  # there the photo is one part of the answer
        data["photo"] |= {"strips": data.pop("strips"), "crossing": None, "predictions": []}
        del data["card"]
    return document(command, data | {"notes": [error.paragraph()]})
