"""Packets: stored leftover ink, with its mix, weight, day and place."""

from __future__ import annotations

import sqlite3

from calibration.errors import WrongUsage
from drawdown.book.columns import PACKET, Mix, Packet, mix_text
from drawdown.book.originals import (
    SORTS,
    Wanted,
    called,
    check_free,
    colour_at_hand,
    find_by_name,
)
from drawdown.book.store import Book, Change


# A packet's colour: its own reading, or that of the original it was made for.
def _select(*, samples: bool = True) -> str:
    return PACKET.select(
        samples=samples,
        join="LEFT JOIN original o ON o.id = t.original",
        reading="coalesce(t.reading, o.reading)",
    )


def _packet(row: sqlite3.Row) -> Packet:
    return PACKET.record(row, own_reading=row["reading"] is not None)


def put_by(  # its parameters are what stands on a packet
    book: Book,
    change: Change,
    *,
    name: str,
    grams: float,
    date: str,
    place: str = "",
    mix: Mix = (),
    original: int | None = None,
    batch: int | None = None,
    reading: int | None = None,
    note: str = "",
) -> int:
    """Add a packet. Raises ``WrongUsage`` when the name is taken. Returns its id."""
    check_free(book, "packet", name)
    return change.insert("packet", {
        **called(name), "original": original, "batch": batch, "mix": mix_text(mix),
        "grams": float(grams), "date": date, "place": place, "note": note, "reading": reading,
        **colour_at_hand(book, reading or reading_of_original(book, original)),
    })  # fmt: skip


def reading_of_original(book: Book, original: int | None) -> int | None:
    rows = book.rows("SELECT reading FROM original WHERE id = ?", (original,))
    return rows[0]["reading"] if rows else None


def take_from(change: Change, packet: Packet, grams: float | None) -> float:
    """Take ink out; None takes all. Returns what is left. Raises ``WrongUsage``."""
    taken = packet.grams if grams is None else grams
    if taken > packet.grams + 1e-9:
        raise WrongUsage(
            f'{taken:g} g are to be taken, but "{packet.name}" holds {packet.grams:g} g',
            "the book would no longer agree with what is in the packet",
            "weigh what is left; leave `grams` out when the packet is used up",
        )
    left = round(max(0.0, packet.grams - taken), 3)
    change.update("packet", packet.id, {"grams": left})
    return left


def packet_by_id(book: Book, packet: int) -> Packet | None:
    rows = book.rows(_select() + "WHERE t.id = ?", (packet,))
    return _packet(rows[0]) if rows else None


def find_packet(book: Book, name: str) -> Packet:
    """The packet of that name. Raises ``WrongUsage`` with near misses."""
    found = packet_by_id(book, find_by_name(book, "packet", name))
    assert found is not None
    return found


def list_packets(
    book: Book, wanted: Wanted | None = None, sort: str = "date", reverse: bool = False
) -> list[Packet]:
    """The packets that are wanted, oldest first by default; without their ensembles."""
    wanted = wanted or Wanted()
    rows = map(_packet, wanted.rows(book, _select(samples=False)))
    found = [p for p in rows if wanted.fits(p) and (wanted.used_up or p.grams > 0)]
    return sorted(found, key=SORTS[sort], reverse=reverse)
