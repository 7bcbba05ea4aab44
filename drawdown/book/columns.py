"""The book's tables: every column is said here, once, in the record that it belongs to.

A change of the tables is a new version, and books of every earlier one are brought up to date:
today's tables take over what the older ones hold. Colours are CIELAB, D50, 2 degree; u95 is
the half width of the 95 % interval; times are UTC, ISO 8601; days are YYYY-MM-DD; unknown is NULL.
"""
# The annotations are the declaration, so they are read as they stand: no future import.

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field
from operator import itemgetter
from typing import TYPE_CHECKING, Annotated, Any

from drawdown.book.shapes import (
    MOST_LETTERS,
    MOST_RECORDS,
    Check,
    advised,
    boolean,
    choice,
    day,
    ending,
    loose,
    many,
    maybe,
    mix,
    moment,
    name_key,
    number,
    pair,
    sha256,
    spread,
    text,
    whole,
)
from drawdown.book.tables import (
    ADDED,
    CAPTURED,
    COLOUR,
    FLAGS,
    JSON,
    PLACES,
    SAMPLES,
    TRUTH,
    Column,
    Form,
    Table,
    as_json,
    choices,
    of_json,
    refers,
)

if TYPE_CHECKING:
    from drawdown.reading.colour import Colour

APPLICATION_ID = 0x6477646E  # "dwdn" as a big-endian number: the file is a studio book
TAUGHT = 3 + 3 + 36 + 2  # numbers
VERDICTS = "match", "no match", "too close to call"
MOST_PHOTO_BYTES = 400_000_000

Lab = tuple[float, float, float]


@dataclass(frozen=True)
class MixPart:
    """One ink of a mix: its name, its parts by weight, and the batch on its tin (may be
    empty)."""

    ink: str
    parts: float
    ink_batch: str = ""


Mix = tuple[MixPart, ...]


def mix_text(mix: Iterable[MixPart]) -> str:
    """A mix as the tables hold it."""
    return as_json([vars(part) for part in mix]) or ""


def mix_of(text: str) -> Mix:
    """The inverse of ``mix_text``."""
    return tuple(
        MixPart(p["ink"], float(p["parts"]), p.get("ink_batch") or "") for p in json.loads(text)
    )


ID = Column("INTEGER PRIMARY KEY")
# What others in the file point to has its id there.
NUMBERED = Column("INTEGER PRIMARY KEY", whole(1, 2**53))
_ID, _PLACE = whole(1, 2**53), whole(0, MOST_RECORDS)
READING_ID = refers("reading", _PLACE)


def name_column(name: str) -> Column:
    """A name, and beside it the name as compared."""
    form = Form(itemgetter(0), itemgetter(0), lambda value: (value, name_key(value)))
    return Column("TEXT NOT NULL", text(MOST_LETTERS, 1), form, (name, f"{name}_key"))


def triple(sql: str, start: str, check: Check) -> Column:
    """A colour in three columns."""
    return Column(sql, many(check, 3, 3), COLOUR, tuple(f"{start}_{axis}" for axis in "lab"))


NAME = name_column("name")
DAY = Column("TEXT NOT NULL", day)
REMARK = Column("TEXT NOT NULL DEFAULT ''", text(10 * MOST_LETTERS))
OWNER = Column("TEXT", maybe(text(MOST_LETTERS)), since=6)
REMOVED = Column("TEXT", maybe(moment))  # when it was removed: no row is deleted but by undo
MIX = Form(mix_of, of_json, as_json)
GRAMS = Column("REAL", maybe(number(0, 1e12)))
DISTANCE = Column("REAL", maybe(number(0, 1000)))
FLAG_PAIRS = Column("TEXT NOT NULL DEFAULT '[]'", many(pair(text(100), loose(4000)), 500), FLAGS)
PAPER = Column("TEXT", maybe(many(number(-1000, 1000), 3, 3)), JSON, ("paper",))
# The colour of originals and packets at hand, so that the nearest is found in one short scan.
AT_HAND = {f"lab_{axis}": Column("REAL") for axis in "lab"}


@dataclass(frozen=True)
class Reading:
    """One strip as it was read from a photo.

    ``lab_u95`` None: not known; ``samples`` the ensemble (m, 3) as little-endian float32 less
    ``lab_d50``, or None; ``card`` None: no photo; ``flags`` pairs of code and detail; ``photo``
    and ``crop`` are ids in the photo store (whole photo; the strip alone in corrected colours,
    PNG); ``paper_lab_d50`` the bare paper."""

    id: Annotated[int, ID]
    photo: Annotated[int | None, refers("photo", sha256)]
    crop: Annotated[int | None, refers("photo", sha256)]
    strip_number: Annotated[int | None, Column("INTEGER", maybe(whole(0, 10_000)))]
    corners_px: Annotated[
        tuple[tuple[float, float], ...],
        Column("TEXT", many(many(number(-1e7, 1e7), 2, 2), 64), PLACES),
    ]
    lab_d50: Annotated[Lab, triple("REAL NOT NULL", "lab", number(-1000, 1000))]
    lab_u95: Annotated[Lab | None, triple("REAL", "u95", maybe(number(0, 1000)))]
    samples: Annotated[bytes | None, Column("BLOB", maybe(spread), SAMPLES)] = field(repr=False)
    card: Annotated[str | None, choices("nominal", "measured", null=True)]
    shaded: Annotated[bool, Column("INTEGER NOT NULL DEFAULT 0", boolean, TRUTH)]
    evenness_de00: Annotated[float | None, DISTANCE]
    light_sd: Annotated[float | None, DISTANCE]
    munsell_value: Annotated[float | None, Column("REAL", maybe(number(-10, 20)))]
    flags: Annotated[tuple[tuple[str, str], ...], FLAG_PAIRS]
    paper_lab_d50: Annotated[list[float] | None, PAPER]
    captured: Annotated[str | None, Column("TEXT", maybe(loose(100)), CAPTURED)]
    read_at: Annotated[str, Column("TEXT NOT NULL", moment)]

    def colour(self) -> "Colour":
        """As the comparison takes it. What nobody noted stays unknown; so does the ensemble when
        nobody noted how wide it was to be with all that a photo's colours share."""
        import numpy as np

        from drawdown.flags import kind_of
        from drawdown.reading.colour import Colour

        lab = np.array(self.lab_d50)
        samples = None
        if self.samples is not None and self.lab_u95 is not None:
            samples = lab + np.frombuffer(self.samples, "<f4").reshape(-1, 3).astype(float)
        return Colour(
            lab_d50=lab,
            lab_samples=samples,
            lab_u95=None if self.lab_u95 is None else np.array(self.lab_u95),
            evenness_de00=self.evenness_de00,
            light_sd=self.light_sd,
            flags=tuple(kind(detail) for code, detail in self.flags if (kind := kind_of(code))),
        )


@dataclass(frozen=True)
class Recipe:
    """A mix that gives an original's colour; the newest of an original counts. ``grams`` is
    what the whole came to, or None."""

    id: Annotated[int, ID]
    original: Annotated[int, refers("original", null=False)]
    made_at: Annotated[str, Column("TEXT NOT NULL", moment)]
    mix: Annotated[Mix, Column("TEXT NOT NULL", mix, MIX)]
    grams: Annotated[float | None, GRAMS]
    reason: Annotated[str, Column("TEXT NOT NULL", text(10 * MOST_LETTERS))]


@dataclass(frozen=True)
class Original:
    """A kept original. ``recipe`` as last corrected, None without a mix; ``removed`` is the
    time when it was removed, or None."""

    id: Annotated[int, NUMBERED]
    name: Annotated[str, NAME]
    date: Annotated[str, DAY]
    paper: Annotated[str, REMARK]
    state: Annotated[str, choices("wet", "dry")]
    edition: Annotated[str, REMARK]
    note: Annotated[str, REMARK]
    reading: Annotated[Reading | None, READING_ID]
    removed: Annotated[str | None, REMOVED]
    owner: Annotated[str | None, OWNER]
    recipe: Recipe | None


@dataclass(frozen=True)
class Batch:
    """Ink mixed towards an original. ``mix`` is what it was begun with."""

    id: Annotated[int, NUMBERED]
    name: Annotated[str, NAME]
    original: Annotated[int | None, refers("original", _ID)]
    date: Annotated[str, DAY]
    mix: Annotated[Mix, Column("TEXT NOT NULL DEFAULT '[]'", mix, MIX)]
    grams: Annotated[float | None, GRAMS]
    note: Annotated[str, REMARK]
    removed: Annotated[str | None, REMOVED]


@dataclass(frozen=True)
class Entry:
    """One line of a batch's story: ``kind`` "read" (a match that was logged) or "added".
    ``advised`` is the advice as in JSON of ``match``; ``added`` pairs of ink and grams (or
    parts per 100, see ``added_unit``). ``taught`` is what inks are learnt from, None for a photo
    that teaches nothing: Lab of original and batch as compared, their covariance (6, 6) row by
    row, film ratio, standard deviation of its logarithm; ``figures`` pairs of each ink in the
    batch and the mark of its figures then."""

    id: Annotated[int, ID]
    batch: Annotated[int, refers("batch", null=False)]
    at: Annotated[str, Column("TEXT NOT NULL", moment)]
    kind: Annotated[str, choices("read", "added")]
    reading: Annotated[Reading | None, READING_ID]
    original_reading: Annotated[Reading | None, READING_ID]
    across_photos: Annotated[bool, Column("INTEGER", maybe(boolean), TRUTH)]
    de00: Annotated[float | None, DISTANCE]
    de00_low95: Annotated[float | None, DISTANCE]
    de00_high95: Annotated[float | None, DISTANCE]
    tolerance: Annotated[float | None, DISTANCE]
    p_within: Annotated[float | None, Column("REAL", maybe(number(0, 1)))]
    verdict: Annotated[str | None, Column("TEXT", maybe(choice(*VERDICTS)))]
    words: Annotated[str | None, Column("TEXT", maybe(loose(4000)))]
    advised: Annotated[dict[str, Any] | None, Column("TEXT", maybe(advised), JSON)]
    added: Annotated[
        tuple[tuple[str, float], ...],
        Column("TEXT", maybe(many(pair(text(MOST_LETTERS, 1), number(-1e12, 1e12)), 200)), ADDED),
    ]
    added_unit: Annotated[str | None, choices("grams", "parts per 100", null=True)]
    note: Annotated[str, REMARK]
    taught: Annotated[
        list[float | None] | None,
        Column("TEXT", maybe(many(maybe(number(-1e9, 1e9)), TAUGHT, TAUGHT)), JSON, since=6),
    ]
    figures: Annotated[
        list[list[str]] | None,
        Column("TEXT", maybe(many(pair(text(MOST_LETTERS, 1), text(40)), 200)), JSON, since=6),
    ]


@dataclass(frozen=True)
class Packet:
    """Stored ink. ``grams`` is what is left; 0 when it is used up. ``reading`` is its own
    colour, or that of the kept original it was made for (``own_reading`` False)."""

    id: Annotated[int, ID]
    name: Annotated[str, NAME]
    original: Annotated[int | None, refers("original", _ID)]
    batch: Annotated[int | None, refers("batch", _ID)]
    mix: Annotated[Mix, Column("TEXT NOT NULL DEFAULT '[]'", mix, MIX)]
    grams: Annotated[float, Column("REAL NOT NULL CHECK ({name} >= 0)", number(0, 1e12))]
    date: Annotated[str, DAY]
    place: Annotated[str, REMARK]
    note: Annotated[str, REMARK]
    reading: Annotated[Reading | None, READING_ID]
    removed: Annotated[str | None, REMOVED]
    own_reading: bool


@dataclass(frozen=True)
class Pull:
    """A pulled print of an edition, read at one ``spot``; ``good`` marks the first good pull
    that the run is held to; ``beside`` is that first good pull as read in the same photo, or
    None."""

    id: Annotated[int, ID]
    edition: Annotated[str, name_column("edition")]
    number: Annotated[int, Column("INTEGER NOT NULL", whole(0, 10**9))]
    date: Annotated[str, DAY]
    spot: Annotated[str, Column("TEXT NOT NULL DEFAULT ''", text(MOST_LETTERS))]
    good: Annotated[bool, Column("INTEGER NOT NULL DEFAULT 0", boolean, TRUTH)]
    note: Annotated[str, REMARK]
    reading: Annotated[Reading, refers("reading", _PLACE, null=False)]
    removed: Annotated[str | None, REMOVED]
    beside: Annotated[Reading | None, refers("reading", _PLACE, since=4)] = None


# Tables, parents before children ---------------------------------------------------------


def _once(table: str, columns: str = "name_key") -> str:
    """What is removed frees its name."""
    what = columns.split(",")[1].strip() if "," in columns else "name"
    return f"UNIQUE INDEX {table}_{what} ON {table} ({columns}) WHERE removed IS NULL"


def _hidden(table: str, indexes: tuple[str, ...] = (), **columns: Column) -> Table[Any]:
    """A table whose rows are no records."""
    return Table(table, more={"id": ID, **columns}, indexes=indexes)


_TEXT = Column("TEXT NOT NULL")
SETTING = _hidden("setting", name=Column("TEXT NOT NULL UNIQUE"), value=_TEXT)
PHOTO = _hidden(
    "photo",
    sha256=Column("TEXT NOT NULL UNIQUE CHECK (length({name}) = 64)", sha256),
    ending=Column("TEXT NOT NULL", ending),
    size_bytes=Column("INTEGER NOT NULL", whole(1, MOST_PHOTO_BYTES)),
    added_at=_TEXT,
)
READING = Table("reading", Reading)
RECIPE = Table("recipe", Recipe, indexes=["INDEX recipe_original ON recipe (original)"])
ORIGINAL = Table(
    "original", Original, AT_HAND, parts={"recipes": (RECIPE, 10_000)},
    indexes=[
        _once("original"), "INDEX original_lab ON original (removed, lab_l, lab_a, lab_b)",
    ],
)  # fmt: skip
ENTRY = Table("entry", Entry, indexes=["INDEX entry_batch ON entry (batch)"])
BATCH = Table("batch", Batch, parts={"entries": (ENTRY, 100_000)}, indexes=[_once("batch")])
PACKET = Table(
    "packet", Packet, AT_HAND,
    indexes=[
        _once("packet"), "INDEX packet_lab ON packet (removed, lab_l, lab_a, lab_b, grams)",
    ],
)  # fmt: skip
PULL = Table("pull", Pull, indexes=[_once("pull", "edition_key, number, spot")])
CHANGE = _hidden(
    "change", at=_TEXT, what=_TEXT,
    state=choices("done", "undone", "dropped", "settled", shared=False),
)  # fmt: skip
CHANGE_ROW = _hidden(
    "change_row", ("INDEX change_row_change ON change_row (change)",),
    change=refers("change", null=False), tab=_TEXT, row=Column("INTEGER NOT NULL"),
    was=Column("TEXT"),
)  # fmt: skip
MARK = _hidden("mark", mark=_TEXT)  # of every change, by its number: see the diary

_ALL: tuple[Table[Any], ...] = (
    SETTING, PHOTO, READING, ORIGINAL, RECIPE, BATCH, ENTRY, PACKET, PULL, CHANGE, CHANGE_ROW,
    MARK,
)  # fmt: skip
TABLES = {table.name: table for table in _ALL}
VERSION = 6


def version_of(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def bring_up_to_date(db: sqlite3.Connection) -> None:
    """Make today's tables, with what those of an older version hold; the caller holds the
    writing lock, without foreign keys, and commits. What was changed before a change of shape
    (version 4) can no longer be undone, so it is marked as settled."""
    start = version_of(db)
    for table in _ALL:
        known = ", ".join(f'"{name}"' for name in columns(db, table.name) if name in table.names)
        name = f"new_{table.name}" if known else table.name
        db.execute(f"CREATE TABLE {name} ({', '.join(table.statements)}) STRICT")
        if known:
            db.execute(f"INSERT INTO {name} ({known}) SELECT {known} FROM {table.name}")
            db.execute(f"DROP TABLE {table.name}")
            db.execute(f"ALTER TABLE {name} RENAME TO {table.name}")
        for index in table.indexes:
            db.execute(f"CREATE {index}")
    fill_colours(db)
    if start < 4:
        db.execute("UPDATE change SET state = 'settled' WHERE state IN ('done', 'undone')")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {VERSION}")


def fill_colours(db: sqlite3.Connection) -> None:
    """Copy the colours of readings to the originals and packets that lack them (rows from
    before version 3)."""
    copy = "SET (lab_l, lab_a, lab_b) = (SELECT r.lab_l, r.lab_a, r.lab_b FROM reading r WHERE"
    db.execute(f"UPDATE original {copy} r.id = original.reading) WHERE lab_l IS NULL")
    db.execute(
        f"UPDATE packet {copy} r.id = coalesce(packet.reading, "
        "(SELECT o.reading FROM original o WHERE o.id = packet.original))) WHERE lab_l IS NULL"
    )


def columns(db: sqlite3.Connection, table: str) -> tuple[str, ...]:
    """The names of a table's columns; () when there is no such table."""
    return tuple(row[1] for row in db.execute(f'PRAGMA table_info("{table}")'))
