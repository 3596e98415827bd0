-- A page of a PDF is called by its number, so that a person can tell it from the
-- others of the file.
UPDATE draft SET name = name || ', page ' || (SELECT page FROM photo WHERE photo.id = draft.photo)
WHERE photo IN (SELECT id FROM photo WHERE page > 0);

-- The folder that a picture came from, as a hash: pages of a notebook that were
-- photographed one after the other lie in one. Empty: not known.
ALTER TABLE photo ADD COLUMN folder TEXT NOT NULL DEFAULT '';
CREATE INDEX photo_beside ON photo (folder, name) WHERE folder <> '';
