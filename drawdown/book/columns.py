"""The book's tables, version by version.

``PRAGMA user_version`` holds the version, ``PRAGMA application_id`` says that the file is a
studio book. A migration takes the tables from the version before to its own and runs in one
transaction with the raising of the version: a kill leaves the one or the other.
"""

from __future__ import annotations

import sqlite3

# "dwdn" as a big-endian number.
APPLICATION_ID = 0x6477646E

# Colours are CIELAB, D50, 2 degree; u95 is the half width of the 95 % interval; times are
# UTC, ISO 8601; days are YYYY-MM-DD; mixes are JSON [{"ink", "parts", "ink_batch"}].
# ``removed`` is the time when something was struck out, else NULL: no row is ever deleted
# but by ``undo``.
_VERSION_1 = """
CREATE TABLE setting (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    value TEXT NOT NULL
);
CREATE TABLE photo (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    ending TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    added_at TEXT NOT NULL
);
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    photo INTEGER REFERENCES photo (id),
    crop INTEGER REFERENCES photo (id),
    strip_number INTEGER,
    corners_px TEXT,
    lab_l REAL NOT NULL, lab_a REAL NOT NULL, lab_b REAL NOT NULL,
    u95_l REAL, u95_a REAL, u95_b REAL,
    samples BLOB,
    card TEXT CHECK (card IN ('nominal', 'measured')),
    shaded INTEGER NOT NULL DEFAULT 0,
    evenness_de00 REAL,
    light_sd REAL,
    munsell_value REAL,
    flags TEXT NOT NULL DEFAULT '[]',
    paper TEXT,
    captured TEXT,
    read_at TEXT NOT NULL
);
CREATE TABLE original (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    name_key TEXT NOT NULL,
    date TEXT NOT NULL,
    paper TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL CHECK (state IN ('wet', 'dry')),
    edition TEXT NOT NULL DEFAULT '',
    note TEXT NOT NULL DEFAULT '',
    reading INTEGER REFERENCES reading (id),
    removed TEXT
);
CREATE UNIQUE INDEX original_name ON original (name_key) WHERE removed IS NULL;
CREATE TABLE recipe (
    id INTEGER PRIMARY KEY,
    original INTEGER NOT NULL REFERENCES original (id),
    made_at TEXT NOT NULL,
    mix TEXT NOT NULL,
    grams REAL,
    reason TEXT NOT NULL
);
CREATE INDEX recipe_original ON recipe (original);
CREATE TABLE batch (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    name_key TEXT NOT NULL,
    original INTEGER REFERENCES original (id),
    date TEXT NOT NULL,
    mix TEXT NOT NULL DEFAULT '[]',
    grams REAL,
    note TEXT NOT NULL DEFAULT '',
    removed TEXT
);
CREATE UNIQUE INDEX batch_name ON batch (name_key) WHERE removed IS NULL;
CREATE TABLE entry (
    id INTEGER PRIMARY KEY,
    batch INTEGER NOT NULL REFERENCES batch (id),
    at TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('read', 'added')),
    reading INTEGER REFERENCES reading (id),
    original_reading INTEGER REFERENCES reading (id),
    across_photos INTEGER,
    de00 REAL, de00_low95 REAL, de00_high95 REAL,
    tolerance REAL, p_within REAL,
    verdict TEXT,
    words TEXT,
    advised TEXT,
    added TEXT,
    added_unit TEXT CHECK (added_unit IN ('grams', 'parts per 100')),
    note TEXT NOT NULL DEFAULT ''
);
CREATE INDEX entry_batch ON entry (batch);
CREATE TABLE packet (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    name_key TEXT NOT NULL,
    original INTEGER REFERENCES original (id),
    batch INTEGER REFERENCES batch (id),
    mix TEXT NOT NULL DEFAULT '[]',
    grams REAL NOT NULL CHECK (grams >= 0),
    date TEXT NOT NULL,
    place TEXT NOT NULL DEFAULT '',
    note TEXT NOT NULL DEFAULT '',
    reading INTEGER REFERENCES reading (id),
    removed TEXT
);
CREATE UNIQUE INDEX packet_name ON packet (name_key) WHERE removed IS NULL;
CREATE TABLE change (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    what TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('done', 'undone', 'dropped', 'settled'))
);
CREATE TABLE change_row (
    id INTEGER PRIMARY KEY,
    change INTEGER NOT NULL REFERENCES change (id),
    tab TEXT NOT NULL,
    row INTEGER NOT NULL,
    was TEXT
);
CREATE INDEX change_row_change ON change_row (change);
"""

# Pulled prints of an edition; ``good`` marks the first good pull that the run is held to.
_VERSION_2 = """
CREATE TABLE pull (
    id INTEGER PRIMARY KEY,
    edition TEXT NOT NULL,
    edition_key TEXT NOT NULL,
    number INTEGER NOT NULL,
    date TEXT NOT NULL,
    spot TEXT NOT NULL DEFAULT '',
    good INTEGER NOT NULL DEFAULT 0,
    note TEXT NOT NULL DEFAULT '',
    reading INTEGER NOT NULL REFERENCES reading (id),
    removed TEXT
);
CREATE UNIQUE INDEX pull_number ON pull (edition_key, number, spot) WHERE removed IS NULL;
"""

# The colour of originals and packets at hand, so that the nearest is found in one short scan.
_VERSION_3 = """
ALTER TABLE original ADD COLUMN lab_l REAL;
ALTER TABLE original ADD COLUMN lab_a REAL;
ALTER TABLE original ADD COLUMN lab_b REAL;
ALTER TABLE packet ADD COLUMN lab_l REAL;
ALTER TABLE packet ADD COLUMN lab_a REAL;
ALTER TABLE packet ADD COLUMN lab_b REAL;
CREATE INDEX original_lab ON original (removed, lab_l, lab_a, lab_b);
CREATE INDEX packet_lab ON packet (removed, lab_l, lab_a, lab_b, grams);
"""

# The first good pull as it was read beside a later one, in the same photo.
_VERSION_4 = """
ALTER TABLE pull ADD COLUMN beside INTEGER REFERENCES reading (id);
"""

MIGRATIONS = (_VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4)
VERSION = len(MIGRATIONS)

# What the diary carries, parents before children.
TABLES = (
    "setting", "photo", "reading", "original", "recipe", "batch", "entry", "packet", "pull",
    "change", "change_row",
)  # fmt: skip


def version_of(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, version: int = VERSION) -> None:
    """Bring the tables to ``version``; the caller holds the writing lock and commits.

    What was changed before a migration can no longer be undone (rows may have another
    shape), so it is marked as settled."""
    start = version_of(db)
    for script in MIGRATIONS[start:version]:
        for statement in script.split(";"):
            if statement.strip():
                db.execute(statement)
    if version >= 3:
        fill_colours(db)
    if start:
        db.execute("UPDATE change SET state = 'settled' WHERE state IN ('done', 'undone')")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {int(version)}")


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
