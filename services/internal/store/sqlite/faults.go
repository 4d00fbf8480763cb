package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	driver "modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// databaseClosed is the text of an error that database/sql does not export.
const databaseClosed = "sql: database is closed"

// ErrCorrupt says that the file, or what is kept in it, isn't what was written.
var ErrCorrupt = errors.New("store is damaged: restore a backup, or run a check of the file to see what can be read")

// isCorrupt reports whether SQLite found the file damaged.
func isCorrupt(err error) bool {
	code := resultCode(err) & 0xff
	return code == lib.SQLITE_CORRUPT || code == lib.SQLITE_NOTADB
}

// asCorrupt adds ErrCorrupt to what SQLite says of a damaged file.
func asCorrupt(err error) error {
	if isCorrupt(err) && !errors.Is(err, ErrCorrupt) {
		return fmt.Errorf("%w: %w", ErrCorrupt, err)
	}
	return err
}

// readFault is fault for reads, where an interrupted statement means that the caller's time ended.
func (s *reader) readFault(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return s.noted(fault(err))
}

// noted remembers that the file is damaged: a change to it could only make matters worse. A record that is, is told each time.
func (s *reader) noted(err error) error {
	switch {
	case isCorrupt(err):
		if !s.damaged.Swap(true) {
			s.log.Error("store is damaged, changes are refused from now on", "error", err)
		}
	case errors.Is(err, ErrCorrupt): // of a record: the others are as good as before
		s.log.Error("a record is damaged, and is refused", "error", err)
	}
	return err
}

// resultCode is SQLite's extended result code; 0 if the error isn't SQLite's.
func resultCode(err error) int {
	var fault *driver.Error
	if errors.As(err, &fault) {
		return fault.Code()
	}
	return 0
}

// losesGroup reports whether an error of a statement leaves the whole
// transaction in doubt (SQLite may have rolled it back by itself), rather than only the statement undone.
func losesGroup(err error) bool {
	switch resultCode(err) & 0xff {
	case lib.SQLITE_FULL, lib.SQLITE_IOERR, lib.SQLITE_NOMEM, lib.SQLITE_BUSY, lib.SQLITE_LOCKED, lib.SQLITE_INTERRUPT,
		lib.SQLITE_READONLY, lib.SQLITE_CANTOPEN, lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB, lib.SQLITE_PROTOCOL:
		return true
	}
	return errors.Is(err, sql.ErrConnDone)
}

// fault gives an error of the database its meaning for the core.
func fault(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded), errors.Is(err, store.ErrUnavailable):
		return err
	case errors.Is(err, sql.ErrNoRows):
		return trial.ErrNotFound
	case isCorrupt(err):
		return fmt.Errorf("%w: %w", store.ErrUnavailable, asCorrupt(err))
	case losesGroup(err), err.Error() == databaseClosed:
		return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
	}
	switch resultCode(err) {
	case lib.SQLITE_CONSTRAINT_UNIQUE, lib.SQLITE_CONSTRAINT_PRIMARYKEY:
		return &refusal{meaning: trial.ErrExists, text: addressee(err) + trial.ErrExists.Error(), cause: err}
	case lib.SQLITE_CONSTRAINT_FOREIGNKEY:
		return &refusal{meaning: trial.ErrNotFound, text: addressee(err) + "a record that is referred to is " + trial.ErrNotFound.Error(), cause: err}
	case lib.SQLITE_CONSTRAINT_CHECK, lib.SQLITE_CONSTRAINT_NOTNULL, lib.SQLITE_CONSTRAINT_DATATYPE, lib.SQLITE_TOOBIG:
		return &refusal{meaning: trial.ErrInvalid, text: addressee(err) + "a value is out of its range", cause: err}
	}
	return err
}

// refusal is a constraint that refused a change. Its text is for members, who know nothing of tables; the cause is
// kept for logs.
type refusal struct {
	meaning, cause error
	text           string
}

// Error implements error.
func (r *refusal) Error() string { return r.text }

// Unwrap gives the meaning and the cause.
func (r *refusal) Unwrap() []error { return []error{r.meaning, r.cause} }

// concerned is an error with the record that it is about.
type concerned struct {
	record string
	error
}

func (c *concerned) Error() string { return c.record + ": " + c.error.Error() }
func (c *concerned) Unwrap() error { return c.error }

// about names the record that an error is about; nil stays nil.
func about(err error, kind, id string) error {
	if err == nil {
		return nil
	}
	return &concerned{record: kind + " " + id, error: err}
}

// addressee is the start of a refusal's text, from about.
func addressee(err error) string {
	var c *concerned
	if errors.As(err, &c) {
		return c.record + ": "
	}
	return ""
}
