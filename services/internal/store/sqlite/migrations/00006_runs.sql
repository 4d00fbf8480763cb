-- +goose Up

-- Runs of scoring: what was asked and how far it is, as one encoded row beside what lists need.
CREATE TABLE runs (
  seq      INTEGER PRIMARY KEY,
  id       BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
  owner    TEXT NOT NULL REFERENCES members (id),
  state    INTEGER NOT NULL CHECK (state > 0),
  body     BLOB NOT NULL,
  checksum INTEGER NOT NULL CHECK (checksum BETWEEN 0 AND 4294967295)
) STRICT;

-- The frozen columns of a run, in parts of about a mebibyte: the header is part 0.
CREATE TABLE run_columns (
  run      BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  part     INTEGER NOT NULL CHECK (part >= 0),
  body     BLOB NOT NULL,
  checksum INTEGER NOT NULL CHECK (checksum BETWEEN 0 AND 4294967295),
  PRIMARY KEY (run, part)
) STRICT;

-- Which trials have rows among them, so that what is taken back is found.
CREATE TABLE run_trials (
  run   BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  trial BLOB NOT NULL CHECK (length(trial) = 16),
  PRIMARY KEY (run, trial)
) STRICT, WITHOUT ROWID;

-- What modules said, each by its place in the run; part 0 is how far permuting is, the others are scores of some groups.
CREATE TABLE run_scores (
  run      BLOB NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
  module   INTEGER NOT NULL CHECK (module >= 0),
  part     INTEGER NOT NULL CHECK (part >= 0),
  body     BLOB NOT NULL,
  checksum INTEGER NOT NULL CHECK (checksum BETWEEN 0 AND 4294967295),
  PRIMARY KEY (run, module, part)
) STRICT;
