-- +goose Up

ALTER TABLE trials ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE baths ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE water_sources ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE experiments ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));

-- What a bath can be found by, in folded case; a water is its source's id.
CREATE TABLE bath_terms (
  field TEXT NOT NULL CHECK (field IN ('label', 'purpose', 'material', 'water')),
  value TEXT NOT NULL,
  bath  INTEGER NOT NULL REFERENCES baths (seq),
  PRIMARY KEY (field, value, bath)
) STRICT, WITHOUT ROWID;
CREATE INDEX bath_terms_by_bath ON bath_terms (bath);

-- What a record said at a revision, as long as it stood: the later one, of revision next, is the dictionary by which
-- body (Zstandard, with a raw dictionary) is read. The present one is the record's own row.
CREATE TABLE history (
  record_kind TEXT NOT NULL CHECK (record_kind IN ('trial', 'bath', 'water', 'experiment')),
  record_id   BLOB NOT NULL CHECK (length(record_id) = 16),
  revision    INTEGER NOT NULL CHECK (revision > 0),
  next        INTEGER NOT NULL CHECK (next > revision),
  size        INTEGER NOT NULL CHECK (size >= 0),
  sha256      BLOB NOT NULL CHECK (length(sha256) = 32),
  body        BLOB NOT NULL,
  PRIMARY KEY (record_kind, record_id, revision)
) STRICT, WITHOUT ROWID;
CREATE INDEX feed_by_record ON feed (record_id, revision);

-- One row for each change that was made. chain is the SHA-256 over the chain of the row before and this one; the actor is
-- in it by a salted hash alone, so that it can be erased.
CREATE TABLE audit (
  seq          INTEGER PRIMARY KEY CHECK (seq > 0),
  at           INTEGER NOT NULL,
  actor        TEXT,
  actor_salt   BLOB CHECK (length(actor_salt) = 16),
  actor_hash   BLOB NOT NULL CHECK (length(actor_hash) = 32),
  token        TEXT NOT NULL,
  method       TEXT NOT NULL CHECK (method <> ''),
  revision     INTEGER NOT NULL CHECK (revision >= 0),
  subjects     TEXT NOT NULL,
  request_hash BLOB CHECK (length(request_hash) = 32),
  reason       TEXT NOT NULL,
  chain        BLOB NOT NULL UNIQUE CHECK (length(chain) = 32)
) STRICT;
CREATE INDEX audit_by_actor ON audit (actor, seq);
CREATE UNIQUE INDEX audit_by_revision ON audit (revision) WHERE revision > 0;

ALTER TABLE tokens ADD COLUMN last_used_at INTEGER;
