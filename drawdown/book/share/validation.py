"""Hold the records of a shared book file to account, field by field, before any of them comes
near a book: what each may be is said with its column. Every complaint names the place in the
manifest and what stands there."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from drawdown.book.columns import PHOTO, READING
from drawdown.book.shapes import WHOLE, Wrong, many, moment, name_key, record, text
from drawdown.book.share.archive import AGAIN, Archive, bad
from drawdown.book.share.manifest import FORMAT, FORMAT_NAME, FORMAT_VERSION, KINDS, BookFile
from drawdown.book.tables import Table

# The keys that name a reading, by its place in the file.
READINGS = tuple(
    dict.fromkeys(
        key for table in KINDS.values()
        for one in (table, *(part for part, _ in table.parts.values())) for key in one.readings
    )
)  # fmt: skip
# The keys that name another record, and where its id is: {"original": "originals", ...}.
POINTERS = {
    column.key: kind for table in KINDS.values() for column in table.shared
    for kind, other in KINDS.items() if column.refers == other.name
}  # fmt: skip
_LISTS: dict[str, Table[Any]] = {"readings": READING, **KINDS, "photos": PHOTO}
_MANIFEST = record({
    "format": text(100), "made_at": moment,
    **{key: many(table.shape) for key, table in _LISTS.items()},
})  # fmt: skip


def check_manifest(archive: Archive, data: Any) -> BookFile:
    """The records, seen to be whole and to agree with each other. Raises ``BadFile``."""
    path = archive.path
    _check_format(path, data)
    try:
        file = _manifest(data)
        _check_references(file)
        _check_photos(file, archive)
    except Wrong as wrong:
        raise bad(path, f"in its manifest {wrong}") from None
    return file


def _check_format(path: Path, data: Any) -> None:
    said = data.get("format") if isinstance(data, dict) else None
    match = re.fullmatch(rf"{re.escape(FORMAT_NAME)}/(\d{{1,6}})", said or "", re.ASCII) if (
        isinstance(said, str)) else None  # fmt: skip
    if match is None:
        raise bad(path, f"its manifest does not say that it is a {FORMAT_NAME}",
                  "give the file that `export_book` wrote")  # fmt: skip
    if int(match[1]) > FORMAT_VERSION:
        raise bad(path, f"it is of version {int(match[1])} of the format, and this program knows "
                  f"versions up to {FORMAT_VERSION}", "use a newer drawdown")  # fmt: skip
    if said != FORMAT:
        raise bad(path, f"its version of the format, {match[1]}, never was", AGAIN)


def _manifest(data: Any) -> BookFile:
    whole = _MANIFEST(data, WHOLE)
    photos: dict[str, tuple[str, int]] = {}
    for i, photo in enumerate(whole["photos"]):
        if photo["sha256"] in photos:
            raise Wrong(f"photos[{i}]", "stands there twice")
        photos[photo["sha256"]] = (photo["ending"], photo["size_bytes"])
    lists = {kind: whole[kind] for kind in ("readings", *KINDS)}
    return BookFile(whole["made_at"], **lists, photos=photos)


def _check_references(file: BookFile) -> None:
    """What a record points to is in the file, and no name or number is there twice."""
    ids = {kind: {data.get("id") for data in file.of(kind)} for kind in KINDS}
    seen: set[tuple] = set()

    def once(key: tuple, where: str, twice: str) -> None:
        if key in seen:
            raise Wrong(where, twice)
        seen.add(key)

    for kind in KINDS:
        for i, data in enumerate(file.of(kind)):
            where = f"{kind}[{i}]"
            places = {where: data} | {
                f"{where}.entries[{k}]": entry for k, entry in enumerate(data.get("entries", ()))
            }
            for place, one in places.items():
                for name in READINGS:
                    if one.get(name) is not None and one[name] >= len(file.readings):
                        raise Wrong(f"{place}.{name}", f"is {one[name]}, which is not in the file")
            for name, target in POINTERS.items():
                if data.get(name) is not None and data[name] not in ids[target]:
                    raise Wrong(f"{where}.{name}", f"is {data[name]}, which is not in the file")
            if "id" in data:
                once((kind, "id", data["id"]), f"{where}.id", f"{data['id']} is there twice")
            if data["removed"] is not None:
                continue
            if "name" in data:
                name = data["name"]
                once((kind, "name", name_key(name)), f"{where}.name", f'"{name}" is there twice')
                continue
            spot = (name_key(data["edition"]), data["spot"])
            once((*spot, data["number"]), f"{where}.number",
                 f"{data['number']} is there twice in its edition")  # fmt: skip
            if data["good"]:
                once((*spot, "good"), f"{where}.good", "marks a second first good pull")


def _check_photos(file: BookFile, archive: Archive) -> None:
    """Every photo that is named is there and listed, and the other way round."""
    for i, reading in enumerate(file.readings):
        for name in ("photo", "crop"):
            if reading[name] is not None and reading[name] not in file.photos:
                raise Wrong(f"readings[{i}].{name}", "is a photo that is not in the file")
    for sha, (ending, size) in file.photos.items():
        if sha not in archive.photos:
            raise Wrong(f"the photo {sha[:12]}...", "is listed and is not in the file")
        there, info = archive.photos[sha]
        if there != ending or info.file_size != size:
            raise Wrong(f"the photo {sha[:12]}...", "is listed with another size or ending")
    stray = archive.photos.keys() - file.photos.keys()
    if stray:
        raise Wrong(f"the photo {min(stray)[:12]}...", "is not listed, though it is in the file")
