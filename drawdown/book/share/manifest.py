"""What a shared book file says: the records of a book as plain data.

The format ``drawdown.book-file/1`` is documented in DEVELOPERS.md, "The shared file".
``bookfile_check`` holds the same shapes to account when such a file comes in.
"""

from __future__ import annotations

import base64
import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

from drawdown.book.records import READING_COLUMNS, name_key
from drawdown.book.store import Book, now

FORMAT_NAME = "drawdown.book-file"
FORMAT_VERSION = 1
FORMAT = f"{FORMAT_NAME}/{FORMAT_VERSION}"
MANIFEST = "manifest.json"
COLOURS_CSV, COLOURS_TXT, ABOUT = "colours.csv", "colours.txt", "about.txt"
PHOTO_FOLDER = "photos"

Data = dict[str, Any]


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

    @property
    def counts(self) -> dict[str, int]:
        return {
            "originals": len(self.originals),
            "batches": len(self.batches),
            "packets": len(self.packets),
            "pulls": len(self.pulls),
            "photos": len(self.photos),
        }

    def manifest(self) -> Data:
        return {
            "format": FORMAT,
            "made_at": self.made_at,
            "readings": self.readings,
            "originals": self.originals,
            "batches": self.batches,
            "packets": self.packets,
            "pulls": self.pulls,
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
    """Everything in the book, what was struck out too; or the ``originals`` of these ids with
    their recipes, and what belongs to an ``edition``: its originals and its pulls. Without
    ``whole_photos`` only the crops of the strips go along."""
    some = originals is not None or edition is not None
    found = _Gatherer(book, whole_photos)
    key = None if edition is None else name_key(edition)
    for row in book.rows("SELECT * FROM original ORDER BY id"):
        wanted = row["id"] in (originals or ()) or (
            key is not None and name_key(row["edition"]) == key and row["removed"] is None
        )
        if wanted or not some:
            found.file.originals.append(found.original(row))
    if not some:
        for row in book.rows("SELECT * FROM batch ORDER BY id"):
            found.file.batches.append(found.batch(row))
        for row in book.rows("SELECT * FROM packet ORDER BY id"):
            found.file.packets.append(found.packet(row))
    for row in book.rows("SELECT * FROM pull ORDER BY id"):
        if not some or (row["edition_key"] == key and row["removed"] is None):
            found.file.pulls.append(found.pull(row))
    return found.file


def printable(text: str, most: int) -> str:
    """What a camera or a file's name brought along, without hidden signs."""
    return "".join(c if c.isprintable() else " " for c in text)[:most]


class _Gatherer:
    def __init__(self, book: Book, whole_photos: bool) -> None:
        self.book = book
        self.whole_photos = whole_photos
        self.file = BookFile(now())
        self.places: dict[int, int] = {}
        self.store = {row["id"]: row for row in book.rows("SELECT * FROM photo")}

    def original(self, row: sqlite3.Row) -> Data:
        recipes = self.book.rows(
            "SELECT * FROM recipe WHERE original = ? ORDER BY id", (row["id"],)
        )
        return {
            **{name: row[name] for name in
               ("id", "name", "date", "paper", "state", "edition", "note", "removed")},
            "reading": self.reading(row["reading"]),
            "recipes": [
                {"made_at": r["made_at"], "mix": json.loads(r["mix"]), "grams": r["grams"],
                 "reason": r["reason"]}
                for r in recipes
            ],
        }  # fmt: skip

    def batch(self, row: sqlite3.Row) -> Data:
        entries = self.book.rows("SELECT * FROM entry WHERE batch = ? ORDER BY id", (row["id"],))
        return {
            **{name: row[name] for name in
               ("id", "name", "original", "date", "grams", "note", "removed")},
            "mix": json.loads(row["mix"]),
            "entries": [self.entry(entry) for entry in entries],
        }  # fmt: skip

    def entry(self, row: sqlite3.Row) -> Data:
        names = (
            "at", "kind", "de00", "de00_low95", "de00_high95", "tolerance", "p_within", "verdict",
            "words", "added_unit", "note",
        )  # fmt: skip
        across = row["across_photos"]
        return {
            **{name: row[name] for name in names},
            "across_photos": None if across is None else bool(across),
            "advised": None if row["advised"] is None else json.loads(row["advised"]),
            "added": None if row["added"] is None else json.loads(row["added"]),
            "reading": self.reading(row["reading"]),
            "original_reading": self.reading(row["original_reading"]),
        }

    def packet(self, row: sqlite3.Row) -> Data:
        names = ("name", "original", "batch", "grams", "date", "place", "note", "removed")
        return {
            **{name: row[name] for name in names},
            "mix": json.loads(row["mix"]),
            "reading": self.reading(row["reading"]),
        }

    def pull(self, row: sqlite3.Row) -> Data:
        return {
            **{name: row[name] for name in
               ("edition", "number", "date", "spot", "note", "removed")},
            "good": bool(row["good"]),
            "reading": self.reading(row["reading"]),
            "beside": self.reading(row["beside"]),
        }  # fmt: skip

    def reading(self, reading: int | None) -> int | None:
        """The place of a reading in the file."""
        if reading is None:
            return None
        if reading not in self.places:
            self.places[reading] = len(self.file.readings)
            self.file.readings.append(self.reading_data(reading))
        return self.places[reading]

    def reading_data(self, reading: int) -> Data:
        columns = ", ".join((*READING_COLUMNS, "paper"))
        found = self.book.rows(f"SELECT {columns} FROM reading WHERE id = ?", (reading,))
        row = found[0]
        samples = row["samples"]
        return {
            "lab_d50": [row["lab_l"], row["lab_a"], row["lab_b"]],
            "lab_u95": [row["u95_l"], row["u95_a"], row["u95_b"]],
            "samples": None if samples is None else base64.b64encode(samples).decode("ascii"),
            "card": row["card"],
            "shaded": bool(row["shaded"]),
            **{name: row[name] for name in
               ("evenness_de00", "light_sd", "munsell_value", "strip_number", "read_at")},
            "captured": None if row["captured"] is None else printable(row["captured"], 100),
            "flags": [[code, printable(detail, 4000)] for code, detail in json.loads(row["flags"])],
            "corners_px": json.loads(row["corners_px"] or "[]"),
            "paper_lab_d50": None if row["paper"] is None else json.loads(row["paper"]),
            "photo": self.photo(row["photo"]) if self.whole_photos else None,
            "crop": self.photo(row["crop"]),
        }  # fmt: skip

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
