-- +goose Up

-- Small facts about the collection itself: its id, who keeps it, the edition of
-- the comparison in force.
CREATE TABLE setting (
  name  TEXT PRIMARY KEY,
  value TEXT NOT NULL
) WITHOUT ROWID;

-- Who photos and marbles come from, and what they allow.
CREATE TABLE contributor (
  id         TEXT PRIMARY KEY,
  name       TEXT NOT NULL UNIQUE,
  permission TEXT NOT NULL DEFAULT '',
  note       TEXT NOT NULL DEFAULT ''
) WITHOUT ROWID;

-- A photo is known by its content; the file stays where it is.
CREATE TABLE photo (
  sha256         TEXT PRIMARY KEY,
  bytes          INTEGER NOT NULL,
  name           TEXT NOT NULL,             -- as the file was called when it came
  taken          TEXT NOT NULL DEFAULT '',  -- ISO 8601, by the file
  camera         TEXT NOT NULL DEFAULT '',
  added          TEXT NOT NULL,
  contributor_id TEXT REFERENCES contributor(id),
  permission     TEXT NOT NULL DEFAULT '',  -- own, may-share, ask, private or not said
  provenance     TEXT NOT NULL DEFAULT ''
) WITHOUT ROWID;

CREATE TABLE photo_place (
  photo TEXT NOT NULL REFERENCES photo(sha256),
  path  TEXT NOT NULL,
  seen  TEXT NOT NULL,
  PRIMARY KEY (photo, path)
) WITHOUT ROWID;
CREATE INDEX photo_place_path ON photo_place(path);

-- A working copy, reduced, so that a tray can be looked at without its file.
CREATE TABLE photo_picture (
  photo     TEXT PRIMARY KEY REFERENCES photo(sha256),
  jpeg      BLOB NOT NULL,
  width_px  INTEGER NOT NULL,
  height_px INTEGER NOT NULL
);

-- One way of measuring one photo. Measuring again with another version adds a
-- row; no row is ever changed but for the pairing, which needs the other photo.
CREATE TABLE measurement (
  id           TEXT PRIMARY KEY,
  photo        TEXT NOT NULL REFERENCES photo(sha256),
  made         TEXT NOT NULL,
  tawsight     TEXT NOT NULL,
  opencv       TEXT NOT NULL,
  features     INTEGER NOT NULL,
  check_bar_mm REAL NOT NULL,               -- 0 for the nominal length
  record       TEXT NOT NULL,               -- the output contract's photo without its marbles
  UNIQUE (photo, tawsight, opencv, features, check_bar_mm)
) WITHOUT ROWID;

CREATE TABLE specimen (
  id             TEXT PRIMARY KEY,
  name           TEXT NOT NULL DEFAULT '',
  created        TEXT NOT NULL,
  contributor_id TEXT REFERENCES contributor(id),
  permission     TEXT NOT NULL DEFAULT '',
  provenance     TEXT NOT NULL DEFAULT '',
  merged_into    TEXT REFERENCES specimen(id)
) WITHOUT ROWID;

-- A place in a photo where a marble lies, whatever was measured of it. Pixels
-- as in the output contract.
CREATE TABLE sighting (
  id          TEXT PRIMARY KEY,
  photo       TEXT NOT NULL REFERENCES photo(sha256),
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  cx_px       REAL NOT NULL,
  cy_px       REAL NOT NULL,
  radius_px   REAL NOT NULL
) WITHOUT ROWID;
CREATE INDEX sighting_photo ON sighting(photo);
CREATE INDEX sighting_specimen ON sighting(specimen_id);

-- What one measurement says of one sighting.
CREATE TABLE figure (
  id             TEXT PRIMARY KEY,
  sighting_id    TEXT NOT NULL REFERENCES sighting(id),
  measurement_id TEXT NOT NULL REFERENCES measurement(id),
  number         INTEGER NOT NULL,          -- the marble's place in its photo, from 1
  marble         TEXT NOT NULL,             -- the output contract's marble
  UNIQUE (sighting_id, measurement_id)
);
CREATE INDEX figure_measurement ON figure(measurement_id);

-- The marble cut out, white-balanced: the working copy of its picture.
CREATE TABLE face (
  figure_id   TEXT PRIMARY KEY REFERENCES figure(id),
  jpeg        BLOB NOT NULL,
  side_px     INTEGER NOT NULL,
  mm_per_px   REAL NOT NULL,                -- 0 where the photo gives no scale
  diameter_px REAL NOT NULL
);

-- The picture that shows how the figures came about, once somebody asked for it.
CREATE TABLE sheet (
  figure_id TEXT PRIMARY KEY REFERENCES figure(id),
  png       BLOB NOT NULL
);

-- The collector's own sets. Retired ones stay for the history's sake.
CREATE TABLE label_set (
  id          TEXT PRIMARY KEY,
  name        TEXT NOT NULL,
  note        TEXT NOT NULL DEFAULT '',
  created     TEXT NOT NULL,
  merged_into TEXT REFERENCES label_set(id),
  retired     INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;
CREATE UNIQUE INDEX label_set_name ON label_set(name) WHERE retired = 0;

-- What people said: the latest of a specimen holds. No set means that it was
-- looked at and left undecided.
CREATE TABLE label (
  id          TEXT PRIMARY KEY,
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  set_id      TEXT REFERENCES label_set(id),
  who         TEXT NOT NULL,
  made        TEXT NOT NULL,
  sure        TEXT NOT NULL CHECK (sure IN ('certain', 'likely', 'guess')),
  evidence    TEXT NOT NULL DEFAULT '',
  opinion     TEXT NOT NULL DEFAULT ''      -- what the comparison said when this was decided; JSON or empty
);
CREATE INDEX label_specimen ON label(specimen_id, made);

CREATE TABLE condition_note (
  id          TEXT PRIMARY KEY,
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  grade       TEXT NOT NULL DEFAULT '',     -- in the trade's words
  text        TEXT NOT NULL DEFAULT '',
  who         TEXT NOT NULL,
  made        TEXT NOT NULL
);
CREATE INDEX condition_specimen ON condition_note(specimen_id, made);

CREATE TABLE remark (
  id          TEXT PRIMARY KEY,
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  text        TEXT NOT NULL,
  who         TEXT NOT NULL,
  made        TEXT NOT NULL
);
CREATE INDEX remark_specimen ON remark(specimen_id, made);

CREATE TABLE tag (
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  tag         TEXT NOT NULL,
  PRIMARY KEY (specimen_id, tag)
) WITHOUT ROWID;
CREATE INDEX tag_tag ON tag(tag);

-- What was learnt from the labels at one time, and what that said of each
-- marble. Neither is ever changed: the edition in force is a setting.
CREATE TABLE edition (
  id       TEXT PRIMARY KEY,
  made     TEXT NOT NULL,
  who      TEXT NOT NULL,
  tawsight TEXT NOT NULL,
  features INTEGER NOT NULL,
  summary  TEXT NOT NULL,                   -- JSON: sets, counts, how well they are told apart
  model    BLOB NOT NULL
);

CREATE TABLE opinion (
  id            TEXT PRIMARY KEY,
  edition_id    TEXT NOT NULL REFERENCES edition(id),
  specimen_id   TEXT NOT NULL REFERENCES specimen(id),
  made          TEXT NOT NULL,
  status        TEXT NOT NULL,              -- assigned, doubtful, unlike-any; or '' with a reason
  set_id        TEXT REFERENCES label_set(id),
  probability   REAL,
  next_set_id   TEXT REFERENCES label_set(id),
  next_probability REAL,
  p_value       REAL,
  why_not       TEXT NOT NULL DEFAULT '',   -- why it could not be compared
  attribution   TEXT NOT NULL               -- the output contract's attribution, JSON; or empty
);
-- Of several by one edition, since photos were joined, the latest holds.
CREATE INDEX opinion_edition ON opinion(edition_id, specimen_id);
CREATE INDEX opinion_specimen ON opinion(specimen_id, made);

-- Editions of the identification guide, as far as the next has to say what
-- changed since.
CREATE TABLE guide_edition (
  id      TEXT PRIMARY KEY,
  made    TEXT NOT NULL,
  title   TEXT NOT NULL,
  summary TEXT NOT NULL
);

-- What is still to be measured, so that a run that was cut short goes on.
CREATE TABLE intake (
  id           TEXT PRIMARY KEY,
  started      TEXT NOT NULL,
  finished     TEXT NOT NULL DEFAULT '',
  who          TEXT NOT NULL,
  source       TEXT NOT NULL,               -- in words: the folder, or "the page"
  check_bar_mm REAL NOT NULL DEFAULT 0,
  labelled     INTEGER NOT NULL DEFAULT 0,  -- folders are sets
  contributor  TEXT NOT NULL DEFAULT '',    -- whose photos they are, where that was said
  permission   TEXT NOT NULL DEFAULT ''     -- what they allow
) WITHOUT ROWID;

CREATE TABLE intake_file (
  id        TEXT PRIMARY KEY,
  intake_id TEXT NOT NULL REFERENCES intake(id),
  path      TEXT NOT NULL,
  name      TEXT NOT NULL,                  -- as the user knows it
  photo     TEXT NOT NULL DEFAULT '',       -- its content, once read
  set_name  TEXT NOT NULL DEFAULT '',       -- the set its folder stands for
  state     TEXT NOT NULL CHECK (state IN ('waiting', 'measuring', 'measured', 'known', 'failed')),
  attempts  INTEGER NOT NULL DEFAULT 0,
  reason    TEXT NOT NULL DEFAULT '',
  UNIQUE (intake_id, path)
) WITHOUT ROWID;
CREATE INDEX intake_file_state ON intake_file(state);

-- The journal: every edit by a person, with each row as it was and became.
CREATE TABLE edit (
  seq       INTEGER PRIMARY KEY AUTOINCREMENT,
  id        TEXT NOT NULL UNIQUE,           -- the same in every collection that holds this edit
  made      TEXT NOT NULL,
  who       TEXT NOT NULL,
  what      TEXT NOT NULL,                  -- a short code: label, rename-set, ...
  text      TEXT NOT NULL,                  -- in plain words
  undoes    INTEGER REFERENCES edit(seq),
  undone_by INTEGER REFERENCES edit(seq)
);

CREATE TABLE change (
  id          INTEGER PRIMARY KEY,
  edit_seq    INTEGER NOT NULL REFERENCES edit(seq),
  tab         TEXT NOT NULL,
  specimen_id TEXT,
  old         TEXT,                         -- the row as JSON; null for a row that was new
  new         TEXT                          -- null for a row that was taken out
);
CREATE INDEX change_edit ON change(edit_seq);
CREATE INDEX change_specimen ON change(specimen_id, edit_seq);

-- The edit that is being written, if one is; see journal.go.
CREATE TABLE current_edit (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  seq INTEGER
);
INSERT INTO current_edit (one, seq) VALUES (1, NULL);

-- Each specimen as it stands, worked out from all of the above whenever that
-- changes, for lists and filters. It can be made anew at any time.
CREATE TABLE specimen_now (
  specimen_id      TEXT PRIMARY KEY REFERENCES specimen(id),
  title            TEXT NOT NULL,
  title_order      TEXT NOT NULL,           -- sorts as people count: no. 2 before no. 10
  figure_id        TEXT NOT NULL,           -- the best one
  photo            TEXT NOT NULL,           -- that it comes from
  number           INTEGER NOT NULL,
  sightings        INTEGER NOT NULL,
  diameter_mm      REAL,
  diameter_u95_mm  REAL,
  size_class       TEXT NOT NULL,
  base_kind        TEXT NOT NULL,
  base_look        TEXT NOT NULL,
  base_name        TEXT NOT NULL,
  base_l REAL, base_a REAL, base_b REAL,
  ribbons          INTEGER NOT NULL,
  ribbon_l REAL, ribbon_a REAL, ribbon_b REAL,
  ribbon_name      TEXT NOT NULL,
  translucency     REAL,
  busyness         REAL,
  bubble           INTEGER,
  glow             REAL,
  set_id           TEXT,
  sure             TEXT NOT NULL,
  state            TEXT NOT NULL,
  opinion_set_id   TEXT,
  opinion_p        REAL,
  next_set_id      TEXT,
  next_p           REAL,
  doubt            REAL NOT NULL,           -- 0 none .. 1 two sets alike
  contributor_id   TEXT,
  taken            TEXT NOT NULL,
  added            TEXT NOT NULL,
  poor             INTEGER NOT NULL,
  words            TEXT NOT NULL            -- lower case, for finding
) WITHOUT ROWID;
CREATE INDEX now_state ON specimen_now(state, doubt DESC);
CREATE INDEX now_set ON specimen_now(set_id);
CREATE INDEX now_diameter ON specimen_now(diameter_mm);
CREATE INDEX now_added ON specimen_now(added DESC);
CREATE INDEX now_title ON specimen_now(title_order);

CREATE TABLE specimen_colour (
  specimen_id TEXT NOT NULL REFERENCES specimen(id),
  part        TEXT NOT NULL,                -- base or ribbon
  place       INTEGER NOT NULL,             -- 0 the largest
  l REAL NOT NULL, a REAL NOT NULL, b REAL NOT NULL,
  area        REAL NOT NULL,
  PRIMARY KEY (specimen_id, part, place)
) WITHOUT ROWID;
CREATE INDEX colour_light ON specimen_colour(l, part, a, b); -- holds all that nearness needs
