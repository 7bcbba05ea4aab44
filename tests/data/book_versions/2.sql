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
