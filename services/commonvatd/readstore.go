package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"

	"github.com/commonvat/commonvat/services/internal/doctor"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite" // also brings the driver
)

// readStore looks at a store without the core's lock, and writes nothing.
func readStore(ctx context.Context, path string) (state doctor.StoreState, err error) {
	dsn := url.URL{Scheme: "file", Path: path, RawQuery: url.Values{"mode": {"ro"}, "_pragma": {"query_only(1)", "busy_timeout(5000)", "trusted_schema(0)"}}.Encode()}
	db, err := sql.Open("sqlite", dsn.String())
	if err != nil {
		return state, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var id int64
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return state, err
	}
	if id != 0x63766174 { // "cvat"
		return state, fmt.Errorf("it is no store of this program (application id %#x)", id)
	}
	var whole string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&whole); err != nil {
		return state, err
	}
	if whole != "ok" {
		return state, fmt.Errorf("it is damaged: %s", whole)
	}
	state.Known = sqlite.SchemaVersion
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&state.Schema); err != nil {
		return state, err
	}
	return state, readModuleData(ctx, db, &state)
}

// The schema versions that brought choices of modules, and packs.
const (
	schemaOfChoices = 5
	schemaOfPacks   = 8
)

// readModuleData reads which modules are retired and which data there is, of schemas that have that.
func readModuleData(ctx context.Context, db *sql.DB, state *doctor.StoreState) error {
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
	if state.Schema >= schemaOfChoices {
		err := each("SELECT name FROM module_choices WHERE retired = 1 ORDER BY name", func(row *sql.Rows) error {
			var name string
			err := row.Scan(&name)
			state.Retired = append(state.Retired, name)
			return err
		})
		if err != nil {
			return err
		}
	}
	if state.Schema < schemaOfPacks {
		return nil
	}
	return each("SELECT module, kind, digest, name, version, bytes, in_force FROM packs ORDER BY module, name, version, digest", func(row *sql.Rows) error {
		var p store.PackRow
		err := row.Scan(&p.Module, &p.Kind, &p.Digest, &p.Name, &p.Version, &p.Bytes, &p.InForce)
		state.Packs = append(state.Packs, p)
		return err
	})
}
