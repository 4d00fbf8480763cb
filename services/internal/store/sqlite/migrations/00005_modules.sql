-- +goose Up

-- Which build of a module answers for its name, since somebody chose it; names that nobody chose for have no row.
CREATE TABLE module_choices (
  name       TEXT PRIMARY KEY CHECK (length(name) BETWEEN 1 AND 40),
  kind       TEXT NOT NULL CHECK (length(kind) > 0),
  digest     TEXT NOT NULL CHECK (length(digest) = 64),
  previous   TEXT NOT NULL CHECK (length(previous) IN (0, 64)),
  retired    INTEGER NOT NULL CHECK (retired IN (0, 1)),
  is_default INTEGER NOT NULL CHECK (is_default IN (0, 1) AND retired + is_default < 2),
  chosen_at  INTEGER NOT NULL,
  chosen_by  TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX module_choices_default ON module_choices (kind) WHERE is_default = 1;
