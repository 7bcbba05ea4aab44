"""The diary: every change once more, in a file beside the database. From it alone the book can be
made anew; README.md says what is in it."""

from __future__ import annotations

import base64
import hashlib
import json
import mmap
import os
import struct
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from calibration.files import sync_folder

FORMAT = "drawdown.diary/2"
EARLIER = "diary.jsonl"  # the file of format 1
# Each block is a member of a gzip file (RFC 1952) and begins so.
_START = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_BLOCK_BYTES, _MOST_BYTES, _TAIL_BYTES = 1 << 18, 1 << 28, 1 << 12
_BEGIN, _END = b'{"n":', b'{"end":'

Row = dict[str, Any]
RowTold = tuple[str, int, Row | None]  # table, id, what the row is now; None: taken away


def text_of(data: Any) -> str:
    """A row, or what else, as JSON: bytes become ``{"b64": text}``."""

    def encoded(value: Any) -> dict[str, str]:
        return {"b64": base64.b64encode(value).decode("ascii")}

    return json.dumps(data, default=encoded, separators=(",", ":"), allow_nan=False)


def data_of(text: str | bytes) -> Any:
    """The inverse of ``text_of``."""
    return json.loads(
        text, object_hook=lambda data: base64.b64decode(data["b64"]) if "b64" in data else data
    )


def line_of(data: Any) -> bytes:
    return text_of(data).encode() + b"\n"


def block_of(text: bytes) -> bytes:
    packer = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    body = packer.compress(text) + packer.flush()
    return _START + body + struct.pack("<LL", zlib.crc32(text), len(text))


def _text_of(block: bytes) -> bytes | None:
    """A block's text; None for one that is cut off or damaged."""
    unpacker = zlib.decompressobj(zlib.MAX_WBITS + 16)
    try:
        text = unpacker.decompress(block, _MOST_BYTES)
    except zlib.error:
        return None
    return text if unpacker.eof and not unpacker.unused_data else None


def _told(data: Any) -> RowTold | None:
    """What a line says of a row; None when it says nothing of the kind."""
    try:
        table, row_id, row = data
        whole = isinstance(table, str) and isinstance(row_id, int) and isinstance(row, dict | None)
        return (table, row_id, row) if whole else None
    except (ValueError, TypeError):
        return None


@dataclass(frozen=True)
class Told:
    """One whole change: what was done; ``after`` is the mark of the change before it, ``mark`` its
    own; its blocks lie from ``start`` to ``end`` in the file."""

    what: str
    after: str
    mark: str
    start: int
    end: int


@dataclass
class Index:
    """What a diary holds. ``version`` is that of the tables, ``book`` the book's id, None
    without a header; ``bad_blocks`` those that cannot be read, before the last whole change."""

    version: int = 0
    book: str | None = None
    changes: list[Told] = field(default_factory=list)
    bad_blocks: int = 0

    @property
    def whole(self) -> bool:
        """True when every change from the first to the last is there."""
        follows = zip(self.changes, self.changes[1:], strict=False)
        return bool(self.changes) and not self.bad_blocks and self.book is not None and all(
            later.after == earlier.mark for earlier, later in follows
        )  # fmt: skip


class Diary:
    """The file. Its writing methods are called under the database's writing lock alone."""

    def __init__(self, path: Path) -> None:
        self.path = path

    # Writing -----------------------------------------------------------------------------

    def append(self, number: int, at: str, what: str, after: str, rows: Iterable[RowTold]) -> str:
        """Add a change and see it on the disk; returns its mark. Raises OSError."""
        with open(self.path, "r+b") as stream:
            stream.seek(0, os.SEEK_END)
            return _write(stream, number, at, what, after, rows)

    def begin(
        self, version: int, book: str, number: int, at: str, after: str, rows: Iterable[RowTold]
    ) -> str:
        """The whole diary anew: every row there is, as one change; returns its mark. The old
        file is replaced when the new one is whole. Raises OSError."""
        temporary = self.path.with_suffix(".part")
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
            with open(os.open(temporary, flags, 0o600), "wb") as stream:
                header = {"diary": FORMAT, "schema": version, "book": book}
                stream.write(block_of(line_of(header)))
                mark = _write(stream, number, at, "a fresh diary", after, rows)
            os.replace(temporary, self.path)
        finally:
            temporary.unlink(missing_ok=True)
        sync_folder(self.path.parent)
        return mark

    def cut(self, length: int) -> None:
        """Take back a half-written change, or one that the database did not take."""
        with suppress(OSError):
            os.truncate(self.path, length)

    # Reading -----------------------------------------------------------------------------

    def last_mark(self) -> str | None:
        """The mark of the change that the file ends in; None when it ends in none."""
        try:
            with open(self.path, "rb") as stream:
                stream.seek(max(0, stream.seek(0, os.SEEK_END) - _TAIL_BYTES))
                tail = stream.read()
        except FileNotFoundError:
            return None
        text = _text_of(tail[tail.rfind(_START) :]) if _START in tail else None
        return json.loads(text)["mark"] if text and text.startswith(_END) else None

    def _blocks(self, start: int, end: int | None) -> Iterator[tuple[int, int, bytes | None]]:
        """Where each block begins and ends, and its text; None for an unreadable one."""
        try:
            size = self.path.stat().st_size
        except FileNotFoundError:
            return
        if size == 0:
            return
        with (
            open(self.path, "rb") as stream,
            mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data,
        ):
            while start < (size if end is None else end):
                following = data.find(_START, start + 1)
                following = size if following < 0 else following
                yield start, following, _text_of(data[start:following])
                start = following

    def index(self) -> Index:
        """What is in the file: a change counts when all its blocks are there as they were
        written."""
        found = Index()
        begun: dict[str, Any] | None = None
        seal = hashlib.blake2b()
        first = bad = 0
        for start, end, text in self._blocks(0, None):
            if text is None:
                begun, bad = None, bad + 1
            elif start == 0:
                with suppress(ValueError, KeyError, TypeError):
                    header = json.loads(text)
                    if header["diary"] == FORMAT:
                        found.version, found.book = int(header["schema"]), str(header["book"])
            elif text.startswith(_END):
                mark = json.loads(text)["mark"]
                if begun is not None and mark == seal.hexdigest():
                    found.changes.append(Told(begun["what"], begun["after"], mark, first, end))
                    found.bad_blocks = bad
                elif begun is not None:
                    bad += 1
                begun = None
            else:
                if text.startswith(_BEGIN):
                    begun, first, seal = json.loads(text[: text.find(b"\n")]), start, _seal()
                seal.update(text)
        return found

    def rows(self, start: int = 0, end: int | None = None) -> Iterator[RowTold | None]:
        """What became of each row, in order; whoever notes it all has the book. None for what
        cannot be read."""
        for _, _, text in self._blocks(start, end):
            if text is None:
                yield None
                continue
            for line in text.splitlines():
                if not line.startswith(b"{"):
                    yield _told(data_of(line))


def _seal() -> hashlib.blake2b:
    return hashlib.blake2b(digest_size=16)


def _write(
    stream: BinaryIO, number: int, at: str, what: str, after: str, rows: Iterable[RowTold]
) -> str:
    """One change, in blocks of modest size, seen on the disk; the last says that it is whole, and
    its mark."""
    seal = _seal()
    text = line_of({"n": number, "at": at, "what": what, "after": after})
    for table, row_id, row in rows:
        text += line_of([table, row_id, row])
        if len(text) > _BLOCK_BYTES:
            seal.update(text)
            stream.write(block_of(text))
            text = b""
    if text:
        seal.update(text)
        stream.write(block_of(text))
    mark = seal.hexdigest()
    stream.write(block_of(line_of({"end": number, "mark": mark})))
    stream.flush()
    os.fsync(stream.fileno())
    return mark


def earlier_rows(path: Path) -> Iterator[tuple[int, RowTold]]:
    """What a diary of format 1 tells of each row, with the number of the change. A line of it is
    a checksum and JSON."""
    if not path.is_file():
        return
    with open(path, "rb") as stream:
        for line in stream:
            crc, _, text = line.rstrip(b"\n").partition(b" ")
            with suppress(ValueError, TypeError, RecursionError):
                if int(crc, 16) == zlib.crc32(text):
                    data = data_of(text)
                    for row in [data["part"]] if "part" in data else data.get("rows", ()):
                        if (told := _told(row)) is not None:
                            yield data.get("n", 0), told
