"""Pulled prints of an edition, each read at one or more spots."""

from __future__ import annotations

import sqlite3

from calibration.errors import WrongUsage
from drawdown.book.records import Pull, name_key, reading_columns, reading_of
from drawdown.book.store import Book, Change


def _pull(row: sqlite3.Row) -> Pull:
    reading = reading_of(row, "r_")
    assert reading is not None
    return Pull(
        row["id"], row["edition"], row["number"], row["date"], row["spot"], bool(row["good"]),
        row["note"], row["removed"], reading, reading_of(row, "b_"),
    )  # fmt: skip


def add_pull(
    book: Book,
    change: Change,
    *,
    edition: str,
    number: int,
    date: str,
    reading: int,
    spot: str = "",
    good: bool = False,
    note: str = "",
    beside: int | None = None,
) -> int:
    """Add a pulled print; ``beside`` is the reading of the first good pull in the same photo;
    ``good`` makes it the one that this spot's run is held to (the
    earlier one no longer is). Raises ``WrongUsage`` when that number is in the book."""
    key = name_key(edition)
    spot_rows = book.rows(
        "SELECT id, number, good FROM pull WHERE edition_key = ? AND spot = ? "
        "AND removed IS NULL", (key, spot),
    )  # fmt: skip
    if any(row["number"] == number for row in spot_rows):
        raise WrongUsage(
            f'pull {number} of "{edition}" is already in the book',
            "nothing in the book is ever written over",
            "give the number of this pull, or strike the other one out first",
        )
    if good:
        for row in spot_rows:
            if row["good"]:
                change.update("pull", row["id"], {"good": 0})
    return change.insert(
        "pull",
        {
            "edition": edition,
            "edition_key": key,
            "number": int(number),
            "date": date,
            "spot": spot,
            "good": int(good),
            "note": note,
            "reading": reading,
            "beside": beside,
        },
    )


def run_of(book: Book, edition: str) -> tuple[Pull, ...]:
    """The pulls of an edition in the order of their numbers, ensembles included."""
    rows = book.rows(
        f"SELECT p.*, {reading_columns('r', 'r_')}, {reading_columns('b', 'b_')} FROM pull p "
        "JOIN reading r ON r.id = p.reading LEFT JOIN reading b ON b.id = p.beside "
        "WHERE p.edition_key = ? AND p.removed IS NULL ORDER BY p.spot, p.number",
        (name_key(edition),),
    )
    return tuple(_pull(row) for row in rows)


def editions(book: Book) -> list[tuple[str, int]]:
    """Every edition with pulls in the book, and how many there are."""
    rows = book.rows(
        "SELECT min(edition) AS edition, count(*) AS count FROM pull WHERE removed IS NULL "
        "GROUP BY edition_key ORDER BY edition_key"
    )
    return [(row["edition"], row["count"]) for row in rows]
