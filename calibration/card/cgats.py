"""Colour values as CGATS.17 text (ISO 28178), read and written; the format: README.md."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.colour.spaces import xyz_to_lab
from calibration.errors import BadFile
from calibration.files import read_bytes

WHY = "one wrong reference value spoils every colour read with the card"
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
                      WHY, _EXPORT)  # fmt: skip
    return value


def read_cgats(path: str | Path) -> tuple[CgatsTable, ...]:
    """The tables of a CGATS.17 text file; raise ``BadFile`` when it is not one."""
    data = read_bytes(path, "a CGATS.17 table", 20_000_000)
    return parse_cgats(text_of(data, path, _EXPORT), str(path))


def text_of(data: bytes, path: str | Path, todo: str) -> str:
    """A table's text; raise ``BadFile`` for what is none."""
    if b"\0" in data:
        raise BadFile(f"{path} is not plain text", WHY, todo)
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
                                  "names (BEGIN_DATA_FORMAT)", WHY, _EXPORT)  # fmt: skip
                state, rows = "data", []
            elif word.startswith("END_DATA"):
                raise BadFile(f"{where}, line {number}: {word} without its beginning", WHY,
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
                    WHY,
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
        raise BadFile(f"{where} breaks off: {missing} is missing", WHY, _EXPORT)
    if not tables:
        raise BadFile(f"{where} holds no CGATS.17 table (no BEGIN_DATA)", WHY, _EXPORT)
    return tuple(tables)


def _lines(text: str, where: str) -> Iterator[tuple[int, list[str]]]:
    for number, line in enumerate(text.splitlines(), start=1):
        tokens = []
        for match in _TOKEN.finditer(line):
            quoted, plain, _, _, wrong = match.groups()
            if wrong is not None:
                raise BadFile(f"{where}, line {number} has a stray quotation mark", WHY,
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
        raise BadFile(f"{where} has the column {twice[0]} twice", WHY, _EXPORT)
    if not rows:
        raise BadFile(f"{where} has a table without a single sample", WHY, _EXPORT)
    for key, have, of in (
        ("NUMBER_OF_FIELDS", len(fields), "columns"),
        ("NUMBER_OF_SETS", len(rows), "samples"),
    ):
        said = [value for name, value in keywords if name == key]
        if said and said[-1].strip() != str(have):
            raise BadFile(f"{where} announces {said[-1]} {of} and holds {have}", WHY,
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
            WHY,
            "export the table with the names of the patches and CIELAB values",
        )
    _check_white(table, str(path))
    column = max(labels, key=lambda label: len(set(label) & set(names)))
    missing = [name for name in names if name not in column]
    if missing:
        raise BadFile(
            f"{path} holds no values for {some_of(missing)}",
            WHY,
            "name the samples in the file as the patches are named in the card definition",
        )
    twice = [name for name in names if column.count(name) > 1]
    if twice:
        raise BadFile(f"{path} holds more than one sample called {some_of(twice)}", WHY,
                      "keep one line for each patch, the mean if you measured it more than once"
                      )  # fmt: skip
    found = table.numbers(*values)[[column.index(name) for name in names]]
    return found if values is LAB else lab_of_percent(found, path)


def lab_of_percent(xyz: np.ndarray, path: str | Path) -> np.ndarray:
    """Lab (..., 3) of XYZ on the scale where white has Y = 100; raise ``BadFile`` for another."""
    if np.nanmax(xyz) <= 1.5:
        raise BadFile(f"the XYZ values in {path} all lie below 1.5", WHY,
                      "write XYZ on the scale where white has Y = 100")  # fmt: skip
    return xyz_to_lab(xyz / 100.0)


def some_of(names: list[str]) -> str:
    """Up to five names, and how many more."""
    shown = ", ".join(f'"{name}"' for name in names[:5])
    return shown + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _check_white(table: CgatsTable, where: str) -> None:
    """Refuse values that say they hold for another light or observer than ours."""
    for name, value in table.keywords:
        line = f"{name} {value}".upper()
        light = re.search(r"ILLUMINANT(?:_NAME)?[\s,;:=]+([A-Z]+\d*)\b", line)
        if light and light[1] != "D50":
            raise BadFile(f"the values in {where} hold for illuminant {light[1]}, not D50", WHY,
                          "export them for D50 and the 2 degree observer")  # fmt: skip
        angle = re.search(r"OBSERVER(?:_?ANGLE)?[\s,;:=]+(\d+)", line)
        if angle and int(angle[1]) != 2:
            raise BadFile(f"the values in {where} hold for the {angle[1]} degree observer", WHY,
                          "export them for D50 and the 2 degree observer")  # fmt: skip


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
