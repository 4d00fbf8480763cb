package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"

	"github.com/commonvat/commonvat/services/internal/store"
)

// Examined is what Examine found in a file.
type Examined struct {
	Schema int64 // version that the file has; see SchemaVersion for what this program brings it to
	// Packs are the data of modules, and Retired the names of modules that somebody took out; none of a schema that has neither.
	Packs   []store.PackRow
	Retired []string
}

// Examine looks whether the file is a whole store of any schema, without the lock, and writes nothing. Unlike OpenReadOnly it also reads
// files of older and newer programs, as far as these have what it looks at. Errors: ErrForeignFile, ErrCorrupt, those of the file system.
func Examine(ctx context.Context, path string) (found Examined, err error) {
	if path, err = filepath.Abs(path); err != nil { // the name of a data source takes the first part of any other path for a host
		return found, err
	}
	query := url.Values{"mode": {"ro"}, "_pragma": {"query_only(1)", fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds()), "trusted_schema(0)"}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: path, RawQuery: query.Encode()}).String())
	if err != nil {
		return found, err
	}
	defer func() { err = asCorrupt(errors.Join(err, db.Close())) }()
	var id int64
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return found, err
	}
	if id != applicationID {
		return found, fmt.Errorf("%w (application id %#x)", ErrForeignFile, id)
	}
	var whole string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&whole); err != nil {
		return found, err
	}
	if whole != "ok" {
		return found, fmt.Errorf("%w: %s", ErrCorrupt, whole)
	}
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&found.Schema); err != nil {
		return found, err
	}
	return found, found.readModuleData(ctx, db)
}

// The schema versions that brought choices of modules, and packs.
const (
	schemaOfChoices = 5
	schemaOfPacks   = 8
)

// readModuleData reads which modules are retired and which data there is, of schemas that have that.
func (e *Examined) readModuleData(ctx context.Context, db *sql.DB) error {
	each := func(query string, one func(*sql.Rows) error) (err error) {
		rows, err := db.QueryContext(ctx, query)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, rows.Close()) }()
		for rows.Next() {
			if err := one(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	}
	if e.Schema >= schemaOfChoices {
		err := each("SELECT name FROM module_choices WHERE retired = 1 ORDER BY name", func(row *sql.Rows) error {
			var name string
			err := row.Scan(&name)
			e.Retired = append(e.Retired, name)
			return err
		})
		if err != nil {
			return err
		}
	}
	if e.Schema < schemaOfPacks {
		return nil
	}
	return each("SELECT module, kind, digest, name, version, bytes, in_force FROM packs ORDER BY module, name, version, digest", func(row *sql.Rows) error {
		var p store.PackRow
		err := row.Scan(&p.Module, &p.Kind, &p.Digest, &p.Name, &p.Version, &p.Bytes, &p.InForce)
		e.Packs = append(e.Packs, p)
		return err
	})
}
