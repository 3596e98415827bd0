-- Doubts that no longer hold since a value was corrected: they are remembered.
CREATE TABLE doubt_past (
    id       INTEGER PRIMARY KEY,
    draft    INTEGER NOT NULL REFERENCES draft (id),
    kind     TEXT    NOT NULL,
    terms    TEXT    NOT NULL,
    sentence TEXT    NOT NULL,
    weight   REAL    NOT NULL,
    gone     TEXT    NOT NULL
);
CREATE INDEX doubt_past_draft ON doubt_past (draft, id);
CREATE TRIGGER doubt_past_stays BEFORE UPDATE ON doubt_past
BEGIN SELECT RAISE (ABORT, 'history is never altered'); END;
CREATE TRIGGER doubt_past_kept BEFORE DELETE ON doubt_past
BEGIN SELECT RAISE (ABORT, 'history is never removed'); END;
-- Whether a doubt came up after its draft was entered, as one about a value that a
-- person gave does.
ALTER TABLE doubt ADD COLUMN anew INTEGER NOT NULL DEFAULT 0 CHECK (anew IN (0, 1));
