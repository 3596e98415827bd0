-- Several people at one catalogue. With nobody in this table the page belongs
-- to the person at the machine, as before.

CREATE TABLE person (
    id     INTEGER PRIMARY KEY,
    name   TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (trim(name) <> ''),
    role   TEXT NOT NULL CHECK (role IN ('reads', 'settles', 'keeps')),
    secret TEXT NOT NULL,        -- Argon2id, as a PHC string; never the passphrase
    added  TEXT NOT NULL,
    gone   TEXT                  -- since when the person comes no more; history keeps the name
);

-- Who is signed in. The cookie itself is not here, only its BLAKE3 hash: who
-- reads the file cannot sign in with it.
CREATE TABLE session (
    cookie  TEXT    PRIMARY KEY,
    person  INTEGER NOT NULL REFERENCES person (id),
    token   TEXT    NOT NULL,    -- what this person's own forms carry
    expires INTEGER NOT NULL     -- seconds since 1970, UTC
) WITHOUT ROWID;
CREATE INDEX session_person ON session (person);

-- The draft that a person works on: one each, until it expires.
CREATE TABLE lease (
    draft INTEGER PRIMARY KEY REFERENCES draft (id),
    who   TEXT    NOT NULL UNIQUE,
    until INTEGER NOT NULL       -- seconds since 1970, UTC
);

-- Records read a second time by another person who did not see the first
-- reading.
CREATE TABLE second_reading (
    id    INTEGER PRIMARY KEY,
    draft INTEGER NOT NULL UNIQUE REFERENCES draft (id),
    who   TEXT    NOT NULL,
    at    TEXT    NOT NULL,
    given TEXT    NOT NULL CHECK (json_valid(given)) -- term to value, empty ones too
);
CREATE TRIGGER second_reading_stays BEFORE UPDATE ON second_reading
BEGIN SELECT RAISE (ABORT, 'a second reading is never altered'); END;
CREATE TRIGGER second_reading_kept BEFORE DELETE ON second_reading
BEGIN SELECT RAISE (ABORT, 'a second reading is never removed'); END;
