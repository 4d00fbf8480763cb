-- +goose Up

-- The data by which modules judge, by the module that it is for and its digest, and what of it is in force. Its content is in files.
CREATE TABLE packs (
  module     TEXT NOT NULL CHECK (length(module) BETWEEN 1 AND 40),
  digest     TEXT NOT NULL CHECK (length(digest) = 64),
  kind       TEXT NOT NULL CHECK (length(kind) > 0),
  name       TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 80),
  version    TEXT NOT NULL CHECK (length(version) BETWEEN 1 AND 40),
  bytes      INTEGER NOT NULL CHECK (bytes > 0),
  own        INTEGER NOT NULL CHECK (own IN (0, 1)),
  in_force   INTEGER NOT NULL CHECK (in_force IN (0, 1)),
  changed_at INTEGER NOT NULL,
  changed_by TEXT NOT NULL,
  PRIMARY KEY (module, digest)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX packs_in_force ON packs (module, name) WHERE in_force = 1;
