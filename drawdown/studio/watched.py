"""A folder that photos come into, and what was done with those that came.

The folder is looked through again and again rather than listened to: a phone's photos often come by
way of a network drive, whose other end tells no listener, and whether one is complete shows only in
time. What was done is remembered beside the shelf, a line of JSON for each step, so that a photo
that is renamed or moved away and back is judged once.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Collection
from contextlib import suppress
from pathlib import Path

from calibration.errors import BadFile
from calibration.files import locked
from drawdown.studio.locations import own_shelf

ANSWER = ".answer"  # before the ending of a picture of ours
SETTLE_S = 1.5  # unchanged for so long, a photo is taken for complete
STALL_S = 60.0  # a photo that cannot be opened is given so long to become complete
MOST_BEGUN = 2  # so often a photo over which the program ended is tried
_LOCK = ("the list of watched photos", "set DRAWDOWN_SHELF to a place of your own")

Mark = tuple[int, int]  # size in bytes and time of the last change in ns: a rename keeps both


def own_list() -> Path:
    """The studio's file of what was done; it need not exist."""
    return own_shelf().parent / "watched.jsonl"


def answer_beside(photo: Path) -> Path:
    """A free name for the picture of an answer."""
    for number in range(1, 10_000):
        more = "" if number == 1 else f"-{number}"
        path = photo.with_name(f"{photo.stem}{ANSWER}{more}.png")
        if not os.path.lexists(path):
            return path
    return photo.with_name(f"{photo.stem}{ANSWER}.png")


class Done:
    """What was done with photos, in this run and before: ``marks`` and ``hashes`` of those that
    were judged, marks of those that were ``there`` before the folder was watched, and how often
    judging one was ``begun`` and not ended."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.marks: set[Mark] = set()
        self.there: set[Mark] = set()
        self.hashes: set[str] = set()
        self.begun: dict[str, int] = {}
        self.folders: set[str] = set()
        text = ""
        with suppress(OSError):  # none yet; if it is closed to us, writing it says so
            text = path.read_text(encoding="utf-8", errors="replace")
        for line in text.splitlines():
            with suppress(ValueError, TypeError, KeyError, AttributeError):
                self._take(json.loads(line))

    def _take(self, said: dict) -> None:
        if "folder" in said:
            self.folders.add(said["folder"])
            return
        state, mark = said["state"], (int(said["size"]), int(said["changed_ns"]))
        if state == "there":
            self.there.add(mark)
            return
        sha256 = str(said["sha256"])
        if state == "begun":
            self.begun[sha256] = self.begun.get(sha256, 0) + 1
            return
        self.begun.pop(sha256, None)
        if state == "done":
            self.marks.add(mark)
            self.hashes.add(sha256)

    def note(self, **said: object) -> None:
        """One more step; known from now on even where it can't be written. Raises ``BadFile``."""
        said["at"] = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        self._take(said)
        line = json.dumps(said, ensure_ascii=True).encode() + b"\n"
        with locked(self.path, *_LOCK):
            try:
                with open(self.path, "ab") as stream:
                    stream.write(line)
                    stream.flush()
                    os.fsync(stream.fileno())
            except OSError as error:
                raise BadFile(
                    f"{self.path} cannot be written ({error.strerror or error})",
                    "what was judged would be judged again after a new start",
                    "make room on the disk",
                ) from error

    def note_photo(self, mark: Mark, state: str, sha256: str | None, name: str) -> None:
        self.note(state=state, size=mark[0], changed_ns=mark[1], sha256=sha256, name=name)


class WatchedFolder:
    """The photos of a folder (by their ``endings``) that have come and are complete. Raises
    ``BadFile`` for a folder that cannot be looked into."""

    def __init__(
        self,
        folder: Path,
        endings: Collection[str],
        done: Done,
        *,
        every: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder, self.endings, self.done, self.clock = folder, endings, done, clock
        self.every = every
        self._since: dict[str, tuple[Mark, float]] = {}
        self._stalled: dict[str, Mark] = {}
        self.look()

    def look(self) -> list[tuple[Path, Mark]]:
        """Every photo there, the oldest first."""
        found = []
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    with suppress(OSError):  # gone again
                        if self._is_photo(entry):
                            seen = entry.stat()
                            found.append((Path(entry.path), (seen.st_size, seen.st_mtime_ns)))
        except OSError as error:
            raise BadFile(
                f"the folder {self.folder} cannot be read ({error.strerror or error})",
                "no photo that comes can be found",
                "check its name, who may read it, and that the drive is there",
            ) from error
        return sorted(found, key=lambda one: (one[1][1], one[0].name))

    def _is_photo(self, entry: os.DirEntry) -> bool:
        stem, ending = os.path.splitext(entry.name)
        ours = stem.rpartition("-")[0] if stem.rpartition("-")[2].isdigit() else stem
        if entry.name.startswith(".") or ending.lower() not in self.endings:
            return False
        return not (stem.endswith(ANSWER) or ours.endswith(ANSWER)) and entry.is_file()

    def complete(self) -> list[tuple[Path, Mark]]:
        """Photos that nothing was done with yet and that have not changed for a while."""
        now, ready, here = self.clock(), [], set()
        for path, mark in self.look():
            here.add(path.name)
            if self._settled(mark):
                continue
            before, since = self._since.get(path.name, (None, now))
            if before != mark:
                self._since[path.name] = (mark, now)
                self._stalled.pop(path.name, None)
                continue
            wait = STALL_S if self._stalled.get(path.name) == mark else SETTLE_S
            if mark[0] > 0 and now - since >= wait:
                ready.append((path, mark))
        for name in set(self._since) - here:
            del self._since[name]
        return ready

    def waits(self) -> bool:
        """Whether a photo is there that is not complete yet."""
        return any(not self._settled(mark) for _, mark in self.look())

    def _settled(self, mark: Mark) -> bool:
        return mark in self.done.marks or (mark in self.done.there and not self.every)

    def stall(self, path: Path, mark: Mark) -> bool:
        """A photo could not be opened: True when it may still be on its way."""
        if self._stalled.get(path.name) == mark:
            return False
        self._stalled[path.name] = mark
        return True
