-- +goose Up

-- Sheets of plans; every revision stays.
CREATE TABLE bench_sheets (
  plan_id  BLOB NOT NULL CHECK (length(plan_id) = 16),
  revision INTEGER NOT NULL CHECK (revision > 0),
  owner    TEXT NOT NULL CHECK (length(owner) > 0),
  trial_id BLOB CHECK (length(trial_id) = 16),
  title    TEXT NOT NULL,
  standing INTEGER NOT NULL,
  kept_at  INTEGER NOT NULL,
  newest   INTEGER NOT NULL CHECK (newest IN (0, 1)),
  body     BLOB NOT NULL,
  checksum INTEGER NOT NULL CHECK (checksum BETWEEN 0 AND 4294967295),
  PRIMARY KEY (plan_id, revision)
) STRICT;
CREATE UNIQUE INDEX bench_sheets_newest ON bench_sheets (owner, plan_id) WHERE newest = 1;

-- Workshops of members; every revision stays.
CREATE TABLE workshops (
  member   TEXT NOT NULL CHECK (length(member) > 0),
  revision INTEGER NOT NULL CHECK (revision > 0),
  kept_at  INTEGER NOT NULL,
  body     BLOB NOT NULL,
  checksum INTEGER NOT NULL CHECK (checksum BETWEEN 0 AND 4294967295),
  PRIMARY KEY (member, revision)
) STRICT;

-- Short codes of pieces that are planned and not in the record yet.
CREATE TABLE reserved_codes (
  piece_id BLOB PRIMARY KEY CHECK (length(piece_id) = 16),
  member   TEXT NOT NULL,
  code     TEXT NOT NULL UNIQUE
) STRICT, WITHOUT ROWID;
