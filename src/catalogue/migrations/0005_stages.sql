-- The stage that a lot or specimen is in: relaxing, spread, lent and the like.
--
-- There are tracks that go on beside each other (mounting, loan, pests); of each
-- the last stage counts. The value says the stage, to whom, until when and since
-- when, in the words that history has; empty: none, or it was undone.

CREATE TABLE lot_stage (
    lot   INTEGER NOT NULL REFERENCES lot (id),
    track TEXT    NOT NULL,
    value TEXT    NOT NULL,
    PRIMARY KEY (lot, track)
) WITHOUT ROWID;

-- A specimen's own, where it is not its lot's; it goes with it into other lots.
CREATE TABLE specimen_stage (
    specimen INTEGER NOT NULL REFERENCES specimen (id),
    track    TEXT    NOT NULL,
    value    TEXT    NOT NULL,
    PRIMARY KEY (specimen, track)
) WITHOUT ROWID;
