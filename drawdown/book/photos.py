"""Photos kept as files, each named by the SHA-256 of its bytes.

``photos/ab/abcd....jpg``: the same photo is kept once. A file is written whole before the
row that names it; one that no row names does no harm, and ``check`` sets it aside.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from calibration.files import (
    private_folder,
    read_bytes,
    sha256_of,
    sync_folder,
    write_atomically,
)
from drawdown.book import problems
from drawdown.book.columns import MOST_PHOTO_BYTES

FOLDER = "photos"


@dataclass(frozen=True)
class Stored:
    """A photo that lies in the store: its hash, its ending with the dot, its size."""

    sha256: str
    ending: str
    size_bytes: int


class PhotoStore:
    """The photos of one book."""

    def __init__(self, book_folder: Path) -> None:
        self.folder = book_folder / FOLDER

    def path(self, sha256: str, ending: str) -> Path:
        """Where a photo lies, or would lie."""
        return self.folder / sha256[:2] / f"{sha256}{ending}"

    def add_file(self, source: Path) -> Stored:
        """Keep a copy of a photo that holds nothing but what reading it again needs. Raises
        ``BadFile`` when it cannot be read or written."""
        from calibration.photo.privacy import kept_copy  # lists of the book need no numpy

        data = read_bytes(source, "a photo", MOST_PHOTO_BYTES)
        return self.add_bytes(*kept_copy(data, str(source)))

    def add_bytes(self, data: bytes, ending: str) -> Stored:
        """Keep a photo given as bytes. Raises ``BadFile``."""
        stored = Stored(hashlib.sha256(data).hexdigest(), plain_ending(ending), len(data))
        target = self.path(stored.sha256, stored.ending)
        with suppress(OSError):
            if sha256_of(target) == stored.sha256:
                return stored
        with problems.explaining(self.folder.parent):
            private_folder(self.folder)
            private_folder(target.parent)
        write_atomically(target, data, 0o600)
        sync_folder(target.parent)
        sync_folder(self.folder)
        return stored

    def files(self) -> list[Path]:
        """Every file in the store, half-written ones of a killed program too."""
        return sorted(p for p in self.folder.glob("*/*") if p.is_file())


def plain_ending(ending: str) -> str:
    """A file's ending as the store writes it: a dot and at most five plain letters."""
    letters = "".join(c for c in ending.lower() if c.isascii() and c.isalnum())[:5]
    return f".{letters}" if letters else ""


def is_photo_name(name: str) -> bool:
    """True for a name that the store gives: a hash and an ending."""
    stem, _, _ = name.partition(".")
    return len(stem) == 64 and not set(stem) - set("0123456789abcdef")


def network_kind(folder: Path) -> str | None:
    """The kind of network file system a folder lies on, as far as one can tell; else None."""
    if os.name == "nt":
        return "network share" if str(folder).startswith(("\\\\", "//")) else None
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
        place = os.path.realpath(folder)
    except (OSError, ValueError):
        return None
    best, kind = "", None
    for fields in (line.split() for line in mounts.splitlines()):
        mount = fields[1].replace("\\040", " ")
        inside = place == mount or place.startswith(mount.rstrip("/") + "/")
        if inside and len(mount) >= len(best):
            best, kind = mount, fields[2]
    return kind if kind in ("nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ncpfs") else None
