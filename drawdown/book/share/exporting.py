"""Write a shared book file: one zip with the records as JSON, the photos, and the colours
once more as CSV and CGATS.17 for programs that know nothing of this one."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
import zlib
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
    MANIFEST,
    BookFile,
    photo_member,
)

_TIME = (1980, 1, 1, 0, 0, 0)  # of each member: the same book gives the same members
_CHUNK = 1 << 20
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
    data = manifest_text(file).encode("utf-8")
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


def manifest_text(file: BookFile) -> str:
    """The manifest with one record on each line."""

    def dump(value: object) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))

    parts = []
    for key, value in file.manifest().items():
        if isinstance(value, list):
            rows = ",\n".join(map(dump, value))
            parts.append(f"{dump(key)}:[\n{rows}\n]" if value else f"{dump(key)}:[]")
        else:
            parts.append(f"{dump(key)}:{dump(value)}")
    return "{" + ",\n".join(parts) + "}\n"


def values_in(data: bytes) -> int:
    """How many values a JSON text can hold at most."""
    return sum(data.count(sign) for sign in (b",", b"[", b"{"))


def _packing(text: bytes) -> int:
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
    digest = hashlib.sha256()
    info = _member(photo_member(sha, ending), zipfile.ZIP_STORED)
    info.file_size = path.stat().st_size
    with open(path, "rb") as source, archive.open(info, "w") as target:
        while chunk := source.read(_CHUNK):
            digest.update(chunk)
            target.write(chunk)
    if digest.hexdigest() != sha:
        raise BadFile(
            f"the photo {path} in the book is not as it was kept",
            "a damaged photo is not passed on",
            "run: `repair_book`, then export again",
        )


# Colours -----------------------------------------------------------------------------------

_HEAD = (
    "kind", "name", "date", "state", "lab_l_d50", "lab_a_d50", "lab_b_d50", "u95_l", "u95_a",
    "u95_b", "mix_parts", "grams", "place", "paper", "edition", "note",
)  # fmt: skip


def colour_rows(file: BookFile) -> list[Data]:
    """What has a colour and was not removed, one row each."""
    rows: list[Data] = []

    def read(place: int | None) -> Data | None:
        return None if place is None else file.readings[place]

    for o in file.originals:
        recipe = (o["recipes"] or [None])[-1] or {}
        data = {**o, "reading": read(o["reading"])}
        rows += _row("original", o["name"], data, mix=recipe.get("mix"), grams=recipe.get("grams"))
    readings = {o["id"]: o["reading"] for o in file.originals}
    for p in file.packets:
        own = readings.get(p["original"]) if p["reading"] is None else p["reading"]
        rows += _row(
            "packet", p["name"], {**p, "reading": read(own)}, mix=p["mix"], grams=p["grams"]
        )
    for p in file.pulls:
        name = f"{p['edition']} {p['number']}" + (f" {p['spot']}" if p["spot"] else "")
        rows += _row("pull", name, {**p, "reading": read(p["reading"])})
    return rows


def _row(kind: str, name: str, data: Data, mix=None, grams=None) -> list[Data]:
    reading = data["reading"]
    if data["removed"] is not None or reading is None:
        return []
    lab, u95 = reading["lab_d50"], reading["lab_u95"]
    values = {f"lab_{axis}_d50": lab[i] for i, axis in enumerate("lab")}
    values |= {f"u95_{axis}": u95[i] for i, axis in enumerate("lab")}
    parts = "; ".join(f"{part['ink']} {part['parts']:g}" for part in mix or [])
    texts = {key: data.get(key, "") for key in ("date", "state", "place", "paper", "edition",
                                                "note")}  # fmt: skip
    return [{"kind": kind, "name": name, "mix_parts": parts, "grams": grams, **texts, **values}]


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
    from calibration.card.cgats import cgats_text  # the help of export needs no numpy

    samples = [
        (f"{row['kind'][0].upper()}{number}", row["name"],
         [row["lab_l_d50"], row["lab_a_d50"], row["lab_b_d50"]])
        for number, row in enumerate(rows, 1)
    ]  # fmt: skip
    return cgats_text(samples, descriptor="colours of a studio book", created=day)
