-- A collection folder's catalogue, first version.
--
-- What was read is written once and never altered: triggers refuse it. What a
-- person does is a deed with its changes, and both are only ever added to;
-- undoing is a further deed. Everything else (values, states, search) can be
-- worked out again from these.

PRAGMA application_id = 1198285171; -- "Glas" in ASCII: says whose file this is

CREATE TABLE folder (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- One photograph: a picture file, or one page of a PDF (page 0: a picture file).
CREATE TABLE photo (
    id        INTEGER PRIMARY KEY,
    hash      TEXT    NOT NULL CHECK (length(hash) = 64),
    page      INTEGER NOT NULL DEFAULT 0,
    file      TEXT    NOT NULL,  -- path below photos/
    name      TEXT    NOT NULL,
    width     INTEGER NOT NULL,
    height    INTEGER NOT NULL,
    taken     TEXT,
    latitude  REAL,
    longitude REAL,
    look      TEXT,              -- likeness hash, hex digits
    added     TEXT    NOT NULL,
    UNIQUE (hash, page)
);

-- What was read from one photograph, waiting for a person or settled.
CREATE TABLE draft (
    id      INTEGER PRIMARY KEY,
    photo   INTEGER UNIQUE REFERENCES photo (id),
    name    TEXT NOT NULL,
    reading TEXT NOT NULL CHECK (json_valid(reading)),
    parsed  TEXT NOT NULL CHECK (json_valid(parsed)),
    entered TEXT NOT NULL,
    state   TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'aside', 'settled')),
    weight  REAL NOT NULL DEFAULT 0,
    note    TEXT NOT NULL DEFAULT ''
);
CREATE INDEX draft_queue ON draft (state, weight DESC, id);

CREATE TRIGGER draft_reading_stays BEFORE UPDATE OF id, photo, reading, parsed, entered ON draft
BEGIN SELECT RAISE (ABORT, 'what was read is never altered'); END;
CREATE TRIGGER draft_stays BEFORE DELETE ON draft
BEGIN SELECT RAISE (ABORT, 'what was read is never removed'); END;

-- The value each field of a draft has now; what it was read as stands in parsed.
CREATE TABLE draft_value (
    draft    INTEGER NOT NULL REFERENCES draft (id),
    term     TEXT    NOT NULL,
    verbatim TEXT    NOT NULL,   -- the words as read, a copy of the reading's for looking up
    value    TEXT    NOT NULL,
    PRIMARY KEY (draft, term)
) WITHOUT ROWID;
CREATE INDEX draft_value_same ON draft_value (term, value);
CREATE INDEX draft_value_words ON draft_value (term, verbatim);
CREATE TRIGGER draft_words_stay BEFORE UPDATE OF draft, term, verbatim ON draft_value
BEGIN SELECT RAISE (ABORT, 'what was read is never altered'); END;

CREATE TABLE doubt (
    draft    INTEGER NOT NULL REFERENCES draft (id),
    nth      INTEGER NOT NULL,
    kind     TEXT    NOT NULL,
    terms    TEXT    NOT NULL,
    sentence TEXT    NOT NULL,
    weight   REAL    NOT NULL,
    PRIMARY KEY (draft, nth)
) WITHOUT ROWID;
CREATE INDEX doubt_kind ON doubt (kind, draft);

-- What was collected at one place and time and kept together.
CREATE TABLE lot (
    id         INTEGER PRIMARY KEY,
    uuid       TEXT    NOT NULL UNIQUE,
    draft      INTEGER UNIQUE REFERENCES draft (id),
    settled    TEXT    NOT NULL,
    settled_by TEXT    NOT NULL,
    standing   INTEGER NOT NULL DEFAULT 1 CHECK (standing IN (0, 1)) -- 0: its settling was undone
);
CREATE INDEX lot_standing ON lot (standing, id);
CREATE TRIGGER lot_stays BEFORE DELETE ON lot
BEGIN SELECT RAISE (ABORT, 'a lot is never removed'); END;

CREATE TABLE lot_value (
    lot        INTEGER NOT NULL REFERENCES lot (id),
    term       TEXT    NOT NULL,
    verbatim   TEXT    NOT NULL,
    value      TEXT    NOT NULL,
    confidence REAL,             -- the machine's, 0 to 1; null where a person gave the value
    origin     TEXT    NOT NULL CHECK (origin IN ('read', 'changed', 'typed')),
    PRIMARY KEY (lot, term)
) WITHOUT ROWID;
CREATE INDEX lot_value_same ON lot_value (term, value);

-- One animal of a lot, once it has a number of its own.
CREATE TABLE specimen (
    id     INTEGER PRIMARY KEY,
    uuid   TEXT    NOT NULL UNIQUE,
    lot    INTEGER NOT NULL REFERENCES lot (id),
    number TEXT    NOT NULL,
    sex    TEXT    NOT NULL DEFAULT '',
    added  TEXT    NOT NULL,
    deed   INTEGER NOT NULL REFERENCES deed (id) -- gone again where it was undone
);
CREATE INDEX specimen_lot ON specimen (lot);
CREATE INDEX specimen_number ON specimen (number);

-- Every name a lot or specimen was given, oldest first; the last one counts.
CREATE TABLE determination (
    id       INTEGER PRIMARY KEY,
    lot      INTEGER NOT NULL REFERENCES lot (id),
    specimen INTEGER REFERENCES specimen (id),
    name     TEXT    NOT NULL,
    by       TEXT    NOT NULL DEFAULT '',
    day      TEXT    NOT NULL DEFAULT '',
    entered  TEXT    NOT NULL,
    who      TEXT    NOT NULL,
    deed     INTEGER NOT NULL REFERENCES deed (id) -- does not count where it was undone
);
CREATE INDEX determination_lot ON determination (lot, id);

-- What a person did, and what it changed.
CREATE TABLE deed (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    at     TEXT    NOT NULL,
    who    TEXT    NOT NULL,
    kind   TEXT    NOT NULL CHECK (kind IN ('change', 'settle', 'aside', 'back', 'note', 'undo')),
    why    TEXT    NOT NULL DEFAULT '',
    undoes INTEGER UNIQUE REFERENCES deed (id)
);
CREATE INDEX deed_who ON deed (who, id);

CREATE TABLE change (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    deed  INTEGER NOT NULL REFERENCES deed (id),
    draft INTEGER REFERENCES draft (id),
    lot   INTEGER REFERENCES lot (id),
    term  TEXT    NOT NULL,      -- a Darwin Core term, or state, or note
    was   TEXT    NOT NULL,
    now   TEXT    NOT NULL,
    CHECK (draft IS NOT NULL OR lot IS NOT NULL)
);
CREATE INDEX change_deed ON change (deed);
CREATE INDEX change_draft ON change (draft, id);
CREATE INDEX change_lot ON change (lot, id);

CREATE TRIGGER deed_stays BEFORE UPDATE ON deed
BEGIN SELECT RAISE (ABORT, 'history is never altered'); END;
CREATE TRIGGER deed_kept BEFORE DELETE ON deed
BEGIN SELECT RAISE (ABORT, 'history is never removed'); END;
CREATE TRIGGER change_stays BEFORE UPDATE ON change
BEGIN SELECT RAISE (ABORT, 'history is never altered'); END;
CREATE TRIGGER change_kept BEFORE DELETE ON change
BEGIN SELECT RAISE (ABORT, 'history is never removed'); END;

-- Search. Words of drafts and lots are indexed; a misspelt word is first looked
-- for by its trigrams among all words known, which are few beside the records.
CREATE VIRTUAL TABLE draft_words USING fts5 (
    text, content = '', contentless_delete = 1, prefix = '2 3',
    tokenize = 'unicode61 remove_diacritics 2'
);
CREATE VIRTUAL TABLE lot_words USING fts5 (
    text, content = '', contentless_delete = 1, prefix = '2 3',
    tokenize = 'unicode61 remove_diacritics 2'
);
CREATE TABLE word (
    id   INTEGER PRIMARY KEY,
    word TEXT NOT NULL UNIQUE
);
CREATE VIRTUAL TABLE word_letters USING fts5 (
    word, content = 'word', content_rowid = 'id', tokenize = 'trigram'
);
CREATE TRIGGER word_added AFTER INSERT ON word
BEGIN INSERT INTO word_letters (rowid, word) VALUES (new.id, new.word); END;
