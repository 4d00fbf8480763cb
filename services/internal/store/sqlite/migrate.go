package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"

	"github.com/commonvat/commonvat/services/internal/record"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks our files ("cvat"), so that another program's database is never migrated by mistake.
const applicationID = 0x63766174

// SchemaVersion is that of the files that this program writes.
const SchemaVersion = 7

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
	provider, err := goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true), goose.WithGoMigrations(
		goose.NewGoMigration(3, &goose.GoFunc{RunTx: indexBaths}, nil),
		goose.NewGoMigration(4, &goose.GoFunc{RunTx: sealRecords}, nil)))
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

// indexBaths is schema version 3: baths of the first version can be found like later ones. It may change no more once released,
// save that what the index says of a bath changes with a migration of its own.
func indexBaths(ctx context.Context, tx *sql.Tx) error {
	const page = 500
	type row struct {
		seq  int64
		body []byte
	}
	for after := int64(0); ; {
		rows, err := inTx(ctx, tx, func(from scanner) (r row, err error) {
			err = from.Scan(&r.seq, &r.body)
			return r, err
		}, `SELECT seq, body FROM baths WHERE seq > ? ORDER BY seq LIMIT ?`, after, page)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return nil
		}
		for i := range rows {
			if err := indexBath(ctx, tx, rows[i].seq, rows[i].body); err != nil {
				return fmt.Errorf("bath of row %d: %w", rows[i].seq, err)
			}
		}
		after = rows[len(rows)-1].seq
	}
}

func indexBath(ctx context.Context, tx *sql.Tx, seq int64, body []byte) error {
	bath, err := record.DecodeBath(body)
	if err != nil {
		return err
	}
	index, err := indexOfBath(bath)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE baths SET label_folded = ? WHERE seq = ?`, fold(bath.Label), seq); err != nil {
		return err
	}
	for t := range index.terms {
		if _, err := tx.ExecContext(ctx, `INSERT INTO bath_terms (field, value, bath) VALUES (?, ?, ?)`, t.field, t.value, seq); err != nil {
			return err
		}
	}
	return nil
}
