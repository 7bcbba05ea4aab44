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
