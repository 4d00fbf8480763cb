package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"

	"github.com/commonvat/commonvat/services/internal/doctor"
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
	err = db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&state.Schema)
	return state, err
}
