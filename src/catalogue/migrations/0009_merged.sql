-- The lots merged into a record, from the index: all merged lots were read for
-- each page of records written out.
CREATE INDEX lot_merged ON lot (CAST(substr(fate, 20) AS INTEGER))
WHERE substr(fate, 1, 19) = 'merged into record ';
