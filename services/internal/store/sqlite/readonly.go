package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrSchemaOlder says that the file has to be opened for writing once, by which its schema is brought up to date.
var ErrSchemaOlder = errors.New("store was written by an older version of this program and was not opened by this one yet")

// Reader reads a store that another process may have open. It has no cache, takes no lock, and writes and migrates nothing.
type Reader struct {
	reader
	path string
	copy *sql.DB // for BackupInto, which a connection that only queries refuses
}

var _ interface {
	store.TrialReader
	store.BathReader
	store.RecordReader
	store.History
	store.AuditTrail
} = (*Reader)(nil)

// OpenReadOnly opens a store that is there, for reading alone. Errors: ErrSchemaNewer, ErrSchemaOlder, ErrForeignFile, ErrCorrupt, those of the
// file system. A store that no process has open, in a folder that can't be written to, can't be read this way.
func OpenReadOnly(ctx context.Context, path string) (*Reader, error) {
	r := &Reader{path: path}
	r.log = slog.New(slog.DiscardHandler)
	if err := r.open(ctx); err != nil {
		return nil, fmt.Errorf("open store %s for reading: %w", path, errors.Join(asCorrupt(err), r.Close()))
	}
	return r, nil
}

func (r *Reader) open(ctx context.Context) (err error) {
	if r.path, err = filepath.Abs(r.path); err != nil {
		return err
	}
	if _, err := os.Stat(r.path); err != nil {
		return err
	}
	if r.read, err = sql.Open("sqlite", dsn(r.path, withoutWriting)); err != nil {
		return err
	}
	r.read.SetMaxOpenConns(readConnections)
	r.read.SetMaxIdleConns(readConnections)
	if r.copy, err = sql.Open("sqlite", dsn(r.path, forCopying)); err != nil {
		return err
	}
	r.copy.SetMaxOpenConns(1)
	if err := assertPragmas(ctx, r.read, readConnections, withoutWriting); err != nil {
		return err
	}
	var id int64
	if err := r.read.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return err
	}
	if id != applicationID {
		return fmt.Errorf("%w (application id %#x)", ErrForeignFile, id)
	}
	version, err := r.SchemaVersion(ctx)
	switch {
	case err != nil:
		return err
	case version > SchemaVersion:
		return fmt.Errorf("%w (schema version %d, this program knows up to %d)", ErrSchemaNewer, version, SchemaVersion)
	case version < SchemaVersion:
		return fmt.Errorf("%w (schema version %d, this program needs %d)", ErrSchemaOlder, version, SchemaVersion)
	}
	return r.prepare(ctx)
}

// Close lets go of the file.
func (r *Reader) Close() error {
	var errs []error
	for _, db := range []*sql.DB{r.read, r.copy} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// TrialRow implements store.TrialReader.
func (r *Reader) TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	return r.readTrial(ctx, id)
}

// SchemaVersion is that of the file.
func (s *reader) SchemaVersion(ctx context.Context) (version int64, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&version)
	return version, s.readFault(ctx, err)
}

// Revision is that of the last durable change.
func (r *Reader) Revision(ctx context.Context) (revision int64, err error) {
	err = r.read.QueryRowContext(ctx, "SELECT revision FROM counters").Scan(&revision)
	return revision, r.readFault(ctx, err)
}

// Counts gives the number of rows of each table, all of one state of the file.
func (r *Reader) Counts(ctx context.Context) (map[string]int64, error) {
	counts := map[string]int64{}
	err := r.snapshot(ctx, func(tx *sql.Tx) error {
		tables, err := inTx(ctx, tx, func(from scanner) (name string, err error) {
			err = from.Scan(&name)
			return name, err
		}, `SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\'
			AND name NOT LIKE 'goose\_%' ESCAPE '\' ORDER BY name`)
		if err != nil {
			return err
		}
		for _, table := range tables {
			var n int64
			if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM "`+strings.ReplaceAll(table, `"`, `""`)+`"`).Scan(&n); err != nil {
				return err
			}
			counts[table] = n
		}
		return nil
	})
	return counts, r.readFault(ctx, err)
}

// faultsShown is how many faults an error of IntegrityCheck names.
const faultsShown = 10

// IntegrityCheck reads the whole file and checks its structure, indexes, references and checksums. It is one read transaction: meanwhile the
// log of a core that writes can't be carried over. Errors: ErrCorrupt, naming the first faults.
func (r *Reader) IntegrityCheck(ctx context.Context) error {
	var faults []string
	err := r.snapshot(ctx, func(tx *sql.Tx) error {
		lines, err := inTx(ctx, tx, func(from scanner) (line string, err error) {
			err = from.Scan(&line)
			return line, err
		}, fmt.Sprintf("PRAGMA integrity_check(%d)", faultsShown))
		if err != nil {
			return err
		}
		if len(lines) != 1 || lines[0] != "ok" {
			faults = lines
			return nil
		}
		faults, err = inTx(ctx, tx, func(from scanner) (string, error) {
			var table, parent string
			var row sql.NullInt64
			err := from.Scan(&table, &row, &parent)
			return fmt.Sprintf("row %d of %s refers to a row of %s that isn't there", row.Int64, table, parent), err
		}, `SELECT "table", rowid, parent FROM pragma_foreign_key_check LIMIT ?`, faultsShown)
		if err != nil || len(faults) > 0 {
			return err
		}
		faults, err = damagedRows(ctx, tx, faultsShown)
		return err
	})
	if err != nil {
		return r.readFault(ctx, err)
	}
	if len(faults) > 0 {
		return fmt.Errorf("%w: %s", ErrCorrupt, strings.Join(faults, "; "))
	}
	return nil
}

// AllTrials reads a page of all trials, private and deleted ones too, by id ascending, after a given id.
func (s *reader) AllTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	return listAll(ctx, s, `SELECT `+trialColumns+` FROM trials t WHERE t.id > ? ORDER BY t.id LIMIT ?`, after, limit, scanTrial)
}

// AllBaths reads a page of all baths, private and deleted ones too, by id ascending, after a given id.
func (s *reader) AllBaths(ctx context.Context, after trial.ID, limit int) ([]store.BathRow, error) {
	return listAll(ctx, s, `SELECT `+bathSealed+` FROM baths b WHERE b.id > ? ORDER BY b.id LIMIT ?`, after, limit, scanBath)
}

func listAll[T any](ctx context.Context, s *reader, query string, after trial.ID, limit int, scan func(scanner) (T, error)) ([]T, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	from, err := above(after)
	if err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, query, from, limit)
	return collect(ctx, s, rows, err, scan)
}

// BackupInto writes a copy of the store, as it is at one moment, into a new file that only its owner can read. The copy is on
// disk when it returns; on an error there is none. It is one read transaction. Errors: fs.ErrExist for a path
// that is taken.
func (r *Reader) BackupInto(ctx context.Context, path string) (err error) {
	// Made here, so that what is there is never written to, and with our mode; an empty file is taken as a new one.
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		err = errors.Join(err, file.Close())
		if err != nil {
			err = fmt.Errorf("copy store into %s: %w", path, errors.Join(err, os.Remove(path)))
		}
	}()
	if _, err := r.copy.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		return r.readFault(ctx, err)
	}
	if err := file.Sync(); err != nil {
		return err
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
