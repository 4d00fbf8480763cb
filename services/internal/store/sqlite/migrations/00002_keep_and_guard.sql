-- +goose Up

-- The audit trail begins with the change after this revision: those of a store of the first version have no entry.
ALTER TABLE counters ADD COLUMN audited_after INTEGER NOT NULL DEFAULT 0 CHECK (audited_after >= 0);
UPDATE counters SET audited_after = revision;

-- These stand behind the body, so lists go by the partial indexes below and never have to look at them.
ALTER TABLE trials ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE baths ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE baths ADD COLUMN label_folded TEXT NOT NULL DEFAULT '';
ALTER TABLE water_sources ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
ALTER TABLE experiments ADD COLUMN deleted INTEGER NOT NULL DEFAULT 0 CHECK (deleted IN (0, 1));
CREATE INDEX trials_live ON trials (id) WHERE deleted = 0;
CREATE INDEX trials_deleted ON trials (owner, id) WHERE deleted = 1;
CREATE INDEX baths_live ON baths (id) WHERE deleted = 0;
CREATE INDEX baths_deleted ON baths (owner, id) WHERE deleted = 1;

-- What a bath can be found by beside its label, in folded case; a water is its source's id.
CREATE TABLE bath_terms (
  field TEXT NOT NULL CHECK (field IN ('purpose', 'material', 'water')),
  value TEXT NOT NULL,
  bath  INTEGER NOT NULL REFERENCES baths (seq),
  PRIMARY KEY (field, value, bath)
) STRICT, WITHOUT ROWID;

-- Two kinds of change more. A check can't be altered, so the table is made anew; nothing refers to it.
CREATE TABLE feed_next (
  revision    INTEGER NOT NULL CHECK (revision > 0),
  place       INTEGER NOT NULL CHECK (place >= 0),
  kind        INTEGER NOT NULL CHECK (kind BETWEEN 1 AND 7),
  record_kind TEXT NOT NULL CHECK (record_kind IN ('trial', 'bath', 'water', 'experiment')),
  record_id   BLOB NOT NULL CHECK (length(record_id) = 16),
  by_member   TEXT NOT NULL,
  at          INTEGER NOT NULL,
  PRIMARY KEY (revision, place)
) STRICT, WITHOUT ROWID;
INSERT INTO feed_next (revision, place, kind, record_kind, record_id, by_member, at)
  SELECT revision, place, kind, record_kind, record_id, by_member, at FROM feed;
DROP TABLE feed;
ALTER TABLE feed_next RENAME TO feed;
CREATE INDEX feed_by_record ON feed (record_id, revision);

-- What a record said from a revision on, until the one of revision next. body is Zstandard: of a whole one by itself, else
-- with what the record said at revision next as raw dictionary. The present body is the record's own row. ordinal counts a
-- record's versions, so that every so often one is whole.
CREATE TABLE history (
  seq         INTEGER PRIMARY KEY,
  record_kind TEXT NOT NULL CHECK (record_kind IN ('trial', 'bath', 'water', 'experiment')),
  record_id   BLOB NOT NULL CHECK (length(record_id) = 16),
  revision    INTEGER NOT NULL CHECK (revision > 0),
  next        INTEGER NOT NULL CHECK (next > revision),
  ordinal     INTEGER NOT NULL CHECK (ordinal > 0),
  whole       INTEGER NOT NULL CHECK (whole IN (0, 1)),
  size        INTEGER NOT NULL CHECK (size >= 0),
  sha256      BLOB NOT NULL CHECK (length(sha256) = 32),
  body        BLOB NOT NULL,
  UNIQUE (record_id, record_kind, revision)
) STRICT;

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
  subjects     TEXT NOT NULL CHECK (subjects <> ''),
  request_hash BLOB CHECK (length(request_hash) = 32),
  reason       TEXT NOT NULL,
  chain        BLOB NOT NULL CHECK (length(chain) = 32)
) STRICT;
CREATE INDEX audit_by_actor ON audit (actor, seq);
CREATE UNIQUE INDEX audit_by_revision ON audit (revision) WHERE revision > 0;

-- To the hour.
ALTER TABLE tokens ADD COLUMN last_used_at INTEGER;
CREATE INDEX tokens_by_member ON tokens (member);
