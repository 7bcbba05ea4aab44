"""Tables of colour values as instruments write them: CGATS.17 text (ISO 28178), read and written,
and CSV. A CSV needs a heading line; decimal commas are understood where the columns stand apart by
semicolons or tabs; its light may stand in a remark (# illuminant D65, observer 10) or in columns of
those names. What the values mean is for ``samples`` to say.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.errors import BadFile
from calibration.files import read_bytes

_WHY = "one wrong value spoils every colour that rests on it"
_EXPORT = "export the table again as CGATS.17 text"
_HEADING = "write a heading line such as: name,L,a,b"
_TOKEN = re.compile(r'"((?:[^"]|"")*)"(?=\s|#|$)|([^\s"#][^\s]*)|(#.*)|(\s+)|(.)')
LAB = ("LAB_L", "LAB_A", "LAB_B")
XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")


@dataclass(frozen=True)
class Table:
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


def _text_of(data: bytes, path: str | Path, todo: str) -> str:
    """A table's text; raise ``BadFile`` for what is none."""
    if b"\0" in data:
        raise BadFile(f"{path} is not plain text", _WHY, todo)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # older programs write names in it; numbers are ASCII


def parse_cgats(text: str, where: str = "CGATS table") -> tuple[Table, ...]:
    """The tables of a CGATS.17 text; raise ``BadFile`` that names the line."""
    tables: list[Table] = []
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
) -> Table:
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
    return Table(columns, tuple(keywords))


# CSV ----------------------------------------------------------------------------------

# What a column of a CSV is called, without marks and capitals -> the same in CGATS.17.
_FIELDS = {
    **dict.fromkeys(("patch", "name", "sample", "samplename", "strip"), "SAMPLE_NAME"),
    **dict.fromkeys(("id", "sampleid"), "SAMPLE_ID"),
    **dict(zip("lab", LAB, strict=True)), **dict(zip("xyz", XYZ, strict=True)),
    **{name.replace("_", "").lower(): name for name in (*LAB, *XYZ)},
    **{f"{name.replace('_', '').lower()}star": name for name in LAB},
}  # fmt: skip
_SAID = ("ILLUMINANT", "OBSERVER")  # said in a column or a remark, for the whole file


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


def read_tables(path: str | Path) -> tuple[Table, ...]:
    """The tables of a CGATS.17 text or a CSV, columns named as CGATS.17 has it; raise
    ``BadFile``."""
    data = read_bytes(path, "a table of readings", 20_000_000)
    if re.search(rb"^\s*BEGIN_DATA\b", data, re.MULTILINE | re.IGNORECASE):
        return parse_cgats(_text_of(data, path, _EXPORT), str(path))
    return (_csv_table(_text_of(data, path, "save the table again as UTF-8 CSV"), str(path)),)


def _csv_table(text: str, where: str) -> Table:
    lines = [n for n in text.splitlines() if n.strip() and not n.lstrip().startswith("#")]
    if len(lines) < 2:
        raise BadFile(f"{where} holds no table of readings", _WHY, _HEADING)
    mark = max(("\t", ";", ","), key=lines[0].count)
    try:
        rows = list(csv.reader(lines, delimiter=mark, skipinitialspace=True, strict=True))
    except csv.Error as error:
        raise BadFile(f"{where} is not a CSV table ({error})", _WHY, _HEADING) from error
    plain = (re.sub(r"[\W_]", "", cell.replace("*", "")).lower() for cell in rows[0])
    heading = [_FIELDS.get(p, cell.strip().upper()) for p, cell in zip(plain, rows[0], strict=True)]
    columns: dict[str, tuple[str, ...]] = {}
    for i, name in enumerate(heading):
        if name in columns and (name in (*LAB, *XYZ) or wavelength(name)):
            raise BadFile(f"{where} has a column twice", _WHY, _HEADING)
        told = [row[i].strip() for row in rows[1:] if i < len(row)]
        if len(told) < len(rows) - 1 and (name in (*LAB, *XYZ) or wavelength(name)):
            short = next(row for row in rows[1:] if i >= len(row))
            raise BadFile(f'{where} has too few values in the line "{mark.join(short)[:60]}"',
                          _WHY, "give every line a value in every column")  # fmt: skip
        if mark != ",":
            told = [re.sub(r"^([-+]?\d+),(\d+)$", r"\1.\2", cell) for cell in told]
        columns[name if name not in columns else f"{name} {i}"] = (
            *told, *[""] * (len(rows) - 1 - len(told)),
        )  # fmt: skip
    remarks = (re.split(r"[\s,;:=]+", n.lstrip("# \t")) for n in text.splitlines() if "#" in n[:2])
    said = [
        (word.upper(), " ".join(words[i + 1 : i + 3])) for words in remarks
        for i, word in enumerate(words) if word.upper() in _SAID
    ]  # fmt: skip
    said += [(name, value) for name in _SAID for value in dict.fromkeys(columns.get(name, ()))]
    return Table(columns, tuple(said))


_WAVELENGTH = re.compile(
    r"(?:SPECTRAL)?[_ ]?(?:NM|R|LAMBDA)?[_ ]?([2-9]\d\d|1[01]\d\d)(?:\.0+)?[_ ]?(?:NM)?"
)


def wavelength(column: str) -> float | None:
    """The wavelength, nm, that a column is of; None for any other."""
    found = _WAVELENGTH.fullmatch(column.strip().upper())
    return float(found[1]) if found else None


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
