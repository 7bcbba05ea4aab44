"""Tables of colour values as instruments write them: CGATS.17 text (ISO 28178), read and written,
and CSV, of CIELAB for D50 and 2 degrees or XYZ with Y = 100 (ISO 13655). A CSV needs a heading
line; decimal commas are understood where the columns stand apart by semicolons or tabs.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.colour.spaces import xyz_to_lab
from calibration.errors import BadFile
from calibration.files import read_bytes

_WHY = "one wrong reference value spoils every colour read with the card"
_EXPORT = "export the table again as CGATS.17 text"
_TOKEN = re.compile(r'"((?:[^"]|"")*)"(?=\s|#|$)|([^\s"#][^\s]*)|(#.*)|(\s+)|(.)')
LAB = ("LAB_L", "LAB_A", "LAB_B")
XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")


@dataclass(frozen=True)
class CgatsTable:
    """One table: ``columns`` maps each field name (upper case) to its values as text;
    ``keywords`` are the (name, value) pairs that stand before it, in order."""

    columns: dict[str, tuple[str, ...]]
    keywords: tuple[tuple[str, str], ...]

    def numbers(self, *names: str) -> np.ndarray:
        """(n, len(names)) float array of some columns; raise ``BadFile`` for a cell that
        is not a finite number."""
        table = np.empty((len(self.columns[names[0]]), len(names)))
        for j, name in enumerate(names):
            for i, text in enumerate(self.columns[name]):
                table[i, j] = _number(text, name, i + 1)
        return table


def _number(text: str, name: str, row: int) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        comma = "; write a point, not a comma" if re.fullmatch(r"-?\d+,\d+", text) else ""
        raise BadFile(f'{name} in data line {row} is "{text}", which is not a number{comma}',
                      _WHY, _EXPORT)  # fmt: skip
    return value


def read_cgats(path: str | Path) -> tuple[CgatsTable, ...]:
    """The tables of a CGATS.17 text file; raise ``BadFile`` when it is not one."""
    data = read_bytes(path, "a CGATS.17 table", 20_000_000)
    return parse_cgats(_text_of(data, path, _EXPORT), str(path))


def _text_of(data: bytes, path: str | Path, todo: str) -> str:
    """A table's text; raise ``BadFile`` for what is none."""
    if b"\0" in data:
        raise BadFile(f"{path} is not plain text", _WHY, todo)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # older programs write names in it; numbers are ASCII


def parse_cgats(text: str, where: str = "CGATS table") -> tuple[CgatsTable, ...]:
    """The tables of a CGATS.17 text; raise ``BadFile`` that names the line."""
    tables: list[CgatsTable] = []
    keywords: list[tuple[str, str]] = []
    fields: list[str] = []
    rows: list[list[str]] = []
    state = "head"
    for number, tokens in _lines(text, where):
        word = tokens[0].upper()
        if state == "head":
            if word == "BEGIN_DATA_FORMAT":
                state, fields, tokens = "format", [], tokens[1:]
            elif word == "BEGIN_DATA":
                if not fields:
                    raise BadFile(f"{where}, line {number}: BEGIN_DATA comes before the column "
                                  "names (BEGIN_DATA_FORMAT)", _WHY, _EXPORT)  # fmt: skip
                state, rows = "data", []
            elif word.startswith("END_DATA"):
                raise BadFile(f"{where}, line {number}: {word} without its beginning", _WHY,
                              _EXPORT)  # fmt: skip
            else:
                keywords.append((word, " ".join(tokens[1:])))
        elif state == "data":
            if word == "END_DATA":
                tables.append(_table(fields, rows, keywords, where))
                state, keywords = "head", []
            elif len(tokens) != len(fields):
                raise BadFile(
                    f"{where}, line {number} holds {len(tokens)} values for {len(fields)} columns",
                    _WHY,
                    "give every sample a value in every column, and quote names with spaces",
                )
            else:
                rows.append(tokens)
        if state == "format":
            if tokens and tokens[-1].upper() == "END_DATA_FORMAT":
                state, tokens = "head", tokens[:-1]
            fields += [token.upper() for token in tokens]
    if state != "head":
        missing = "END_DATA" if state == "data" else "END_DATA_FORMAT"
        raise BadFile(f"{where} breaks off: {missing} is missing", _WHY, _EXPORT)
    if not tables:
        raise BadFile(f"{where} holds no CGATS.17 table (no BEGIN_DATA)", _WHY, _EXPORT)
    return tuple(tables)


def _lines(text: str, where: str) -> Iterator[tuple[int, list[str]]]:
    for number, line in enumerate(text.splitlines(), start=1):
        tokens = []
        for match in _TOKEN.finditer(line):
            quoted, plain, _, _, wrong = match.groups()
            if wrong is not None:
                raise BadFile(f"{where}, line {number} has a stray quotation mark", _WHY,
                              _EXPORT)  # fmt: skip
            if quoted is not None:
                tokens.append(quoted.replace('""', '"'))
            elif plain is not None:
                tokens.append(plain)
        if tokens:
            yield number, tokens


def _table(
    fields: list[str], rows: list[list[str]], keywords: list[tuple[str, str]], where: str
) -> CgatsTable:
    twice = sorted({name for name in fields if fields.count(name) > 1})
    if twice:
        raise BadFile(f"{where} has the column {twice[0]} twice", _WHY, _EXPORT)
    if not rows:
        raise BadFile(f"{where} has a table without a single sample", _WHY, _EXPORT)
    for key, have, of in (
        ("NUMBER_OF_FIELDS", len(fields), "columns"),
        ("NUMBER_OF_SETS", len(rows), "samples"),
    ):
        said = [value for name, value in keywords if name == key]
        if said and said[-1].strip() != str(have):
            raise BadFile(f"{where} announces {said[-1]} {of} and holds {have}", _WHY,
                          f"the file may be cut short: {_EXPORT}")  # fmt: skip
    columns = {name: tuple(row[i] for row in rows) for i, name in enumerate(fields)}
    return CgatsTable(columns, tuple(keywords))


def reference_lab_d50(path: str | Path, names: tuple[str, ...]) -> np.ndarray:
    """(n, 3) CIELAB D50, 2 degree, of the named patches from a CGATS.17 file.

    ``names`` are matched with SAMPLE_NAME or SAMPLE_ID, whichever holds them. LAB_L, LAB_A,
    LAB_B are taken as they stand; failing those, XYZ_X, XYZ_Y, XYZ_Z on the scale 0..100
    are converted with the D50 white.

    Raises
    ------
    BadFile
        No such table, values for another light or observer, or a patch that is missing or
        there twice.
    """
    tables = read_cgats(path)
    for table in tables:
        labels = [table.columns[c] for c in ("SAMPLE_NAME", "SAMPLE_ID") if c in table.columns]
        values = next((v for v in (LAB, XYZ) if all(c in table.columns for c in v)), None)
        if labels and values:
            break
    else:
        seen = ", ".join(tables[0].columns)
        raise BadFile(
            f"{path} has no table with SAMPLE_ID or SAMPLE_NAME and LAB_L, LAB_A, LAB_B "
            f"or XYZ_X, XYZ_Y, XYZ_Z (its columns: {seen[:200]})",
            _WHY,
            "export the table with the names of the patches and CIELAB values",
        )
    _check_white(table, str(path))
    column = max(labels, key=lambda label: len(set(label) & set(names)))
    missing = [name for name in names if name not in column]
    if missing:
        raise BadFile(
            f"{path} holds no values for {_some_of(missing)}",
            _WHY,
            "name the samples in the file as the patches are named in the card definition",
        )
    twice = [name for name in names if column.count(name) > 1]
    if twice:
        raise BadFile(f"{path} holds more than one sample called {_some_of(twice)}", _WHY,
                      "keep one line for each patch, the mean if you measured it more than once"
                      )  # fmt: skip
    found = table.numbers(*values)[[column.index(name) for name in names]]
    return found if values is LAB else _lab_of_percent(found, path)


def _lab_of_percent(xyz: np.ndarray, path: str | Path) -> np.ndarray:
    """Lab (..., 3) of XYZ on the scale where white has Y = 100; raise ``BadFile`` for another."""
    if np.nanmax(xyz) <= 1.5:
        raise BadFile(f"the XYZ values in {path} all lie below 1.5", _WHY,
                      "write XYZ on the scale where white has Y = 100")  # fmt: skip
    return xyz_to_lab(xyz / 100.0)


def _some_of(names: list[str]) -> str:
    """Up to five names, and how many more."""
    shown = ", ".join(f'"{name}"' for name in names[:5])
    return shown + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _check_white(table: CgatsTable, where: str) -> None:
    """Refuse values that say they hold for another light or observer than ours."""
    for name, value in table.keywords:
        line = f"{name} {value}".upper()
        light = re.search(r"ILLUMINANT(?:_NAME)?[\s,;:=]+([A-Z]+\d*)\b", line)
        if light and light[1] != "D50":
            raise BadFile(f"the values in {where} hold for illuminant {light[1]}, not D50", _WHY,
                          "export them for D50 and the 2 degree observer")  # fmt: skip
        angle = re.search(r"OBSERVER(?:_?ANGLE)?[\s,;:=]+(\d+)", line)
        if angle and int(angle[1]) != 2:
            raise BadFile(f"the values in {where} hold for the {angle[1]} degree observer", _WHY,
                          "export them for D50 and the 2 degree observer")  # fmt: skip


# CSV ----------------------------------------------------------------------------------

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
    text = _text_of(data, path, "save the table again as UTF-8 CSV")
    return _from_csv(text, str(path), names)


def _from_csv(text: str, where: str, names: tuple[str, ...]) -> np.ndarray:
    lines = [n for n in text.splitlines() if n.strip() and not n.lstrip().startswith("#")]
    if len(lines) < 2:
        raise BadFile(f"{where} holds no table of readings", _WHY, _HEADING)
    mark = max(("\t", ";", ","), key=lines[0].count)
    try:
        rows = list(csv.reader(lines, delimiter=mark, skipinitialspace=True, strict=True))
    except csv.Error as error:
        raise BadFile(f"{where} is not a CSV table ({error})", _WHY, _HEADING) from error
    heading = [re.sub(r"[\W_]", "", cell).lower() for cell in rows[0]]
    if not set(_NAMES) & set(heading):
        raise BadFile(f"{where} has no column with the patches' names", _WHY, _HEADING)
    columns = next((c for c in (*_LAB, *_XYZ) if set(c) <= set(heading)), None)
    if columns is None:
        seen = ", ".join(rows[0])[:200]
        raise BadFile(f"{where} has no columns L, a, b or X, Y, Z (its columns: {seen})", _WHY,
                      _HEADING)  # fmt: skip
    if any(heading.count(name) > 1 for name in columns):
        raise BadFile(f"{where} has a column twice", _WHY, _HEADING)
    places = [heading.index(name) for name in columns]
    # Of several columns that could hold the names, the one that does.
    labels = max(
        (i for i, word in enumerate(heading) if word in _NAMES),
        key=lambda i: len({row[i].strip() for row in rows[1:] if i < len(row)} & set(names)),
    )
    read: dict[str, list[list[float]]] = {}
    for row in rows[1:]:
        if len(row) <= max(labels, *places):
            raise BadFile(f'{where} has too few values in the line "{mark.join(row)[:60]}"', _WHY,
                          "give every line a value in every column")  # fmt: skip
        name = row[labels].strip()
        if name in names:
            read.setdefault(name, []).append([_cell(row[i], name, where, mark) for i in places])
    missing = [name for name in names if name not in read]
    if missing:
        raise BadFile(
            f"{where} holds no values for {_some_of(missing)}",
            _WHY,
            "measure every patch, and name the lines as the patches are named in the definition",
        )
    values = np.full((max(map(len, read.values())), len(names), 3), np.nan)
    for i, name in enumerate(names):
        values[: len(read[name]), i] = read[name]
    return values if columns in _LAB else _lab_of_percent(values, where)


def _cell(text: str, name: str, where: str, mark: str) -> float:
    text = text.strip()
    if mark != "," and re.fullmatch(r"[-+]?\d+,\d+", text):
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise BadFile(f'{where} has "{text}" for patch {name}, which is not a number', _WHY,
                      "correct that line")  # fmt: skip
    return value


# Written ------------------------------------------------------------------------------


def cgats_text(
    samples: Sequence[tuple[str, str, Sequence[float]]], *, descriptor: str, created: str
) -> str:
    """One table of CIELAB values, D50, 2 degree observer. ``samples`` are (id, name, Lab);
    ``created`` a day. Raises ``ValueError`` without a sample: the format has no empty table."""
    if not samples:
        raise ValueError("a CGATS.17 table holds at least one sample")
    lines = [
        "CGATS.17",
        'ORIGINATOR "drawdown"',
        f"FILE_DESCRIPTOR {quoted(descriptor)}",
        f"CREATED {quoted(created)}",
        'WEIGHTING_FUNCTION "ILLUMINANT, D50"',
        'WEIGHTING_FUNCTION "OBSERVER, 2 degree"',
        "NUMBER_OF_FIELDS 5",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B",
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(samples)}",
        "BEGIN_DATA",
    ]
    for sample_id, name, lab in samples:
        values = " ".join(f"{float(v):.4f}" for v in lab)
        lines.append(f"{sample_id} {quoted(name)} {values}")
    return "\n".join([*lines, "END_DATA", ""])


def quoted(text: str) -> str:
    """A text value: in quotation marks, those within it doubled, on one line."""
    return '"' + " ".join(text.split()).replace('"', '""') + '"'
