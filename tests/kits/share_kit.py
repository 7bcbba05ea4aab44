"""Books to share, and shared files spoiled in every way that a hostile hand may try."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import struct
import zipfile
import zlib
from pathlib import Path

from book_kit import MIX, keep, reading_row

from drawdown.book import Book, now, open_book
from drawdown.book.batches import GRAMS, begin_batch, log_added
from drawdown.book.edition import add_pull
from drawdown.book.originals import add_recipe
from drawdown.book.packets import put_by


def png(shade: int) -> bytes:
    """A small PNG, made by hand from the format's own description (W3C PNG)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data
            + struct.pack(">I", zlib.crc32(kind + data))
        )  # fmt: skip

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes([0, shade])))
        + chunk(b"IEND", b"")
    )  # fmt: skip


ADVISED = {"add_first": [{"ink": "phthalo-blue", "parts_per_100": 0.8}], "flags": []}


def fill(book: Book) -> None:
    """A little of everything, struck-out things and odd letters too."""
    tide = keep(book, "Tide blue", photo=png(1), edition="Kingfisher", paper="washi")
    keep(book, '=Łódź "bleu", №2', lab=(50.0, 1.5, -0.25), mix=(), state="wet")
    gone = keep(book, "Gone", photo=png(2))
    with book.change("struck out Gone") as change:
        change.update("original", gone, {"removed": now()})
    keep(book, "Gone", lab=(20.0, 0.0, 0.0))
    with book.change("a recipe") as change:
        add_recipe(change, tide, MIX[:1], 12.5, "by hand")
    stored = book.photos.add_bytes(png(3), ".png")
    with book.change("a batch") as change:
        batch = begin_batch(
            book, change, name="May", original=tide, date="2030-05-05", mix=MIX, grams=250.0
        )
        lone = reading_row((60.0, -20.0, -22.0), photo=change.photo(stored),
                           flags='[["nominal-card", "a\\u00a0detail"]]', paper="[96.0, 0, -2.5]",
                           corners_px="[[1.5, 2], [3, 4]]")  # fmt: skip
        reading = change.insert("reading", lone)
        of_tide = book.rows("SELECT reading FROM original WHERE id = ?", (tide,))[0]["reading"]
        change.insert("entry", {
            "batch": batch, "at": now(), "kind": "read", "reading": reading,
            "original_reading": of_tide, "across_photos": 1, "de00": 3.5, "de00_low95": 1.0,
            "de00_high95": 6.0, "tolerance": 2.0, "p_within": 0.1, "verdict": "no match",
            "words": "a little lighter", "advised": json.dumps(ADVISED),
        })  # fmt: skip
        log_added(change, batch, (("phthalo-blue", 2.1),), GRAMS)
    with book.change("a packet") as change:
        put_by(book, change, name="rest", grams=35.0, date="2030-05-06", place="drawer 2",
               mix=MIX, original=tide, batch=batch, reading=reading)  # fmt: skip
        put_by(book, change, name="old rest", grams=0.0, date="2029-05-06", original=tide)
    with book.change("pulls") as change:
        for number in (1, 2):
            own = change.insert("reading", reading_row((61.0 + number, -20.0, -22.0)))
            add_pull(book, change, edition="Kingfisher", number=number, date="2030-06-01",
                     reading=own, spot="sky", good=number == 1)  # fmt: skip


def members(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def write_zip(path: Path, parts: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


def remade(source: Path, target: Path, change) -> Path:
    """A copy of a shared file whose manifest went through ``change``; a text it returns is
    written as the manifest."""
    parts = members(source)
    manifest = json.loads(parts["manifest.json"])
    said = change(manifest)
    text = said if isinstance(said, (str, bytes)) else json.dumps(manifest)
    parts["manifest.json"] = text if isinstance(text, bytes) else text.encode()
    return write_zip(target, parts)


def put(*way: object):
    """A change that sets one value: put("originals", 0, "name", 5)."""
    *keys, last, value = way

    def change(manifest):
        place = manifest
        for key in keys:
            place = place[key]
        if value is DELETE:
            del place[last]
        else:
            place[last] = value

    return change


DELETE = object()


def snapshot(folder: Path) -> dict[str, str]:
    """Everything that counts in a book's folder: all rows, the diary and every photo."""
    from drawdown.book import columns as schema

    with open_book(folder) as book:
        rows = {
            table: [tuple(row) for row in book.rows(f'SELECT * FROM "{table}" ORDER BY id')]
            for table in schema.TABLES
        }
    files = {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.startswith("book.sqlite")
    }
    return {**files, "rows": repr(rows)}


# Hostile archives --------------------------------------------------------------------------


def with_member(name: str, data: bytes = b"x"):
    def spoil(source: Path, target: Path) -> Path:
        return write_zip(target, {**members(source), name: data})

    return spoil


def with_link(source: Path, target: Path) -> Path:
    """A photo that is a symbolic link to a file of the reader's."""
    parts = members(source)
    link = next(name for name in parts if name.startswith("photos/"))
    with zipfile.ZipFile(target, "w") as archive:
        for name, data in parts.items():
            info = zipfile.ZipInfo(name)
            info.create_system = 3
            info.external_attr = ((stat.S_IFLNK if name == link else stat.S_IFREG) | 0o644) << 16
            archive.writestr(info, b"/etc/passwd" if name == link else data)
    return target


def with_twice(source: Path, target: Path) -> Path:
    import warnings

    parts = members(source)
    with zipfile.ZipFile(target, "w") as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the module itself warns of what is done on purpose
        for name, data in parts.items():
            archive.writestr(name, data)
        archive.writestr("manifest.json", b"{}")
    return target


def with_bomb(source: Path, target: Path) -> Path:
    """A manifest that shrinks a thousandfold."""
    parts = members(source)
    return write_zip(target, {**parts, "manifest.json": b" " * 30_000_000})


def with_liar(source: Path, target: Path) -> Path:
    """The list of contents says that the manifest has a hundred bytes; it has more."""
    write_zip(target, members(source))
    data = bytearray(target.read_bytes())
    for at, size_at in ((b"PK\1\2", 24), (b"PK\3\4", 22)):
        start = 0
        while (start := data.find(at, start)) >= 0:
            name_at = start + (46 if size_at == 24 else 30)
            if data[name_at : name_at + 13] == b"manifest.json":
                struct.pack_into("<I", data, start + size_at, 100)
            start += 4
    target.write_bytes(data)
    return target


def with_huge_claim(source: Path, target: Path) -> Path:
    """A photo that claims to be four thousand million bytes long."""
    write_zip(target, members(source), zipfile.ZIP_STORED)
    data = bytearray(target.read_bytes())
    start = 0
    while (start := data.find(b"PK\1\2", start)) >= 0:
        if data[start + 46 : start + 53] == b"photos/":
            struct.pack_into("<I", data, start + 24, 4_000_000_000)
            break
        start += 4
    target.write_bytes(data)
    return target


def with_overlap(source: Path, target: Path) -> Path:
    """Two members of the list of contents that are the same bytes of the file."""
    write_zip(target, members(source), zipfile.ZIP_STORED)
    data = bytearray(target.read_bytes())
    places = []
    start = 0
    while (start := data.find(b"PK\1\2", start)) >= 0:
        if data[start + 46 : start + 53] == b"photos/":
            places.append(start)
        start += 4
    first = struct.unpack_from("<I", data, places[0] + 42)[0]
    struct.pack_into("<I", data, places[1] + 42, first)
    target.write_bytes(data)
    return target


def with_password(source: Path, target: Path) -> Path:
    write_zip(target, members(source))
    data = bytearray(target.read_bytes())
    for sign, at in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        start = data.find(sign)
        data[start + at] |= 1
    target.write_bytes(data)
    return target


def with_other_packing(source: Path, target: Path) -> Path:
    return write_zip(target, members(source), zipfile.ZIP_BZIP2)


def with_wrong_photo(source: Path, target: Path) -> Path:
    """A photo whose bytes are not those of its name."""
    parts = members(source)
    name = next(name for name in parts if name.startswith("photos/"))
    parts[name] = parts[name][:-1] + b"x"
    return write_zip(target, parts)


def with_disguised_photo(source: Path, target: Path) -> Path:
    """An archive that calls itself a photo, with the right hash."""
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("more.zip", b"0" * 100)
    data = inner.getvalue()
    parts = members(source)
    manifest = json.loads(parts["manifest.json"])
    photo = manifest["photos"][0]
    del parts[f"photos/{photo['sha256']}{photo['ending']}"]
    old, new = photo["sha256"], hashlib.sha256(data).hexdigest()
    photo["size_bytes"] = len(data)
    text = json.dumps(manifest).replace(old, new)
    return write_zip(target, {**parts, "manifest.json": text.encode(),
                              f"photos/{new}{photo['ending']}": data})  # fmt: skip


def without(start: str):
    def spoil(source: Path, target: Path) -> Path:
        parts = members(source)
        del parts[next(name for name in parts if name.startswith(start))]
        return write_zip(target, parts)

    return spoil


def cut_short(source: Path, target: Path) -> Path:
    data = source.read_bytes()
    target.write_bytes(data[: len(data) // 2])
    return target


def damaged_inside(source: Path, target: Path) -> Path:
    write_zip(target, members(source))
    data = bytearray(target.read_bytes())
    at = data.find(b"manifest.json") + 40
    data[at : at + 8] = b"\xff" * 8
    target.write_bytes(data)
    return target


def in_a_folder(source: Path, target: Path) -> Path:
    return write_zip(target, {f"book/{name}": data for name, data in members(source).items()})


def text_file(source: Path, target: Path) -> Path:
    target.write_text("name,colour\n")
    return target


def empty_zip(source: Path, target: Path) -> Path:
    return write_zip(target, {})


ARCHIVES = {
    "climbs out": (with_member("../evil.txt"), "points out of its folder"),
    "climbs out of photos": (with_member("photos/../../evil.jpg"), "points out of its folder"),
    "absolute": (with_member("/etc/evil"), "fixed place"),
    "drive": (with_member("C:\\evil.txt"), "fixed place"),
    "backslash": (with_member("photos\\..\\evil.txt"), "points out of its folder"),
    "line end in a name": (with_member("photos/a\nb.jpg"), "is not a name that a book file uses"),
    "stranger": (with_member("run-me.sh"), "belongs to no book file"),
    "archive inside": (with_member("inner.zip"), "archive within"),
    "link": (with_link, "is a link"),
    "twice": (with_twice, "twice"),
    "bomb": (with_bomb, "times its size"),
    "liar": (with_liar, "damaged"),
    "huge claim": (with_huge_claim, "at most 400 MB"),
    "overlap": (with_overlap, "share their bytes"),
    "password": (with_password, "password"),
    "other packing": (with_other_packing, "does not use"),
    "wrong photo": (with_wrong_photo, "checksum differs"),
    "disguised photo": (with_disguised_photo, "ZIP archive"),
    "photo missing": (without("photos/"), "is listed and is not in the file"),
    "no manifest": (without("manifest.json"), "no manifest.json"),
    "cut short": (cut_short, "damaged"),
    "damaged inside": (damaged_inside, "damaged"),
    "in a folder": (in_a_folder, "in a folder within the archive"),
    "text": (text_file, "not a shared book"),
    "empty": (empty_zip, "not a shared book"),
}


def names_of_live(book: Book) -> set[str]:
    return {row["name"] for row in book.rows("SELECT name FROM original WHERE removed IS NULL")}
