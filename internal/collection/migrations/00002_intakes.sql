-- +goose Up

-- What photos are to have their scale from is said of an intake, so that one that
-- was cut short goes on with it.
ALTER TABLE intake ADD COLUMN ruler TEXT NOT NULL DEFAULT '';          -- JSON; empty where nothing was named
ALTER TABLE intake ADD COLUMN no_profiles INTEGER NOT NULL DEFAULT 0;  -- camera profiles are left alone

-- The next file is found, and an intake's files are counted, without looking at
-- all of them: with thousands in one folder that was most of the work.
DROP INDEX intake_file_state;
CREATE INDEX intake_file_next ON intake_file(state, intake_id, path);
CREATE INDEX intake_open ON intake(started, id) WHERE finished = '';

CREATE TABLE intake_count (
  intake_id TEXT NOT NULL REFERENCES intake(id),
  state     TEXT NOT NULL,
  files     INTEGER NOT NULL,
  PRIMARY KEY (intake_id, state)
) WITHOUT ROWID;
INSERT INTO intake_count (intake_id, state, files)
  SELECT i.id, s.column1, (SELECT count(*) FROM intake_file f WHERE f.intake_id = i.id AND f.state = s.column1)
  FROM intake i, (VALUES ('waiting'), ('measuring'), ('measured'), ('known'), ('failed')) s;

-- +goose StatementBegin
CREATE TRIGGER intake_counts AFTER INSERT ON intake BEGIN
  INSERT INTO intake_count (intake_id, state, files)
    VALUES (NEW.id, 'waiting', 0), (NEW.id, 'measuring', 0), (NEW.id, 'measured', 0), (NEW.id, 'known', 0), (NEW.id, 'failed', 0);
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER intake_file_counted AFTER INSERT ON intake_file BEGIN
  UPDATE intake_count SET files = files + 1 WHERE intake_id = NEW.intake_id AND state = NEW.state;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER intake_file_recounted AFTER UPDATE OF state ON intake_file WHEN OLD.state <> NEW.state BEGIN
  UPDATE intake_count SET files = files - 1 WHERE intake_id = OLD.intake_id AND state = OLD.state;
  UPDATE intake_count SET files = files + 1 WHERE intake_id = NEW.intake_id AND state = NEW.state;
END;
-- +goose StatementEnd
