-- Entries of notebook pages are events; a field number joins them to the drafts
-- and records of envelopes and pins.
--
-- The values of an entry are values of its page's draft, under the entry's
-- place on the page (`event 3 eventDate`), so that they change, keep their
-- history and are undone as all others.

CREATE TABLE event (
    id     INTEGER PRIMARY KEY,
    uuid   TEXT    NOT NULL UNIQUE,
    draft  INTEGER NOT NULL REFERENCES draft (id),
    nth    INTEGER NOT NULL,     -- its place on the page, from 1
    number TEXT    NOT NULL,     -- its field number now, by parts; empty: none
    UNIQUE (draft, nth)
);
CREATE INDEX event_number ON event (number) WHERE number <> '';
CREATE TRIGGER event_stays BEFORE DELETE ON event
BEGIN SELECT RAISE (ABORT, 'an event is never removed'); END;
CREATE TRIGGER event_place_stays BEFORE UPDATE OF id, uuid, draft, nth ON event
BEGIN SELECT RAISE (ABORT, 'an event stays what it is'); END;
