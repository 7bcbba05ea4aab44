"""The diary: every change once more, as plain lines in a file beside the database. From it alone
the book can be made anew; README.md says what a line is."""

from __future__ import annotations

import base64
import json
import os
import re
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

FORMAT = "drawdown.diary/1"
_CHUNK = 1 << 16
_CHANGE = re.compile(rb'[0-9a-f]{8} \{"n":(\d+),')

Row = dict[str, Any]
Rows = list[tuple[str, int, Row | None]]


def pack(row: Row | None) -> Row | None:
    """A row as JSON takes it: bytes become ``{"b64": text}``."""
    if row is None:
        return None
    return {
        key: {"b64": base64.b64encode(value).decode("ascii")} if isinstance(value, bytes) else value
        for key, value in row.items()
    }


def unpack(row: Row | None) -> Row | None:
    """The inverse of ``pack``."""
    if row is None:
        return None
    return {
        key: base64.b64decode(value["b64"]) if isinstance(value, dict) else value
        for key, value in row.items()
    }


def line_of(data: dict[str, Any]) -> bytes:
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def change_line(number: int, at: str, what: str, rows: Rows) -> bytes:
    """One change; its rows are packed here. A short line behind it repeats its number, to be
    found from the end however long the change is."""
    packed = [[table, row_id, pack(row)] for table, row_id, row in rows]
    change = line_of({"n": number, "at": at, "what": what, "rows": packed})
    return change + line_of({"end": number})


def header_line(schema: int, book_id: str) -> bytes:
    return line_of({"diary": FORMAT, "schema": schema, "book": book_id})


def parse(line: bytes) -> dict[str, Any] | None:
    """A line's data; None for one that is cut off or damaged."""
    crc, space, text = line.rstrip(b"\n").partition(b" ")
    try:
        if not space or not line.endswith(b"\n") or int(crc, 16) != zlib.crc32(text):
            return None
        data = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) and _is_well_formed(data) else None


def _is_well_formed(data: dict[str, Any]) -> bool:
    """True for a line of the kinds that this module writes."""

    def is_row(told: Any) -> bool:
        return (
            isinstance(told, list)
            and len(told) == 3
            and isinstance(told[0], str)
            and isinstance(told[1], int)
            and isinstance(told[2], dict | None)
        )

    rows = data.get("rows", [])
    numbers = (data.get("n", 0), data.get("end", 0))
    return (
        all(isinstance(number, int) for number in numbers)
        and isinstance(rows, list)
        and all(map(is_row, rows))
        and ("part" not in data or is_row(data["part"]))
    )


def _number(data: dict[str, Any]) -> int:
    return int(data.get("n", data.get("end", 0)))


class Diary:
    """The file. Its writing methods are called under the database's writing lock alone."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def lines(self) -> Iterator[dict[str, Any] | None]:
        """Every line's data in order, None for one that cannot be read; nothing without a
        file."""
        try:
            with open(self.path, "rb") as stream:
                for line in stream:
                    yield parse(line)
        except FileNotFoundError:
            return

    def header(self) -> tuple[int, str] | None:
        """The version of the tables that the diary is written in and the book's id; None
        without a header."""
        first = next(self.lines(), None) or {}
        schema, book_id = first.get("schema"), first.get("book")
        if first.get("diary") != FORMAT or not isinstance(schema, int):
            return None
        return schema, str(book_id)

    def last_number(self) -> int | None:
        """The number of the last whole change, read from the end; 0 for a diary with none,
        None without a usable file."""
        try:
            with open(self.path, "rb") as stream:
                place = stream.seek(0, os.SEEK_END)
                tail = b""
                while place > 0:
                    step = min(_CHUNK, place)
                    place -= step
                    stream.seek(place)
                    tail = stream.read(step) + tail
                    found = self._last_of(tail, place == 0)
                    if found is not None:
                        return found
                    if len(tail) >= 64 * _CHUNK:
                        break
        except FileNotFoundError:
            return None
        found = None
        for data in self.lines():  # a very long last line, or none at all
            if data is not None:
                found = _number(data)
        return found

    @staticmethod
    def _last_of(tail: bytes, whole: bool) -> int | None:
        lines = tail.splitlines(keepends=True)
        for line in reversed(lines if whole else lines[1:]):
            data = parse(line)
            if data is not None:
                return _number(data)
        return None

    def changes_after(self, number: int) -> Iterator[dict[str, Any]]:
        """The changes with a higher number, in order."""
        with open(self.path, "rb") as stream:
            for line in stream:
                told = _CHANGE.match(line)  # most of a long diary need not be parsed
                if told and int(told[1]) > number:
                    data = parse(line)
                    if data is not None:
                        yield data

    def append(self, line: bytes) -> int:
        """Add a whole line and see it on the disk; returns the length before, for
        ``cut``. A line cut off earlier is taken away first. Raises OSError; then the file
        is as it was."""
        with open(self.path, "r+b") as stream:
            length = self._whole_length(stream)
            try:
                stream.seek(length)
                stream.truncate()
                stream.write(line)
                stream.flush()
                os.fsync(stream.fileno())
            except OSError:
                with suppress(OSError):
                    os.truncate(self.path, length)
                raise
        return length

    @staticmethod
    def _whole_length(stream) -> int:
        """The length up to the last line break."""
        place = stream.seek(0, os.SEEK_END)
        while place > 0:
            step = min(_CHUNK, place)
            stream.seek(place - step)
            at = stream.read(step).rfind(b"\n")
            if at >= 0:
                return place - step + at + 1
            place -= step
        return 0

    def cut(self, length: int) -> None:
        """Take back what ``append`` wrote, because the database did not take it."""
        with suppress(OSError):
            os.truncate(self.path, length)

    def rewrite(
        self,
        schema: int,
        book_id: str,
        number: int,
        at: str,
        rows: Iterable[tuple[str, int, Row]],
    ) -> None:
        """The whole diary anew: all rows as they are after change ``number``. The old file
        is replaced when the new one is whole. Raises OSError."""
        temporary = self.path.with_suffix(".part")
        try:
            with open(temporary, "wb") as stream:
                stream.write(header_line(schema, book_id))
                for table, row_id, row in rows:
                    stream.write(line_of({"part": [table, row_id, pack(row)]}))
                stream.write(line_of({"n": number, "at": at, "what": "a fresh diary", "rows": []}))
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, self.path)
        finally:
            with suppress(OSError):
                temporary.unlink()
        sync_folder(self.path.parent)

    def replay(self) -> Iterator[tuple[str, int, Row | None] | None]:
        """What became of each row, in order, None for one that was taken away: whoever notes
        it all has the book. A line that cannot be read gives None."""
        for data in self.lines():
            if data is None:
                yield None
            elif isinstance(data.get("part"), list):
                table, row_id, row = data["part"]
                yield table, row_id, unpack(row)
            else:
                for table, row_id, row in data.get("rows", ()):
                    yield table, row_id, unpack(row)


def sync_folder(folder: Path) -> None:
    """See a new name in a folder on the disk (POSIX; elsewhere nothing is needed)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems cannot
            os.fsync(handle)
    finally:
        os.close(handle)
