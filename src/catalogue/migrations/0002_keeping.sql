-- Where things are kept, parts and wholes of lots, and the trash.
--
-- All of it goes through deeds: a move, a split, a merge is a deed with its
-- changes, and an undo takes it back. The deeds are of kind 'change'; what they
-- changed says what they were.

-- A box, drawer, cabinet, cooler, room: anything that holds lots, specimens or
-- other containers. Its code is what is written on it.
CREATE TABLE container (
    id       INTEGER PRIMARY KEY,
    uuid     TEXT    NOT NULL UNIQUE,
    code     TEXT    NOT NULL COLLATE NOCASE UNIQUE CHECK (trim(code) <> ''),
    kind     TEXT    NOT NULL DEFAULT '',
    inside   INTEGER REFERENCES container (id),
    added    TEXT    NOT NULL,
    standing INTEGER NOT NULL DEFAULT 0 CHECK (standing IN (0, 1)) -- 0: its making was undone
);
CREATE INDEX container_inside ON container (inside);
CREATE TRIGGER container_stays BEFORE DELETE ON container
BEGIN SELECT RAISE (ABORT, 'a container is never removed'); END;
CREATE TRIGGER container_code_stays BEFORE UPDATE OF id, uuid, code, added ON container
BEGIN SELECT RAISE (ABORT, 'the code of a container stays'); END;

CREATE TABLE container_change (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    deed      INTEGER NOT NULL REFERENCES deed (id),
    container INTEGER NOT NULL REFERENCES container (id),
    term      TEXT    NOT NULL,
    was       TEXT    NOT NULL,
    now       TEXT    NOT NULL
);
CREATE INDEX container_change_deed ON container_change (deed);
CREATE INDEX container_change_container ON container_change (container, id);
CREATE TRIGGER container_change_stays BEFORE UPDATE ON container_change
BEGIN SELECT RAISE (ABORT, 'history is never altered'); END;
CREATE TRIGGER container_change_kept BEFORE DELETE ON container_change
BEGIN SELECT RAISE (ABORT, 'history is never removed'); END;

ALTER TABLE lot ADD COLUMN container INTEGER REFERENCES container (id);
ALTER TABLE specimen ADD COLUMN container INTEGER REFERENCES container (id); -- null: with its lot
CREATE INDEX lot_container ON lot (container) WHERE container IS NOT NULL;
CREATE INDEX specimen_container ON specimen (container) WHERE container IS NOT NULL;

-- Why a lot does not stand though it was settled: merged into another, or in
-- the trash. Empty where its settling was undone.
ALTER TABLE lot ADD COLUMN fate TEXT NOT NULL DEFAULT '';
CREATE INDEX lot_fate ON lot (fate) WHERE fate <> '';
-- The lot it was split from, and the draft whose photograph shows it.
ALTER TABLE lot ADD COLUMN part_of INTEGER REFERENCES lot (id);
ALTER TABLE lot ADD COLUMN shown INTEGER REFERENCES draft (id);
CREATE INDEX lot_part ON lot (part_of) WHERE part_of IS NOT NULL;

-- A draft in the trash is one set aside; its photograph's file goes when a
-- person empties the trash, its reading and history stay.
ALTER TABLE draft ADD COLUMN trash INTEGER NOT NULL DEFAULT 0 CHECK (trash IN (0, 1));
CREATE INDEX draft_trash ON draft (trash) WHERE trash = 1;
ALTER TABLE photo ADD COLUMN gone TEXT; -- when its file was removed with the trash
