package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks our files ("cvat"), so that another program's database is never migrated by mistake.
const applicationID = 0x63766174

// migrate brings the schema to the version of this program, forward only.
func migrate(ctx context.Context, db *sql.DB) error {
	var id, tables int64
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return err
	}
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return err
	}
	switch {
	case id == applicationID:
	case id == 0 && tables == 0:
		if _, err := db.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID)); err != nil {
			return err
		}
	default:
		return fmt.Errorf("%w (application id %#x)", ErrForeignFile, id)
	}

	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	present, newest, err := provider.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("read schema version: %w", err)
	}
	if present > newest {
		return fmt.Errorf("%w (schema version %d, this program knows up to %d)", ErrSchemaNewer, present, newest)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate schema from version %d to %d: %w", present, newest, err)
	}
	return nil
}
