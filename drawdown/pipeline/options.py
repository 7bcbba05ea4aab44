"""What the user asked of a photo: one record for command line, page, Python and tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drawdown.matching.kept_original import Kept

Progress = Callable[[str, float], None]
DEFAULT_TOLERANCE = 2.0


@dataclass(frozen=True)
class Options:
    """What the user asked for."""

    original: int = 1
    batch: int = 2
    card_path: Path | None = None
    shelf_path: Path | None = None
    mix: dict[str, float] | None = None
    batch_grams: float | None = None
    scale_step: float = 0.1
    slab: str | None = None  # the batch that goes on, or begins
    added: dict[str, float] = field(default_factory=dict)  # to it since its last photo
    tolerance: float = DEFAULT_TOLERANCE
    other_inks: bool = False
    pulled_alike: bool = False
    wet: frozenset[str] = frozenset()  # "original", "batch": strips that are still wet
    strips_by_hand: tuple[str, ...] = field(default=())
    crossing: bool = False  # one of them is laid across the other
    original_photo: Path | None = None
    # The card's corners in photo px, by hand: in the photo, and in the original's photo.
    card_corners: tuple[tuple[tuple[float, float], ...], ...] = field(default=())
    # The role whose number nobody gave: it is the other one of two strips, if there are two.
    assumed: str | None = None
    # A kept original out of the book.
    kept: Kept | None = None
