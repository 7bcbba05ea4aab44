"""Readings in the book: a strip that was just read is noted, and the kept original or packet
nearest to a colour is found."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_d50_to_srgb
from calibration.colour.tables import is_table
from calibration.errors import DrawdownError
from calibration.files import read_bytes
from calibration.photo.decode import png_bytes
from drawdown.book import problems
from drawdown.book.columns import MOST_PHOTO_BYTES, Original, Packet, Reading
from drawdown.book.originals import colour_at_hand, original_by_id
from drawdown.book.packets import packet_by_id
from drawdown.book.photos import Stored
from drawdown.book.store import Book, Change, Row, now

if TYPE_CHECKING:
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading
    from drawdown.reading.instrument import InstrumentReading


CROP_LONG_SIDE_PX = 320
SAME_LAB = 0.01  # a kept colour and the one its table gives are one


def crop_of(seen: Judgement, colour: StripReading) -> np.ndarray:
    """(h, w, 3) uint8 sRGB: the strip alone, colours corrected by the card."""
    rows, columns = np.nonzero(colour.strip.mask)
    top, left = rows.min(), columns.min()
    step = max(1, -(-max(int(np.ptp(rows)), int(np.ptp(columns))) // CROP_LONG_SIDE_PX))
    box = np.s_[top : rows.max() + 1 : step, left : columns.max() + 1 : step]
    rgb = seen.sheet.rgb_linear[box].astype(float)
    height, width = rgb.shape[:2]
    across, down = np.meshgrid(np.arange(width), np.arange(height))
    xy_px = np.stack([left + step * across.ravel(), top + step * down.ravel()], axis=-1)
    xy_mm = seen.sheet.to_mm(xy_px)
    xyz = seen.correction.xyz_d50(seen.correction.light(rgb.reshape(-1, 3), xy_mm))
    return np.rint(255 * xyz_d50_to_srgb(xyz)).astype(np.uint8).reshape(height, width, 3)


def store_photo(
    book: Book, photo: Path, seen: Judgement, colour: StripReading | InstrumentReading
) -> tuple[Stored, Stored | None]:
    """Keep a photo and the strip's crop, or an instrument's table, before the change that names
    them begins. Raises ``BadFile``."""
    if seen.table is not None:
        data = read_bytes(photo, "a table of readings", MOST_PHOTO_BYTES)
        return book.photos.add_bytes(data, photo.suffix), None
    from PIL import Image

    crop = png_bytes(Image.fromarray(crop_of(seen, colour)))
    return book.photos.add_file(photo), book.photos.add_bytes(crop, ".png")


def reading_row(
    seen: Judgement, colour: StripReading | InstrumentReading, photo: int | None, crop: int | None
) -> Row:
    """A strip as a row of ``reading``; ``photo`` and ``crop`` are ids of photo rows."""
    u95 = [None] * 3 if colour.lab_u95 is None else [_finite(v) for v in colour.lab_u95]
    paper = seen.paper_lab_d50
    corners = () if seen.table is not None else seen.view.to_px(colour.strip.corners_mm)
    samples = None if colour.lab_samples is None else colour.lab_samples - colour.lab_d50
    return {
        "photo": photo, "crop": crop, "strip_number": int(colour.number),
        "corners_px": json.dumps([[round(float(v), 1) for v in c] for c in corners]),
        **{f"lab_{axis}": float(v) for axis, v in zip("lab", colour.lab_d50, strict=True)},
        **{f"u95_{axis}": v for axis, v in zip("lab", u95, strict=True)},
        "samples": None if samples is None else samples.astype("<f4").tobytes(),
        "card": "nominal" if seen.nominal else "measured", "shaded": int(bool(seen.shaded)),
        "evenness_de00": _finite(colour.evenness_de00), "light_sd": _finite(colour.light_sd),
        "munsell_value": _finite(colour.munsell_value),
        "flags": json.dumps(
            [[f.code, f.detail] for f in dict.fromkeys((*seen.flags, *colour.flags))]
        ),
        "paper": None if paper is None else json.dumps([round(float(v), 2) for v in paper]),
        "captured": None if seen.photo is None else seen.photo.metadata.get("captured"),
        "read_at": now(),
    }  # fmt: skip


def insert_reading(
    change: Change,
    seen: Judgement,
    colour: StripReading | InstrumentReading,
    photo: Stored | None,
    crop: Stored | None,
) -> int:
    """Put a strip's reading into a change; returns its id."""
    photo_id = None if photo is None else change.photo(photo)
    crop_id = None if crop is None else change.photo(crop)
    return change.insert("reading", reading_row(seen, colour, photo_id, crop_id))


def spectrum_of(book: Book, reading: Reading | None) -> np.ndarray | None:
    """Reflectance (31,) of a strip that an instrument read, out of the table that was kept with it;
    None where it was read otherwise, or the table is not there or is another."""
    if reading is None or reading.photo is None:
        return None
    (row,) = book.rows("SELECT sha256, ending FROM photo WHERE id = ?", (reading.photo,))
    path = book.photos.path(row["sha256"], row["ending"])
    if not is_table(path):
        return None
    from drawdown.pipeline.read import read_table

    try:
        strips = read_table(path).strips
    except DrawdownError:
        return None
    strip = next((s for s in strips if s.number == reading.strip_number), None)
    if strip is None or np.abs(strip.lab_d50 - reading.lab_d50).max() > SAME_LAB:
        return None
    return strip.spectrum


def set_reading(book: Book, change: Change, table: str, row: int, reading: int) -> None:
    """Give an original or a packet another reading; the earlier one stays in the book.
    Packets without a reading of their own follow their original."""
    colour = colour_at_hand(book, reading)
    change.update(table, row, {"reading": reading, **colour})
    if table == "original":
        for packet in book.rows(
            "SELECT id FROM packet WHERE original = ? AND reading IS NULL", (row,)
        ):
            change.update("packet", packet["id"], colour)


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


# The nearest -----------------------------------------------------------------------------

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
            reading.colour(),
            colour,
            tolerance=tolerance,
            nominal_card=nominal or reading.card != "measured",
            shaded_card=shaded or reading.shaded,
            across_photos=True,
        )
        found.append(Found(one, original, packet, comparison))
    return tuple(found)
