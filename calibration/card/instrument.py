"""Readings of a printed card by an instrument, from CSV or CGATS.17 text: CIELAB for D50 and 2
degrees, or XYZ with Y = 100 (ISO 13655). A CSV needs a heading line; decimal commas are
understood where the columns stand apart by semicolons or tabs.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np

from calibration.card.cgats import WHY, lab_of_percent, reference_lab_d50, some_of, text_of
from calibration.errors import BadFile
from calibration.files import read_bytes

_NAMES = ("patch", "name", "sample", "samplename", "sampleid", "id")
_LAB = (("labl", "laba", "labb"), ("l", "a", "b"))
_XYZ = (("xyzx", "xyzy", "xyzz"), ("x", "y", "z"))
_HEADING = "write a heading line such as: patch,L,a,b"


def is_table(path: str | Path) -> bool:
    """Whether a file holds plain text, so that it can be a table but no photo. False also for
    a file that cannot be opened: whoever reads it says why."""
    try:
        with open(path, "rb") as stream:
            start = stream.read(4096)
    except (OSError, ValueError):
        return False
    # Control characters other than tab and line ends do not occur in text. (A UTF-16 text
    # begins with its byte order mark.)
    return start[:2] in (b"\xff\xfe", b"\xfe\xff") or not re.search(
        rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]", start
    )


def read_readings(path: str | Path, names: tuple[str, ...]) -> np.ndarray:
    """(r, n, 3) Lab D50 of the named patches, NaN where a patch was read fewer than r times.

    Raises
    ------
    BadFile
        No such table, a patch without a value, a cell that is not a number, or values for
        another light or observer.
    """
    data = read_bytes(path, "a table of readings", 20_000_000)
    if re.search(rb"^\s*BEGIN_DATA\b", data, re.MULTILINE | re.IGNORECASE):
        return reference_lab_d50(path, names)[None]
    text = text_of(data, path, "save the table again as UTF-8 CSV")
    return _from_csv(text, str(path), names)


def _from_csv(text: str, where: str, names: tuple[str, ...]) -> np.ndarray:
    lines = [n for n in text.splitlines() if n.strip() and not n.lstrip().startswith("#")]
    if len(lines) < 2:
        raise BadFile(f"{where} holds no table of readings", WHY, _HEADING)
    mark = max(("\t", ";", ","), key=lines[0].count)
    try:
        rows = list(csv.reader(lines, delimiter=mark, skipinitialspace=True, strict=True))
    except csv.Error as error:
        raise BadFile(f"{where} is not a CSV table ({error})", WHY, _HEADING) from error
    heading = [re.sub(r"[\W_]", "", cell).lower() for cell in rows[0]]
    if not set(_NAMES) & set(heading):
        raise BadFile(f"{where} has no column with the patches' names", WHY, _HEADING)
    columns = next((c for c in (*_LAB, *_XYZ) if set(c) <= set(heading)), None)
    if columns is None:
        seen = ", ".join(rows[0])[:200]
        raise BadFile(f"{where} has no columns L, a, b or X, Y, Z (its columns: {seen})", WHY,
                      _HEADING)  # fmt: skip
    if any(heading.count(name) > 1 for name in columns):
        raise BadFile(f"{where} has a column twice", WHY, _HEADING)
    places = [heading.index(name) for name in columns]
    # Of several columns that could hold the names, the one that does.
    labels = max(
        (i for i, word in enumerate(heading) if word in _NAMES),
        key=lambda i: len({row[i].strip() for row in rows[1:] if i < len(row)} & set(names)),
    )
    read: dict[str, list[list[float]]] = {}
    for row in rows[1:]:
        if len(row) <= max(labels, *places):
            raise BadFile(f'{where} has too few values in the line "{mark.join(row)[:60]}"', WHY,
                          "give every line a value in every column")  # fmt: skip
        name = row[labels].strip()
        if name in names:
            read.setdefault(name, []).append([_number(row[i], name, where, mark) for i in places])
    missing = [name for name in names if name not in read]
    if missing:
        raise BadFile(
            f"{where} holds no values for {some_of(missing)}",
            WHY,
            "measure every patch, and name the lines as the patches are named in the definition",
        )
    values = np.full((max(map(len, read.values())), len(names), 3), np.nan)
    for i, name in enumerate(names):
        values[: len(read[name]), i] = read[name]
    return values if columns in _LAB else lab_of_percent(values, where)


def _number(text: str, name: str, where: str, mark: str) -> float:
    text = text.strip()
    if mark != "," and re.fullmatch(r"[-+]?\d+,\d+", text):
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise BadFile(f'{where} has "{text}" for patch {name}, which is not a number', WHY,
                      "correct that line")  # fmt: skip
    return value
