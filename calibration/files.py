"""Reading and writing files without surprises: whole or not at all, and explained.

One change at a time to a file of the studio, whoever makes it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from calibration.errors import BadFile

# What this run has changed for good, in words: to be said should its answer get lost.
recorded: list[str] = []
_WHY_WRITE = "nothing was written, and a file of that name, if there was one, is unchanged"
_WHY_READ = "without it there is nothing to work from"
_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG}


def write_atomically(path: str | os.PathLike[str], data: bytes, mode: int = 0o666) -> None:
    """Write a file so that it is either wholly new or wholly as it was.

    The bytes go to a temporary file in the same folder, which then takes the name. A link
    is followed, so the file it points to is replaced. ``mode`` is its permissions, less the
    umask.

    Raises
    ------
    BadFile
        The folder is missing or closed to writing, the disk is full, or the name belongs
        to something that is not an ordinary file.
    """
    with writing_atomically(path, mode) as stream:
        stream.write(data)


@contextmanager
def writing_atomically(path: str | os.PathLike[str], mode: int = 0o666) -> Iterator[BinaryIO]:
    """A stream to write a large file in pieces, in the way of ``write_atomically``: it takes
    its name when the block ends, and leaves nothing behind when the block raises."""
    try:
        target = Path(os.path.realpath(path))
    except ValueError as error:  # a NUL in the name
        raise BadFile(f"{path!r} is not a file name", _WHY_WRITE, "check the name") from error
    temporary = target.with_name(f".{target.name[:40]}.{secrets.token_hex(4)}.part")
    try:
        if target.exists() and not target.is_file():
            raise BadFile(
                f"{path} is a folder or a device, not an ordinary file",
                "replacing it would do harm",
                "give a file name",
            )
        # os.open rather than tempfile, so that the reader's usual permissions (umask) hold.
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        with open(os.open(temporary, flags, mode), "w+b") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, target)
    except OSError as error:
        raise _cannot_write(path, target, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink()


def private_folder(folder: Path) -> Path:
    """Make a folder that nobody else can look into, unless it is there. Raises OSError."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def sync_folder(folder: Path) -> None:
    """See a new name in a folder on the disk (POSIX; elsewhere nothing is needed)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems cannot
            os.fsync(handle)
    finally:
        os.close(handle)


def _cannot_write(path: object, target: Path, error: OSError) -> BadFile:
    folder = target.parent
    if error.errno in _FULL:
        return BadFile(f"the disk is full, so {path} could not be written", _WHY_WRITE,
                       "make room, or choose another place")  # fmt: skip
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return BadFile(f"the folder {folder} for {path} does not exist", _WHY_WRITE,
                       "make the folder first, or choose another place")  # fmt: skip
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return BadFile(f"there is no permission to write {path}", _WHY_WRITE,
                       "choose a folder of your own, or close the program that holds the file"
                       )  # fmt: skip
    if error.errno == errno.ENAMETOOLONG:
        return BadFile(f"the name {path} is too long", _WHY_WRITE, "choose a shorter name")
    return BadFile(f"the file {path} could not be written ({error.strerror or error})", _WHY_WRITE,
                   "choose another place, then try again")  # fmt: skip


@contextmanager
def reading(path: str | os.PathLike[str], what: str) -> Iterator[BinaryIO]:
    """A stream of a file that should be ``what`` (such as "a card definition").

    Raises
    ------
    BadFile
        The file is missing, closed to reading, or not an ordinary file.
    """
    try:
        place = Path(path)
        if place.exists() and not place.is_file():
            if str(path) in ("", "."):  # what is left of an empty name
                raise BadFile(f'no file was named where {what} belongs, only "" or "."', _WHY_READ,
                              "check the command: perhaps there is nothing between two quotes"
                              )  # fmt: skip
            raise BadFile(f"{path} is a folder or a device, not a file", _WHY_READ,
                          f"give the file that holds {what}")  # fmt: skip
        stream = open(place, "rb")  # noqa: SIM115  (closed below)
    except FileNotFoundError as error:
        raise BadFile(f"there is no file {path}", _WHY_READ,
                      "check the name and the folder") from error  # fmt: skip
    except OSError as error:
        raise _cannot_read(path, error) from error
    except ValueError as error:  # a NUL in the name
        raise BadFile(f"{path!r} is not a file name", _WHY_READ,
                      "check the name") from error  # fmt: skip
    with stream:
        yield stream


def _cannot_read(path: object, error: OSError) -> BadFile:
    return BadFile(f"the file {path} could not be read ({error.strerror or error})", _WHY_READ,
                   "check the file and its permissions")  # fmt: skip


def read_bytes(path: str | os.PathLike[str], what: str, most_bytes: int) -> bytes:
    """The bytes of a file, as ``reading`` opens it.

    Raises
    ------
    BadFile
        As there; or it is empty, or larger than ``most_bytes``.
    """
    with reading(path, what) as stream:
        try:
            size = os.fstat(stream.fileno()).st_size
            data = stream.read() if size <= most_bytes else b""
        except OSError as error:
            raise _cannot_read(path, error) from error
    if size > most_bytes:
        raise BadFile(
            f"the file {path} is too large to be {what} ({size / 1e6:.0f} MB)",
            _WHY_READ,
            "check that it is the file you meant",
        )
    if not data or data.isspace():
        raise BadFile(f"the file {path} is empty", _WHY_READ, f"give the file that holds {what}")
    return data


def sha256_of(path: Path) -> str:
    """The hash of a file's bytes; raises OSError."""
    import hashlib

    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


LONGEST_WAIT_S = 10.0


@contextlib.contextmanager
def locked(path: Path, what: str, todo: str) -> Iterator[None]:
    """Hold a file's lock, a small hidden file beside it that the system frees by itself when
    a process ends. Makes the folder if need be. ``what`` names the file's contents ("the
    shelf"), ``todo`` says where else it could go. Raises ``BadFile``."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as problem:
        raise BadFile(
            f"{what} {path} cannot be changed ({problem.strerror or problem})",
            "nothing was changed",
            todo,
        ) from problem
    try:
        deadline = time.monotonic() + LONGEST_WAIT_S
        while not _grab(handle):
            if time.monotonic() > deadline:
                raise BadFile(
                    f"{what} {path} is being changed by another program",
                    "two changes at once could lose one, so nothing was changed",
                    "wait for the other one to end, then try again",
                )
            time.sleep(0.02)
        yield
    finally:
        os.close(handle)


def _grab(handle: int) -> bool:
    """Try to take the lock; closing the file gives it back."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
