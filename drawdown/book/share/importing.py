"""Take a shared book file into a book: in one change, nothing written over."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.errors import BadFile
from drawdown.book.columns import READING
from drawdown.book.originals import called, colour_at_hand
from drawdown.book.packets import reading_of_original
from drawdown.book.photos import Stored
from drawdown.book.shapes import MOST_LETTERS, Data, name_key
from drawdown.book.share.archive import WHY, Archive, bad, open_archive
from drawdown.book.share.manifest import KINDS, BookFile, gather
from drawdown.book.share.validation import POINTERS, READINGS, check_manifest
from drawdown.book.store import Book, Change, Row, last_change
from drawdown.book.tables import Table

RENAME, SKIP = "rename", "skip"


@dataclass(frozen=True)
class Incoming:
    """A file that was looked through from end to end, and stays open."""

    archive: Archive
    file: BookFile


@dataclass(frozen=True)
class Clash:
    """A name in the file that the book has already, for something else. ``kind`` "original",
    "batch", "packet" or "pull" (``name`` is then the edition)."""

    kind: str
    name: str


@dataclass
class Taken:
    """What came of it: names taken in, by kind; (kind, name in the file, name in the book);
    what was skipped; how many were there already, the same."""

    added: dict[str, list[str]] = field(default_factory=dict)
    renamed: list[tuple[str, str, str]] = field(default_factory=list)
    skipped: list[Clash] = field(default_factory=list)
    same: int = 0

    @property
    def count(self) -> int:
        return sum(map(len, self.added.values()))


@contextmanager
def look_through(path: Path, progress: Callable[[str, float], None]) -> Iterator[Incoming]:
    """Open a file and check everything in it, each photo too. Raises ``BadFile``."""
    with open_archive(path) as archive:
        progress("reading the records", 0.05)
        file = check_manifest(archive, archive.manifest())
        for k, sha in enumerate(file.photos):
            progress("checking the photos", 0.1 + 0.5 * k / len(file.photos))
            archive.photo(sha)
        yield Incoming(archive, file)


# Clashes -----------------------------------------------------------------------------------


def _plain(value: Any, readings: list[str]) -> Any:
    """A record to compare: each reading by what it says, whole numbers as any others."""
    if isinstance(value, dict):
        return {
            k: readings[v] if k in READINGS and v is not None else _plain(v, readings)
            for k, v in value.items()
        }
    if isinstance(value, list):
        return [_plain(v, readings) for v in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _forms(file: BookFile) -> list[tuple[str, int, str]]:
    """(kind, place, its plain form) of each record of a file. Ids give way to the names they
    stand for; a photo that one of two lacks makes no other record of it."""
    names = {kind: {d["id"]: d["name"] for d in file.of(kind)} for kind in POINTERS.values()}
    readings = [
        hashlib.sha256(
            json.dumps(
                _plain({k: v for k, v in r.items() if k not in ("photo", "crop")}, []),
                sort_keys=True,
            ).encode()
        ).hexdigest()
        for r in file.readings
    ]
    forms = []
    for kind in KINDS:
        for i, record in enumerate(file.of(kind)):
            data = _plain(record, readings)
            data.pop("id", None)
            for name in POINTERS.keys() & data.keys():
                data[name] = names[POINTERS[name]].get(record[name])
            forms.append((kind, i, json.dumps([kind, data], sort_keys=True)))
    return forms


class Plan:
    """What would be done with each record of a file in one book."""

    def __init__(self, book: Book, file: BookFile) -> None:
        self.file = file
        self.changes = last_change(book.db)
        self.here = gather(book)
        here = {form for _, _, form in _forms(self.here)}
        self.same = {(kind, i) for kind, i, form in _forms(file) if form in here}
        self.taken = {
            kind: {_key(d) for d in self.here.of(kind) if d["removed"] is None} for kind in KINDS
        }

    @property
    def news(self) -> bool:
        """False when every record is in the book already, the same."""
        return len(self.same) < sum(len(self.file.of(kind)) for kind in KINDS)

    def photos(self, book: Book) -> list[str]:
        """Which of the file's photos are wanted: those of what is new, and those that the
        book knows (one that got lost comes back so)."""
        known = {row["sha256"] for row in book.rows("SELECT sha256 FROM photo")}
        for kind in KINDS:
            for i, data in enumerate(self.file.of(kind)):
                if (kind, i) not in self.same:
                    inside = (data, *data.get("entries", ()))
                    for place in (d.get(k) for d in inside for k in READINGS):
                        if place is not None:
                            reading = self.file.readings[place]
                            known |= {reading["photo"], reading["crop"]}
        return [sha for sha in self.file.photos if sha in known]

    def clashes(self) -> list[Clash]:
        """What needs an answer, each once."""
        return list(dict.fromkeys(
            Clash(KINDS[kind].name, _label(data))
            for kind in KINDS for i, data in enumerate(self.file.of(kind))
            if (kind, i) not in self.same and self.is_taken(kind, data)
        ))  # fmt: skip

    def is_taken(self, kind: str, data: Data) -> bool:
        """True when the book has something else where this record would be."""
        return data["removed"] is None and _key(data) in self.taken[kind]

    def free_name(self, kind: str, name: str, also: Iterable[str]) -> str:
        """The name with a number behind it that neither book nor file has."""
        taken = {name_key(_label(d)) for file in (self.here, self.file) for d in file.of(kind)}
        taken |= {name_key(other) for other in also}
        for number in range(2, 10**6):
            tail = f" ({number})"
            other = name[: MOST_LETTERS - len(tail)].rstrip() + tail
            if name_key(other) not in taken:
                return other
        raise BadFile(f'no free name was found for "{name}"', WHY, "import it with `skip`")


def _label(data: Data) -> str:
    """What a record is called; a pull by its edition."""
    return data["edition"] if "spot" in data else data["name"]


def _key(data: Data) -> tuple:
    """What only one record of its kind can have."""
    return (name_key(_label(data)), data.get("number"), data.get("spot"))


# Writing -----------------------------------------------------------------------------------


def take_in(
    book: Book,
    incoming: Incoming,
    plan: Plan,
    answers: dict[Clash, str],
    progress: Callable[[str, float], None],
) -> Taken:
    """Store the photos, then write everything as planned, in one change. ``answers`` hold
    ``RENAME`` or ``SKIP`` for each clash. Raises ``BadFile``; nothing is then changed."""
    file, archive = incoming.file, incoming.archive
    wanted = plan.photos(book)
    need = sum(file.photos[sha][1] for sha in wanted)
    free = shutil.disk_usage(book.folder).free
    if need * 1.05 > free:
        raise BadFile(
            f"its photos need {need / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free for the book",
            WHY,
            "make room on the disk, or have it exported with `without_photos`",
        )
    stored: dict[str, Stored] = {}
    for k, sha in enumerate(wanted):
        progress("storing the photos", 0.6 + 0.35 * k / len(wanted))
        stored[sha] = _store(book, incoming, sha)
    if not plan.news:
        return Taken(same=len(plan.same))
    with book.change(f"took in the shared book {archive.path.name[:80]}") as change:
        if last_change(book.db) != plan.changes:  # another program wrote in between
            plan = Plan(book, file)
        fresh = [clash for clash in plan.clashes() if clash not in answers]
        if fresh:
            raise bad(archive.path, f'"{fresh[0].name}" came into the book while you were asked',
                      "run the command again")  # fmt: skip
        return _Writer(book, change, plan, stored, answers, incoming).write()


def _store(book: Book, incoming: Incoming, sha: str) -> Stored:
    """Keep a photo of the file under its own hash; its bytes are looked at once more."""
    ending, _ = incoming.file.photos[sha]
    return book.photos.add_bytes(incoming.archive.photo(sha), ending)


class _Writer:
    def __init__(
        self, book: Book, change: Change, plan: Plan, stored: dict[str, Stored],
        answers: dict[Clash, str], incoming: Incoming,
    ) -> None:  # fmt: skip
        self.book, self.change, self.plan, self.incoming = book, change, plan, incoming
        self.stored, self.answers = stored, answers
        self.readings: dict[int, int] = {}
        self.ids: dict[str, dict[int, int]] = {table.name: {} for table in KINDS.values()}
        self.names: dict[Clash, str] = {}  # of what is renamed
        self.taken = Taken()

    def write(self) -> Taken:
        good = {
            (name_key(p["edition"]), p["spot"])
            for p in self.plan.here.pulls if p["good"] and p["removed"] is None
        }  # fmt: skip
        for kind, table in KINDS.items():
            for i, data in enumerate(self.plan.file.of(kind)):
                name = self.name_for(kind, i, data)
                if name is None:
                    self.point_at_own(kind, data)
                    continue
                told, more = name, called(name)
                if kind == "pulls":  # a book keeps its own first good pull
                    told, key = f"{name} {data['number']}", name_key(name)
                    kept = (key, data["spot"]) in good and data["removed"] is None
                    more = {"edition": name, "edition_key": key,
                            "good": int(data["good"] and not kept)}  # fmt: skip
                row = self.insert(table, data, more)
                if "id" in data:
                    self.ids[table.name][data["id"]] = row
                self.taken.added.setdefault(kind, []).append(told)
        return self.taken

    def insert(self, table: Table[Any], data: Data, more: Row) -> int:
        """Write one record with its parts; ``more`` are further columns of the row."""
        row = table.kept(data, self.refer) | more
        if "lab_l" in table.columns:
            original = row.get("original")
            row |= colour_at_hand(
                self.book, row["reading"] or reading_of_original(self.book, original)
            )
        row_id = self.change.insert(table.name, row)
        for key, (part, _) in table.parts.items():
            parent = {part.parent(table.name): row_id}
            for one in data[key]:
                self.insert(part, one, parent)
        return row_id

    def refer(self, table: str, said: Any) -> int | None:
        """The id of what a record points to."""
        if said is None:
            return None
        if table == "reading":
            return self.reading(said)
        return self.photo(said) if table == "photo" else self.ids[table].get(said)

    def name_for(self, kind: str, i: int, data: Data) -> str | None:
        """The name to write it under; None when it is there already or to be skipped."""
        if (kind, i) in self.plan.same:
            self.taken.same += 1
            return None
        clash = Clash(KINDS[kind].name, _label(data))
        taken = self.plan.is_taken(kind, data)
        if taken and self.answers.get(clash) == SKIP:
            if clash not in self.taken.skipped:
                self.taken.skipped.append(clash)
            return None
        # A run is renamed as a whole, or two runs would be mixed up.
        if self.answers.get(clash) != RENAME or not (taken or kind == "pulls"):
            return clash.name
        if clash not in self.names:
            self.names[clash] = self.plan.free_name(kind, clash.name, self.names.values())
            what = "edition" if kind == "pulls" else clash.kind
            self.taken.renamed.append((what, clash.name, self.names[clash]))
        return self.names[clash]

    def point_at_own(self, kind: str, data: Data) -> None:
        """What belongs to a record that was left out belongs to the book's own of that name."""
        if "id" not in data:
            return
        found = self.book.rows(
            f"SELECT id FROM {KINDS[kind].name} WHERE name_key = ? AND removed IS ? ORDER BY id",
            (name_key(data["name"]), data["removed"]),
        )
        if found:
            self.ids[KINDS[kind].name][data["id"]] = int(found[0]["id"])

    def reading(self, place: int) -> int:
        """The id of a reading of the file."""
        if place not in self.readings:
            self.readings[place] = self.insert(READING, self.plan.file.readings[place], {})
        return self.readings[place]

    def photo(self, sha: str) -> int:
        if sha not in self.stored:  # what was there already when the photos were stored is not now
            self.stored[sha] = _store(self.book, self.incoming, sha)
        return self.change.photo(self.stored[sha])
