"""The kept original or packet that is nearest to a colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.difference import delta_e_2000
from drawdown.book import problems
from drawdown.book.originals import original_by_id
from drawdown.book.packets import packet_by_id
from drawdown.book.records import Original, Packet
from drawdown.book.store import Book

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison
    from drawdown.reading.colour import StripReading

# A packet's colour is its own, or else that of the original it was made for.
_COLOURS = """
SELECT 0, id, lab_l, lab_a, lab_b FROM original
WHERE removed IS NULL AND lab_l IS NOT NULL
UNION ALL
SELECT 1, id, lab_l, lab_a, lab_b FROM packet
WHERE removed IS NULL AND lab_l IS NOT NULL AND grams > 0
"""
KINDS = ("original", "packet")


@dataclass(frozen=True)
class Near:
    """One of the nearest: ``kind`` "original" or "packet", its id, CIEDE2000 between the two
    colours as read."""

    kind: str
    id: int
    de00: float


@dataclass(frozen=True)
class Found:
    """One of the nearest in full; ``comparison`` is that of two photos, with its interval."""

    near: Near
    original: Original | None
    packet: Packet | None
    comparison: Comparison


def nearest(
    book: Book, lab_d50, count: int = 5, kinds: tuple[str, ...] = KINDS
) -> tuple[Near, ...]:
    """The nearest by CIEDE2000, nearest first: every kept colour is compared, so none nearer
    can be missed. ``lab_d50`` (3,)."""
    with problems.explaining(book.folder):
        cursor = book.db.cursor()
        cursor.row_factory = None
        table = np.array(cursor.execute(_COLOURS).fetchall(), dtype=float).reshape(-1, 5)
    table = table[np.isin(table[:, 0], [KINDS.index(kind) for kind in kinds])]
    if not len(table):
        return ()
    de00 = delta_e_2000(np.asarray(lab_d50, dtype=float), table[:, 2:])
    # Equal colours in a steady order: originals first, the older first.
    order = np.lexsort((table[:, 1], table[:, 0], de00))[:count]
    return tuple(Near(KINDS[int(table[i, 0])], int(table[i, 1]), float(de00[i])) for i in order)


def look_up(
    book: Book,
    near: tuple[Near, ...],
    colour: StripReading,
    *,
    nominal: bool,
    shaded: bool,
    tolerance: float,
) -> tuple[Found, ...]:
    """The nearest in full, each compared with a strip across photos. ``nominal`` and
    ``shaded`` say how the strip's own card is."""
    from drawdown.matching.compare import compare

    found = []
    for one in near:
        original = original_by_id(book, one.id) if one.kind == "original" else None
        packet = packet_by_id(book, one.id) if one.kind == "packet" else None
        reading = (original or packet).reading  # type: ignore[union-attr]
        assert reading is not None
        comparison = compare(
            reading.strip_colour(),
            colour,
            tolerance=tolerance,
            nominal_card=nominal or reading.card != "measured",
            shaded_card=shaded or reading.shaded,
            across_photos=True,
        )
        found.append(Found(one, original, packet, comparison))
    return tuple(found)
