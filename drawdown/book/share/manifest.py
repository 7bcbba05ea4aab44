"""What a shared book file says: the records of a book as plain data, format
``drawdown.book-file/1`` (README.md). ``validation`` holds the same columns to account."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import Any

from drawdown.book.columns import BATCH, ORIGINAL, PACKET, PULL, READING
from drawdown.book.shapes import Data, name_key
from drawdown.book.store import Book, now
from drawdown.book.tables import Column, Table

FORMAT_NAME = "drawdown.book-file"
FORMAT_VERSION = 1
FORMAT = f"{FORMAT_NAME}/{FORMAT_VERSION}"
MANIFEST = "manifest.json"
COLOURS_CSV, COLOURS_TXT, ABOUT = "colours.csv", "colours.txt", "about.txt"
PHOTO_FOLDER = "photos"

# What a file lists, in the order in which it is taken in: each kind's table.
KINDS: dict[str, Table[Any]] = {
    "originals": ORIGINAL, "batches": BATCH, "packets": PACKET, "pulls": PULL,
}  # fmt: skip


@dataclass
class BookFile:
    """The records in one file; they name their readings by place in ``readings``. ``photos``
    maps a SHA-256 to (ending, size in bytes); ``missing`` are photos that the book names and no
    longer has."""

    made_at: str
    readings: list[Data] = field(default_factory=list)
    originals: list[Data] = field(default_factory=list)
    batches: list[Data] = field(default_factory=list)
    packets: list[Data] = field(default_factory=list)
    pulls: list[Data] = field(default_factory=list)
    photos: dict[str, tuple[str, int]] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)

    def of(self, kind: str) -> list[Data]:
        """The records of one kind."""
        return getattr(self, kind)

    @property
    def counts(self) -> dict[str, int]:
        return {kind: len(self.of(kind)) for kind in (*KINDS, "photos")}

    def manifest(self) -> Data:
        return {
            "format": FORMAT,
            "made_at": self.made_at,
            "readings": self.readings,
            **{kind: self.of(kind) for kind in KINDS},
            "photos": [
                {"sha256": sha, "ending": ending, "size_bytes": size}
                for sha, (ending, size) in sorted(self.photos.items())
            ],
        }


def photo_member(sha256: str, ending: str) -> str:
    """A photo's name in the archive."""
    return f"{PHOTO_FOLDER}/{sha256}{ending}"


def gather(
    book: Book,
    originals: tuple[int, ...] | None = None,
    edition: str | None = None,
    *,
    whole_photos: bool = True,
) -> BookFile:
    """Everything in the book, what was removed too; or the ``originals`` of these ids with
    their recipes, and what belongs to an ``edition``: its originals and its pulls. Without
    ``whole_photos`` only the crops of the strips go along."""
    found = _Gatherer(book, whole_photos)
    key = None if edition is None else name_key(edition)

    def wanted(kind: str, row: sqlite3.Row) -> bool:
        if originals is None and edition is None:
            return True
        if kind == "originals" and row["id"] in (originals or ()):
            return True
        of_edition = kind in ("originals", "pulls") and name_key(row["edition"]) == key
        return of_edition and row["removed"] is None

    for kind, table in KINDS.items():
        for row in book.rows(f"SELECT * FROM {table.name} ORDER BY id"):
            if wanted(kind, row):
                found.file.of(kind).append(found.data(table, row))
    return found.file


class _Gatherer:
    def __init__(self, book: Book, whole_photos: bool) -> None:
        self.book = book
        self.whole_photos = whole_photos
        self.file = BookFile(now())
        self.places: dict[int, int] = {}
        self.store = {row["id"]: row for row in book.rows("SELECT * FROM photo")}

    def data(self, table: Table[Any], row: sqlite3.Row) -> Data:
        """A row as the file tells it, with the rows that are its parts."""
        data = {column.key: self.value(column, row) for column in table.shared}
        for key, (part, _) in table.parts.items():
            rows = self.book.rows(
                f"SELECT * FROM {part.name} WHERE {part.parent(table.name)} = ? ORDER BY id",
                (row["id"],),
            )
            data[key] = [self.data(part, one) for one in rows]
        return data

    def value(self, column: Column, row: sqlite3.Row) -> Any:
        value = column.of(row)
        if column.refers == "reading":
            return self.reading(value)
        if column.refers == "photo":
            return self.photo(value) if self.whole_photos or column.key == "crop" else None
        return column.form.shared(value)

    def reading(self, reading: int | None) -> int | None:
        """The place of a reading in the file."""
        if reading is None:
            return None
        if reading not in self.places:
            self.places[reading] = len(self.file.readings)
            row = self.book.rows("SELECT * FROM reading WHERE id = ?", (reading,))[0]
            self.file.readings.append(self.data(READING, row))
        return self.places[reading]

    def photo(self, photo: int | None) -> str | None:
        row = self.store.get(photo)
        if row is None:
            return None
        sha = row["sha256"]
        if sha in self.file.photos:
            return sha
        path = self.book.photos.path(sha, row["ending"])
        try:
            whole = path.stat().st_size == row["size_bytes"]
        except OSError:
            whole = False
        if not whole:
            if path.name not in self.file.missing:
                self.file.missing.append(path.name)
            return None
        self.file.photos[sha] = (row["ending"], row["size_bytes"])
        return sha
