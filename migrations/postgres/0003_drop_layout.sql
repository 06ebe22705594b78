-- The layout by which files of a drop folder are read, as TOML; empty for other schedules.
ALTER TABLE schedule ADD COLUMN layout TEXT COLLATE "C" NOT NULL DEFAULT '';
