"""What a table of the book is: its columns, and all that derives from them: its SQL, records out
of rows, the keys of the shared file and what may stand there."""

from __future__ import annotations

import base64
import dataclasses
import json
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from drawdown.book.problems import nonsense
from drawdown.book.shapes import Check, Data, choice, many, maybe, record

R = TypeVar("R")
SHARED_SINCE = 4  # the version of the book whose columns format 1 of the shared file began with


def same(value: Any) -> Any:
    return value


@dataclass(frozen=True)
class Form:
    """How a value is held that is not a plain number or text: ``record`` makes of what SQL has
    what a record has, ``shared`` what a shared file has, and ``kept`` goes back from there."""

    record: Callable[[Any], Any] = same
    shared: Callable[[Any], Any] = same
    kept: Callable[[Any], Any] = same


def as_json(value: Any) -> str | None:
    return None if value is None else json.dumps(value, ensure_ascii=False)


def of_json(text: str | None) -> Any:
    return None if text is None else json.loads(text)


def printable(text: str, most: int) -> str:
    """What a camera or a file's name brought along, without hidden signs."""
    return "".join(c if c.isprintable() else " " for c in text)[:most]


def _pairs(text: str | None) -> tuple:
    return tuple(tuple(one) for one in json.loads(text or "[]"))


def _triple(values: tuple) -> tuple | None:
    return None if None in values else values


def _encoded(data: bytes | None) -> str | None:
    return None if data is None else base64.b64encode(data).decode("ascii")


TRUTH = Form(
    bool, lambda v: None if v is None else bool(v), lambda v: None if v is None else int(v)
)
JSON = Form(of_json, of_json, as_json)
COLOUR = Form(_triple, list, tuple)
PLACES = Form(_pairs, lambda text: json.loads(text or "[]"), as_json)
ADDED = Form(_pairs, of_json, as_json)
FLAGS = Form(
    _pairs,
    lambda text: [[code, printable(detail, 4000)] for code, detail in json.loads(text)],
    as_json,
)
SAMPLES = Form(shared=_encoded, kept=lambda text: None if text is None else base64.b64decode(text))
CAPTURED = Form(shared=lambda text: None if text is None else printable(text, 100))


@dataclass(frozen=True)
class Column:
    """One value of a record. ``sql`` is its type and constraints (``{name}`` stands for its
    name); ``check`` says what it may be in a shared file, None that it stays in this book;
    ``names`` are its columns in SQL and ``key`` its name in a shared file where these are not
    the attribute's own; ``refers`` the table that it points into; ``since`` the version of the
    book that added it: such a column may be NULL or has a default, and older shared files lack
    it."""

    sql: str
    check: Check | None = field(default=None, repr=False)
    form: Form = field(default=Form(), repr=False)
    names: tuple[str, ...] = ()
    key: str = ""
    refers: str = ""
    since: int = 1

    def of(self, row: sqlite3.Row) -> Any:
        """Its value in a row of SQL; that of several columns as a tuple."""
        if len(self.names) == 1:
            return row[self.names[0]]
        return tuple(row[name] for name in self.names)

    def kept(self, value: Any) -> dict[str, Any]:
        """The columns of a row for a value out of a shared file."""
        value = self.form.kept(value)
        return dict(zip(self.names, value if len(self.names) > 1 else (value,), strict=True))

    @property
    def statements(self) -> list[str]:
        return [f"{name} {self.sql.format(name=name)}" for name in self.names]


def choices(*words: str, null: bool = False, shared: bool = True) -> Column:
    """One of some words, or with ``null`` none."""
    sql = "TEXT" if null else "TEXT NOT NULL"
    allowed = ", ".join(f"'{word}'" for word in words)
    check = choice(*words, *([None] if null else []))
    return Column(f"{sql} CHECK ({{name}} IN ({allowed}))", check if shared else None)


def refers(table: str, check: Check | None = None, *, null: bool = True, since: int = 1) -> Column:
    """The id of a row of another table, or with ``null`` none."""
    if check is not None and null:
        check = maybe(check)
    sql = f"INTEGER{'' if null else ' NOT NULL'} REFERENCES {table} (id)"
    return Column(sql, check, refers=table, since=since)


KNOWN: dict[str, Table[Any]] = {}  # every table by its name


class Table(Generic[R]):
    """A table. ``made`` is the record that its rows become: the attributes annotated with a
    ``Column`` are its columns; ``more`` are those that no record has. ``indexes`` is the SQL
    behind CREATE; ``parts`` maps a key of the shared file to the table whose rows go along
    there, and how many may."""

    def __init__(
        self, name: str, made: type[R] | None = None, more: dict[str, Column] | None = None, *,
        indexes: Iterable[str] = (), parts: dict[str, tuple[Table[Any], int]] | None = None,
    ) -> None:  # fmt: skip
        self.name, self.made = name, made
        self.indexes, self.parts = tuple(indexes), parts or {}
        self.record_columns = {
            key: _whole(key, annotation.__metadata__[0])
            for key, annotation in (made.__annotations__ if made else {}).items()
            if hasattr(annotation, "__metadata__")
        }
        hidden = {key: _whole(key, column) for key, column in (more or {}).items()}
        self.columns = {**self.record_columns, **hidden}
        self.names = [name for column in self.columns.values() for name in column.names]
        self.statements = [s for column in self.columns.values() for s in column.statements]
        self.shared = [c for c in self.columns.values() if c.check is not None]
        KNOWN[name] = self
        self._at: dict[str, list[tuple[str, list[str], Column]]] = {}
        self.readings = [k for k, c in self.record_columns.items() if c.refers == "reading"]

    # SQL ---------------------------------------------------------------------------------

    def select(
        self, *, samples: bool = True, also: str = "", join: str = "", reading: str = "t.reading"
    ) -> str:
        """SQL for whole records: rows ``t`` with every reading that they point to, ``reading``
        the id of the one called so. Without ``samples`` the bulky ensembles are left out."""
        parts, joins = [f"t.*{also}"], [join]
        columns = [name for c in KNOWN["reading"].record_columns.values() for name in c.names]
        for key in self.readings:
            at = reading if key == "reading" else f"t.{key}"
            joins.append(f'LEFT JOIN reading "{key}" ON "{key}".id = {at}')
            parts += [
                f'"{key}".{name} AS "{key}.{name}"' if samples or name != "samples"
                else f'NULL AS "{key}.samples"' for name in columns
            ]  # fmt: skip
        return f"SELECT {', '.join(parts)} FROM {self.name} t {' '.join(joins)} "

    def record(self, row: sqlite3.Row | dict[str, Any], prefix: str = "", **more: Any) -> R:
        """The record in a row; ``more`` are values that stand elsewhere."""
        assert self.made is not None
        if not isinstance(row, dict):  # by name, a row of SQLite is slow
            row = dict(row)
        for key, names, column in self._places(prefix):
            if key in more:
                continue
            if column.refers == "reading":
                there = row[f"{key}.id"] is not None
                more[key] = KNOWN["reading"].record(row, f"{key}.") if there else None
                continue
            value = row[names[0]] if len(names) == 1 else tuple([row[name] for name in names])
            try:
                more[key] = value if column.form.record is same else column.form.record(value)
            except (ValueError, TypeError, LookupError) as error:
                raise nonsense(self.name, key) from error
        return self.made(**more)

    def _places(self, prefix: str) -> list[tuple[str, list[str], Column]]:
        """Each attribute of the record with its columns in a row."""
        if prefix not in self._at:
            self._at[prefix] = [
                (key, [prefix + name for name in column.names], column)
                for key, column in self.record_columns.items()
            ]
        return self._at[prefix]

    # The shared file ---------------------------------------------------------------------

    @property
    def shape(self) -> Check:
        """What a record of it may be in a shared file."""
        fields = {c.key: c.check for c in self.shared if c.check is not None}
        parts = {key: many(part.shape, most) for key, (part, most) in self.parts.items()}
        newer = {c.key for c in self.shared if c.since > SHARED_SINCE}
        return record({**fields, **parts}, newer)

    def kept(self, data: Data, refer: Callable[[str, Any], int | None]) -> dict[str, Any]:
        """The row for a record out of a shared file, less its id; ``refer`` finds the id of
        what it points to in a table."""
        row: dict[str, Any] = {}
        for column in self.shared:
            if column.refers:
                row[column.names[0]] = refer(column.refers, data[column.key])
            elif column.key != "id":
                row |= column.kept(data[column.key])
        return row

    def parent(self, table: str) -> str:
        """The column by which its rows belong to those of another table."""
        return next(key for key, c in self.columns.items() if c.refers == table)


def _whole(name: str, column: Column) -> Column:
    return dataclasses.replace(column, names=column.names or (name,), key=column.key or name)
