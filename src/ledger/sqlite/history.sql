-- What is kept for ever: the entries. Everything else follows from them (tables.sql).
CREATE TABLE entry (
    seq INTEGER PRIMARY KEY CHECK (seq > 0),
    form INTEGER NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL UNIQUE
) STRICT;
CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER entry_is_kept BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'entries are never removed'); END;
