"""The book's changes as a list, and striking things out."""

from __future__ import annotations

from dataclasses import dataclass

from drawdown.book.store import Book, Change, now


@dataclass(frozen=True)
class Done:
    """One change: ``state`` is "done", "undone" (can be done again), "dropped" (undone, and
    other changes came after) or "settled" (from before the book was brought up to date)."""

    id: int
    at: str
    what: str
    state: str


def list_changes(
    book: Book, *, text: str = "", since: str | None = None, limit: int | None = None
) -> list[Done]:
    """The changes, newest first."""
    rows = book.rows("SELECT * FROM change ORDER BY id DESC")
    kept = [
        Done(row["id"], row["at"], row["what"], row["state"])
        for row in rows
        if text.casefold() in row["what"].casefold() and row["at"][:10] >= (since or "")
    ]
    return kept if limit is None else kept[:limit]


def strike_out(change: Change, table: str, row_id: int) -> None:
    """Mark as removed: it leaves the lists and frees its name, and stays in the book."""
    change.update(table, row_id, {"removed": now()})
