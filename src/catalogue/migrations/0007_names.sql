-- The names of a specimen, from the index: the whole table was read for each
-- record written out.
CREATE INDEX determination_specimen ON determination (specimen) WHERE specimen IS NOT NULL;
