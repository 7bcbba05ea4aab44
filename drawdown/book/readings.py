"""From a strip that was just read to a reading in the book."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drawdown.book.originals import colour_at_hand
from drawdown.book.photos import Stored
from drawdown.book.store import Book, Change, Row, now

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading

CROP_LONG_SIDE_PX = 320


def store_photo(book: Book, path: Path) -> Stored:
    """Keep the photo before the change that names it begins. Raises ``BadFile``."""
    return book.photos.add_file(path)


def store_crop(book: Book, seen: Judgement, colour: StripReading) -> Stored:
    """Keep the strip alone, in corrected colours. Raises ``BadFile``."""
    return book.photos.add_bytes(crop_png(seen, colour), ".png")


def reading_row(seen: Judgement, colour: StripReading, photo: int | None, crop: int | None) -> Row:
    """A strip as a row of ``reading``; ``photo`` and ``crop`` are ids of photo rows."""
    u95 = [_finite(v) for v in colour.lab_u95]
    paper = seen.correction.paper_lab_d50
    offsets = np.asarray(colour.lab_samples, dtype=float) - colour.lab_d50
    return {
        "photo": photo,
        "crop": crop,
        "strip_number": int(colour.strip.number),
        "corners_px": json.dumps(
            [[round(float(v), 1) for v in c] for c in seen.view.to_px(colour.strip.corners_mm)]
        ),
        "lab_l": float(colour.lab_d50[0]),
        "lab_a": float(colour.lab_d50[1]),
        "lab_b": float(colour.lab_d50[2]),
        "u95_l": u95[0],
        "u95_a": u95[1],
        "u95_b": u95[2],
        "samples": offsets.astype("<f4").tobytes(),
        "card": "nominal" if seen.correction.nominal else "measured",
        "shaded": int(bool(seen.correction.shaded)),
        "evenness_de00": _finite(colour.evenness_de00),
        "light_sd": _finite(colour.light_sd),
        "munsell_value": _finite(colour.munsell_value),
        "flags": json.dumps(
            [[f.code, f.detail] for f in dict.fromkeys((*seen.flags, *colour.flags))]
        ),
        "paper": None if paper is None else json.dumps([round(float(v), 2) for v in paper]),
        "captured": seen.photo.metadata.get("captured"),
        "read_at": now(),
    }


def insert_reading(
    change: Change,
    seen: Judgement,
    colour: StripReading,
    photo: Stored | None,
    crop: Stored | None,
) -> int:
    """Put a strip's reading into a change; returns its id."""
    photo_id = None if photo is None else change.photo(photo)
    crop_id = None if crop is None else change.photo(crop)
    return change.insert("reading", reading_row(seen, colour, photo_id, crop_id))


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


def crop_png(seen: Judgement, colour: StripReading) -> bytes:
    """The strip alone as PNG, sRGB, colours corrected by the card."""
    from PIL import Image

    from calibration.colour.spaces import xyz_d50_to_srgb
    from drawdown.report.pictures.answer import png_bytes

    rows, columns = np.nonzero(colour.strip.mask)
    top, left = rows.min(), columns.min()
    step = max(1, -(-max(np.ptp(rows), np.ptp(columns)) // CROP_LONG_SIDE_PX))
    box = np.s_[top : rows.max() + 1 : step, left : columns.max() + 1 : step]
    rgb = seen.sheet.rgb_linear[box].astype(float)
    height, width = rgb.shape[:2]
    across, down = np.meshgrid(np.arange(width), np.arange(height))
    xy_px = np.stack([left + step * across.ravel(), top + step * down.ravel()], axis=-1)
    xy_mm = seen.sheet.to_mm(xy_px)
    xyz = seen.correction.xyz_d50(seen.correction.light(rgb.reshape(-1, 3), xy_mm))
    encoded = np.rint(255 * xyz_d50_to_srgb(xyz)).astype(np.uint8).reshape(height, width, 3)
    return png_bytes(Image.fromarray(encoded))


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)
