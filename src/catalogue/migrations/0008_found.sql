-- Who emptied the trash: removing a photograph's file is the one thing that no
-- undo takes back.
ALTER TABLE photo ADD COLUMN gone_by TEXT NOT NULL DEFAULT '';

-- Short words are looked for by their length when they are misspelt: three
-- letters in a row are too many of four.
CREATE INDEX word_length ON word (length(word), word);

-- All that a record can be found by: its values and the words they were read
-- from, words of its labels that have no field, the numbers of its specimens, the
-- names it was ever given, the note and the photograph's name, and the values of
-- what was merged into it. Only the first of these were in the index.
CREATE VIEW lot_text (lot, text) AS
SELECT lot.id,
    coalesce((SELECT group_concat(value || CASE WHEN verbatim = value THEN '' ELSE char(10) || verbatim END, char(10))
              FROM lot_value WHERE lot_value.lot = lot.id), '')
    || char(10) || coalesce((SELECT group_concat(number, char(10)) FROM specimen WHERE specimen.lot = lot.id
              AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = specimen.deed)), '')
    || char(10) || coalesce((SELECT group_concat(name || ' ' || by, char(10)) FROM determination
              WHERE determination.lot = lot.id
              AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = determination.deed)), '')
    || char(10) || coalesce((SELECT name || char(10) || note FROM draft
              WHERE draft.id = coalesce(lot.draft, lot.shown)), '')
    || char(10) || coalesce((SELECT group_concat(json_extract(leftover.value, '$.text'), char(10))
              FROM draft, json_each(draft.parsed, '$.leftovers') AS leftover
              WHERE draft.id = coalesce(lot.draft, lot.shown)), '')
    || char(10) || coalesce((SELECT group_concat(value, char(10))
              FROM lot AS merged CROSS JOIN lot_value ON lot_value.lot = merged.id
              WHERE merged.fate <> '' AND merged.fate = 'merged into record ' || lot.id), '')
FROM lot;

INSERT INTO lot_words (lot_words) VALUES ('delete-all');
INSERT INTO lot_words (rowid, text) SELECT lot, text FROM lot_text WHERE lot IN (SELECT id FROM lot WHERE standing = 1);
