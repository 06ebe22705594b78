-- The layout by which files handed in over HTTP are read, as JSON; empty until one is given.
ALTER TABLE source ADD COLUMN layout TEXT NOT NULL DEFAULT '';
