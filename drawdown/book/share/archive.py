"""Open a shared book file that may come from anywhere: what the archive may hold, how large it
may grow, and that every photo is what its name says. Nothing is ever unpacked to a path that
the archive chose; nothing is written here at all."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import re
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import BadFile
from calibration.files import reading
from drawdown.book.columns import MOST_PHOTO_BYTES
from drawdown.book.share.exporting import MOST_MANIFEST_BYTES, MOST_VALUES, values_in
from drawdown.book.share.manifest import ABOUT, COLOURS_CSV, COLOURS_TXT, MANIFEST, PHOTO_FOLDER

WHY = "nothing was taken from it, and the book is as it was"
AGAIN = "ask the sender for the file again, as `export_book` wrote it"
GIVE = "give the file that `export_book` wrote"
MOST_MEMBERS = 200_000
MOST_TOTAL_BYTES = 100_000_000_000
MOST_RATIO = 100  # JSON of readings shrinks about 5 times, a photo not at all
MOST_TEXT_BYTES = 64_000_000
_PHOTO = re.compile(rf"{PHOTO_FOLDER}/([0-9a-f]{{64}})((?:\.[a-z0-9]{{1,5}})?)")
_TEXTS = {MANIFEST: MOST_MANIFEST_BYTES, COLOURS_CSV: MOST_TEXT_BYTES,
          COLOURS_TXT: MOST_TEXT_BYTES, ABOUT: 1_000_000}  # fmt: skip


def bad(path: Path, seen: str, todo: str = AGAIN) -> BadFile:
    return BadFile(f"{path}: {seen}", WHY, todo)


@dataclass
class Archive:
    """An open archive whose list of contents was found in order. ``photos`` maps a SHA-256 to
    its ending and its place in the archive."""

    path: Path
    zip: zipfile.ZipFile
    photos: dict[str, tuple[str, zipfile.ZipInfo]]

    def manifest(self) -> Any:
        """The manifest as JSON: no NaN, no number out of bounds, no key twice."""
        return parse_json(self.path, self._read(self.zip.getinfo(MANIFEST)))

    def _read(self, info: zipfile.ZipInfo) -> bytes:
        """The bytes of a member: as many as it announced."""
        with explaining(self.path, info.filename), self.zip.open(info) as stream:
            data = stream.read(info.file_size + 1)
        if len(data) != info.file_size:
            raise bad(self.path, f"{info.filename} is not as large as it says")
        return data

    def photo(self, sha256: str) -> bytes:
        """A photo's bytes, seen to be those of its name, and to be a photo."""
        from calibration.photo.formats import kind_of

        _, info = self.photos[sha256]
        data = self._read(info)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise bad(self.path, f"{info.filename} is not the photo that its name says (its "
                      "checksum differs)")  # fmt: skip
        try:
            kind_of(data, info.filename)
        except BadFile as error:
            raise bad(self.path, error.seen) from error
        return data


@contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Open a file and look through its list of contents. Raises ``BadFile``."""
    with reading(path, "a shared book") as stream:
        if stream.read(4) != b"PK\3\4":
            raise bad(path, "this is not a shared book (a zip file with a manifest)", GIVE)
        with explaining(path, "the archive"):
            archive = zipfile.ZipFile(stream)
        with archive:
            yield Archive(path, archive, _check_members(path, archive))


@contextmanager
def explaining(path: Path, what: str) -> Iterator[None]:
    """What a broken or hostile archive raises, explained."""
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError,
            RuntimeError, UnicodeError, OverflowError, KeyError, IndexError) as error:  # fmt: skip
        detail = str(error).strip("'\"")[:120] or type(error).__name__
        raise bad(path, f"{what} is damaged or no plain zip ({detail})") from error
    except OSError as error:
        raise bad(path, f"{what} could not be read ({error.strerror or error})") from error


def _check_members(path: Path, archive: zipfile.ZipFile) -> dict[str, tuple[str, zipfile.ZipInfo]]:
    infos = archive.infolist()
    if len(infos) > MOST_MEMBERS:
        raise bad(path, f"it holds {len(infos)} files, more than a book can have")
    photos: dict[str, tuple[str, zipfile.ZipInfo]] = {}
    seen: set[str] = set()
    total = 0
    for info in infos:
        name = info.orig_filename
        if name == f"{PHOTO_FOLDER}/" and info.file_size == 0:
            continue  # the folder itself, as other programs note it
        match = _check_name(path, name)
        if name in seen or (match and match[1] in photos):
            raise bad(path, f"{name[:80]} is in it twice, so it is not clear which one counts")
        seen.add(name)
        _check_member(path, info, MOST_PHOTO_BYTES if match else _TEXTS[name])
        total += info.file_size
        if match:
            photos[match[1]] = (match[2], info)
    if MANIFEST not in seen:
        raise bad(path, f"it holds no {MANIFEST}", GIVE)
    if total > MOST_TOTAL_BYTES:
        raise bad(path, f"unpacked it would come to {total / 1e9:.0f} GB, more than any book")
    _check_overlap(path, infos)
    return photos


# The usual ways out of a folder, each with what it does.
_STRANGE = (
    (r"[/\\].*|[A-Za-z]:.*", "would be written to a fixed place on your disk"),
    (r"(.*[/\\])?\.\.([/\\].*)?", "points out of its folder"),
    (r".*([\\\x00-\x1f]).*", "is not a name that a book file uses"),
    (r".*\.(zip|gz|7z|rar|tar|xz|bz2)", "is an archive within the archive"),
    (rf".*/{MANIFEST}", "says that the book lies in a folder within the archive"),
    (r".*", "belongs to no book file"),
)


def _check_name(path: Path, name: str) -> re.Match[str] | None:
    """Only names that the format knows."""
    match = _PHOTO.fullmatch(name)
    if match or name in _TEXTS:
        return match
    seen = next(seen for way, seen in _STRANGE if re.fullmatch(way, name, re.S | re.I))
    raise bad(path, f"{name[:80]!r} in it {seen}")


def _check_member(path: Path, info: zipfile.ZipInfo, most_bytes: int) -> None:
    kind = stat.S_IFMT(info.external_attr >> 16)
    times = info.file_size / max(info.compress_size, 1)
    for wrong, seen in (
        (kind == stat.S_IFLNK, "in it is a link"),
        (kind not in (0, stat.S_IFREG), "in it is no ordinary file"),
        (info.flag_bits & 0x1, "in it is locked with a password"),
        (info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED),
         "in it is packed in a way that a book file does not use"),
        (info.file_size > most_bytes, f"would unpack to {info.file_size / 1e6:.0f} MB; at most "
         f"{most_bytes / 1e6:.0f} MB is believed"),
        (times > MOST_RATIO and info.file_size > 100_000,
         f"would unpack to {times:.0f} times its size, as no book does"),
    ):  # fmt: skip
        if wrong:
            raise bad(path, f"{info.filename[:80]} {seen}")


def _check_overlap(path: Path, infos: list[zipfile.ZipInfo]) -> None:
    """Members that share their bytes make a small file unpack to a huge one."""
    at = sorted(infos, key=lambda info: info.header_offset)
    for one, following in itertools.pairwise(at):
        least = 30 + len(one.orig_filename.encode("utf-8", "surrogateescape")) + one.compress_size
        if one.header_offset + least > following.header_offset:
            raise bad(path, f"{one.filename[:80]} and {following.filename[:80]} share their bytes")


# JSON --------------------------------------------------------------------------------------


def parse_json(path: Path, data: bytes) -> Any:
    if values_in(data) > MOST_VALUES:
        raise bad(path, f"{MANIFEST} holds more values than any book")
    try:
        return json.loads(
            data.decode("utf-8-sig"),
            object_pairs_hook=_pairs,
            parse_constant=_refuse_constant,
            parse_float=_number(float),
            parse_int=_number(int),
        )
    except (ValueError, RecursionError, MemoryError) as error:
        seen = {
            RecursionError: "is nested deeper than any book",
            MemoryError: "needs more memory than there is",
            UnicodeDecodeError: "is not text in UTF-8",
        }.get(type(error), f"cannot be read: {str(error)[:150]}")
        raise bad(path, f"{MANIFEST} {seen}") from None


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("an entry has the same key twice")
    return found


def _refuse_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number that JSON knows")


def _number(kind: Callable[[str], Any]) -> Callable[[str], Any]:
    def read(text: str) -> Any:
        if len(text) > 40:
            raise ValueError(f"the number {text[:20]}... is too long")
        value = kind(text)
        if not math.isfinite(value) or abs(value) > 1e15:
            raise ValueError(f"the number {text} is too large")
        return value

    return read
