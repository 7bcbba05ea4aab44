"""The studio book: kept originals, recipes, batches, packets of ink, pulled prints.

``opening`` opens a book, ``store`` changes it in one piece; ``records`` are what the other
rooms hand over; ``originals``, ``batches``, ``packets`` and ``pulls`` keep and list each
kind; ``check`` verifies and repairs.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drawdown.book.opening import open_book
    from drawdown.book.store import Book, Change, now

__all__ = ["Book", "Change", "now", "open_book"]


def __getattr__(name: str) -> Any:
    """Loaded when asked for: a photo is judged without a book too."""
    if name not in __all__:
        raise AttributeError(name)
    from drawdown.book import opening, store

    return getattr(opening if name == "open_book" else store, name)
