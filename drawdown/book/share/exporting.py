"""Write a shared book file: one zip with the records as JSON, the photos, and the colours
once more as CSV and CGATS.17 for programs that know nothing of this one."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from calibration.errors import BadFile
from calibration.files import writing_atomically
from drawdown.book.photos import PhotoStore
from drawdown.book.shapes import Data
from drawdown.book.share.manifest import (
    ABOUT,
    COLOURS_CSV,
    COLOURS_TXT,
    FORMAT,
    KINDS,
    MANIFEST,
    BookFile,
    photo_member,
)

_TIME = (1980, 1, 1, 0, 0, 0)  # of each member: the same book gives the same members
MOST_SHRINKING = 40  # a reader believes 100
MOST_MANIFEST_BYTES = 400_000_000
# A list of nothing but empty lists takes thirty times its text in memory.
MOST_VALUES = 20_000_000

_ABOUT = f"""A studio book, written by drawdown ({FORMAT}).

manifest.json  everything: kept originals with their recipes, batches, packets, pulled prints
photos/        the photos it names, each called by the SHA-256 of its bytes
colours.csv    the colours once more, for a spreadsheet
colours.txt    and as CGATS.17 (ISO 28178), for colour programs

Colours are CIELAB, D50, 2 degree observer; u95 is the half width of the 95 % interval.
Weights are grams, mixes are parts by weight. To take it into a book: drawdown book import FILE
"""


def write_book_file(out: Path, file: BookFile, store: PhotoStore) -> int:
    """Write the file, whole or not at all; returns its size in bytes. Raises ``BadFile``."""
    data = bytearray()  # grows by lines: a large book's records are never there in several copies
    for line in manifest_lines(file):
        data += line.encode("utf-8")
    if len(data) > MOST_MANIFEST_BYTES or values_in(data) > MOST_VALUES:
        raise BadFile(
            f"the records come to {len(data) / 1e6:.0f} MB",
            f"one file holds at most {MOST_MANIFEST_BYTES / 1e6:.0f} MB of them, so that any "
            "computer can open it",
            "export the book in parts: name the originals, or an edition with `edition`",
        )
    with writing_atomically(out) as stream:
        with zipfile.ZipFile(stream, "w", allowZip64=True) as archive:
            rows = colour_rows(file)
            texts = {MANIFEST: data, ABOUT: _ABOUT.encode()}
            if rows:
                texts[COLOURS_CSV] = colours_csv(rows).encode("utf-8-sig")
                texts[COLOURS_TXT] = colours_cgats(rows, file.made_at[:10]).encode()
            for name, text in texts.items():
                archive.writestr(_member(name, _packing(text)), text)
            for sha, (ending, _) in sorted(file.photos.items()):
                _add_photo(archive, store.path(sha, ending), sha, ending)
        return stream.seek(0, io.SEEK_END)


def manifest_lines(file: BookFile) -> Iterator[str]:
    """The manifest with one record on each line."""

    def dump(value: object) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))

    for number, (key, value) in enumerate(file.manifest().items()):
        yield (",\n" if number else "{") + f"{dump(key)}:"
        if not isinstance(value, list) or not value:
            yield dump(value)
            continue
        for place, row in enumerate(value):
            yield (",\n" if place else "[\n") + dump(row)
        yield "\n]"
    yield "}\n"


def values_in(data: bytes | bytearray) -> int:
    """How many values a JSON text can hold at most."""
    return sum(data.count(sign) for sign in (b",", b"[", b"{"))


def _packing(text: bytes | bytearray) -> int:
    """Packed small, unless it would shrink so much that a reader takes it for a bomb."""
    small = len(zlib.compress(text, 1)) * MOST_SHRINKING < len(text)
    return zipfile.ZIP_STORED if small else zipfile.ZIP_DEFLATED


def _member(name: str, method: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _TIME)
    info.compress_type = method
    info.external_attr = 0o644 << 16
    return info


def _add_photo(archive: zipfile.ZipFile, path: Path, sha: str, ending: str) -> None:
    """Photos are compressed already, so they are stored; what was damaged is not passed on."""
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != sha:
        raise BadFile(
            f"the photo {path} in the book is not as it was kept",
            "a damaged photo is not passed on",
            "run: `repair_book`, then export again",
        )
    archive.writestr(_member(photo_member(sha, ending), zipfile.ZIP_STORED), data)


# Colours -----------------------------------------------------------------------------------

_HEAD = (
    "kind", "name", "date", "state", "lab_l_d50", "lab_a_d50", "lab_b_d50", "u95_l", "u95_a",
    "u95_b", "mix_parts", "grams", "place", "paper", "edition", "note",
)  # fmt: skip


def colour_rows(file: BookFile) -> list[Data]:
    """What has a colour and was not removed, one row each."""
    rows: list[Data] = []
    of_original = {data["id"]: data["reading"] for data in file.originals}
    for kind in ("originals", "packets", "pulls"):
        for data in file.of(kind):
            place = data["reading"]
            if place is None and kind == "packets":
                place = of_original.get(data["original"])
            if place is None or data["removed"] is not None:
                continue
            reading = file.readings[place]
            recipe = (data.get("recipes") or [data])[-1]
            parts = [f"{part['ink']} {part['parts']:g}" for part in recipe.get("mix", ())]
            run = f"{data.get('edition')} {data.get('number')} {data.get('spot')}"
            rows.append({
                **data, "kind": KINDS[kind].name, "name": data.get("name", run.rstrip()),
                "mix_parts": "; ".join(parts), "grams": recipe.get("grams"),
                **{f"lab_{axis}_d50": v for axis, v in zip("lab", reading["lab_d50"], strict=True)},
                **{f"u95_{axis}": v for axis, v in zip("lab", reading["lab_u95"], strict=True)},
            })  # fmt: skip
    return rows


def colours_csv(rows: list[Data]) -> str:
    """RFC 4180. A text that a spreadsheet would take for a formula gets an apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_HEAD)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in _HEAD])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return "'" + value if value[:1] in ("=", "+", "-", "@", "\t") else value
    return f"{value:.4f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def colours_cgats(rows: list[Data], day: str) -> str:
    from calibration.colour.tables import cgats_text  # the help of export needs no numpy

    samples = [
        (f"{row['kind'][0].upper()}{number}", row["name"],
         [row["lab_l_d50"], row["lab_a_d50"], row["lab_b_d50"]])
        for number, row in enumerate(rows, 1)
    ]  # fmt: skip
    return cgats_text(samples, descriptor="colours of a studio book", created=day)
