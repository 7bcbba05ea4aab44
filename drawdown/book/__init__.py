"""The studio book: kept originals, recipes, batches, packets of ink, pulled prints.

``opening`` opens a book, ``store`` changes it in one piece; ``records`` are what the other
rooms hand over; ``originals``, ``batches``, ``packets`` and ``pulls`` keep and list each
kind; ``check`` verifies and repairs.
"""

from drawdown.book.opening import open_book
from drawdown.book.store import Book, Change, now

__all__ = ["Book", "Change", "now", "open_book"]
