-- +goose NO TRANSACTION
-- +goose Up

-- A photo measured by another ruler, or through another camera profile, is another
-- measurement; the one that was asked for last counts. The table's own constraint
-- changes with that, so the table is made anew as SQLite's documentation of ALTER
-- TABLE says (section 7), for which foreign keys must rest, and those can't be
-- laid to rest within goose's transaction. Cut short, it can be run again.
PRAGMA foreign_keys = OFF;
BEGIN;
DROP TABLE IF EXISTS measurement_anew;
CREATE TABLE measurement_anew (
  id           TEXT PRIMARY KEY,
  photo        TEXT NOT NULL REFERENCES photo(sha256),
  made         TEXT NOT NULL,
  asked        TEXT NOT NULL,               -- when it was last asked for in this way
  tawsight     TEXT NOT NULL,
  opencv       TEXT NOT NULL,
  features     INTEGER NOT NULL,
  check_bar_mm REAL NOT NULL,               -- 0 for the nominal length
  ruler        TEXT NOT NULL,               -- what was named to have the scale from, JSON; empty for nothing
  camera       TEXT NOT NULL,               -- hashes of the camera profiles there were for it; empty for none
  record       TEXT NOT NULL,               -- the output contract's photo without its marbles
  UNIQUE (photo, tawsight, opencv, features, check_bar_mm, ruler, camera)
) WITHOUT ROWID;
-- Of earlier ones the record names the profile that was used: "NAME [HASH]".
INSERT INTO measurement_anew (id, photo, made, asked, tawsight, opencv, features, check_bar_mm, ruler, camera, record)
  SELECT id, photo, made, made, tawsight, opencv, features, check_bar_mm, '',
    CASE WHEN coalesce(json_extract(record, '$.scale.camera_profile'), '') LIKE '% [____________]'
      THEN substr(json_extract(record, '$.scale.camera_profile'), -13, 12) ELSE '' END, record
  FROM measurement;
DROP TABLE measurement;
ALTER TABLE measurement_anew RENAME TO measurement;
COMMIT;
PRAGMA foreign_keys = ON;
