-- +goose Up

-- The one row of counters. revision is that of the last durable change.
CREATE TABLE counters (
  only_row    INTEGER PRIMARY KEY CHECK (only_row = 1),
  revision    INTEGER NOT NULL CHECK (revision >= 0),
  piece_codes INTEGER NOT NULL CHECK (piece_codes >= 0)
) STRICT;
INSERT INTO counters (only_row, revision, piece_codes) VALUES (1, 0, 0);

CREATE TABLE members (
  id           TEXT NOT NULL PRIMARY KEY CHECK (id <> ''),
  display_name TEXT NOT NULL,
  created_at   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE member_roles (
  member TEXT NOT NULL REFERENCES members (id),
  role   TEXT NOT NULL CHECK (role IN ('member', 'researcher', 'coordinator', 'steward')),
  PRIMARY KEY (member, role)
) STRICT, WITHOUT ROWID;

CREATE TABLE tokens (
  id          TEXT NOT NULL PRIMARY KEY CHECK (id <> ''),
  member      TEXT NOT NULL REFERENCES members (id),
  secret_hash BLOB NOT NULL CHECK (length(secret_hash) = 32),
  label       TEXT NOT NULL,
  created_at  INTEGER NOT NULL,
  expires_at  INTEGER,
  revoked_at  INTEGER
) STRICT, WITHOUT ROWID;

-- Every id of a session, piece, immersion, look, reading, addition, check and
-- water sample of the whole store, so that none is given twice.
CREATE TABLE entry_ids (
  id BLOB NOT NULL PRIMARY KEY CHECK (length(id) = 16)
) STRICT, WITHOUT ROWID;

-- body stands last, so that scans over the other columns do not read it.
CREATE TABLE trials (
  seq           INTEGER PRIMARY KEY,
  id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
  owner         TEXT NOT NULL REFERENCES members (id),
  sharing       INTEGER NOT NULL CHECK (sharing BETWEEN 1 AND 3),
  state         INTEGER NOT NULL CHECK (state BETWEEN 1 AND 4),
  revision      INTEGER NOT NULL CHECK (revision > 0),
  title_folded  TEXT NOT NULL,
  source_folded TEXT NOT NULL,
  body          BLOB NOT NULL
) STRICT;

-- Members other than the owner who hold a piece of the trial.
CREATE TABLE trial_holders (
  trial  INTEGER NOT NULL REFERENCES trials (seq),
  member TEXT NOT NULL REFERENCES members (id),
  PRIMARY KEY (trial, member)
) STRICT, WITHOUT ROWID;

-- What a trial can be found by, in folded case.
CREATE TABLE trial_terms (
  field TEXT NOT NULL CHECK (field IN ('fibre', 'material', 'water', 'experiment')),
  value TEXT NOT NULL,
  trial INTEGER NOT NULL REFERENCES trials (seq),
  PRIMARY KEY (field, value, trial)
) STRICT, WITHOUT ROWID;

-- Parents, pieces and baths may come in any order within a transaction.
CREATE TABLE pieces (
  id     BLOB NOT NULL PRIMARY KEY CHECK (length(id) = 16),
  trial  INTEGER NOT NULL REFERENCES trials (seq),
  code   TEXT UNIQUE CHECK (code <> ''),
  parent BLOB REFERENCES pieces (id) DEFERRABLE INITIALLY DEFERRED,
  holder TEXT REFERENCES members (id)
) STRICT, WITHOUT ROWID;
CREATE INDEX pieces_by_parent ON pieces (parent) WHERE parent IS NOT NULL;

CREATE TABLE baths (
  seq             INTEGER PRIMARY KEY,
  id              BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
  owner           TEXT NOT NULL REFERENCES members (id),
  sharing         INTEGER NOT NULL CHECK (sharing BETWEEN 1 AND 3),
  open_to_members INTEGER NOT NULL CHECK (open_to_members IN (0, 1)),
  revision        INTEGER NOT NULL CHECK (revision > 0),
  body            BLOB NOT NULL
) STRICT;

-- Which piece was in which bath, superseded immersions left out.
CREATE TABLE immersions (
  bath  BLOB NOT NULL REFERENCES baths (id) DEFERRABLE INITIALLY DEFERRED,
  piece BLOB NOT NULL REFERENCES pieces (id) DEFERRABLE INITIALLY DEFERRED,
  PRIMARY KEY (bath, piece)
) STRICT, WITHOUT ROWID;

CREATE TABLE water_sources (
  id          BLOB NOT NULL PRIMARY KEY CHECK (length(id) = 16),
  owner       TEXT NOT NULL REFERENCES members (id),
  name_folded TEXT NOT NULL UNIQUE,
  revision    INTEGER NOT NULL CHECK (revision > 0),
  body        BLOB NOT NULL
) STRICT;

CREATE TABLE experiments (
  id       BLOB NOT NULL PRIMARY KEY CHECK (length(id) = 16),
  owner    TEXT NOT NULL REFERENCES members (id),
  revision INTEGER NOT NULL CHECK (revision > 0),
  body     BLOB NOT NULL
) STRICT;

CREATE TABLE import_links (
  member       TEXT NOT NULL,
  source       TEXT NOT NULL,
  kind         TEXT NOT NULL CHECK (kind IN ('row', 'piece', 'bath', 'session', 'trial')),
  key          TEXT NOT NULL,
  record_id    BLOB CHECK (length(record_id) = 16),
  trial_id     BLOB CHECK (length(trial_id) = 16),
  content_hash BLOB NOT NULL CHECK (length(content_hash) = 32),
  PRIMARY KEY (member, source, kind, key)
) STRICT, WITHOUT ROWID;

-- Answers given, so that a request sent again gets the first one.
CREATE TABLE requests (
  seq        INTEGER PRIMARY KEY,
  member     TEXT NOT NULL,
  request_id BLOB NOT NULL CHECK (length(request_id) = 16),
  body_hash  BLOB NOT NULL CHECK (length(body_hash) = 32),
  revision   INTEGER NOT NULL,
  at         INTEGER NOT NULL,
  response   BLOB NOT NULL,
  UNIQUE (request_id, member)
) STRICT;

-- The change feed: a change is one revision and one row for each record it put.
CREATE TABLE feed (
  revision    INTEGER NOT NULL CHECK (revision > 0),
  place       INTEGER NOT NULL CHECK (place >= 0),
  kind        INTEGER NOT NULL CHECK (kind BETWEEN 1 AND 5),
  record_kind TEXT NOT NULL CHECK (record_kind IN ('trial', 'bath', 'water', 'experiment')),
  record_id   BLOB NOT NULL CHECK (length(record_id) = 16),
  by_member   TEXT NOT NULL,
  at          INTEGER NOT NULL,
  PRIMARY KEY (revision, place)
) STRICT, WITHOUT ROWID;
